"""Normal equations of what the bare board's cells show, put right for cells that are weighed otherwise than before."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["CellEquations"]


class CellEquations:
    """
    Of one design, for one weighing after the other.

    Between two weighings few cells change how far they are believed: their rows are put right, the rest stands.
    Rounding stays that of a sum over all cells.

    Parameters
    ----------
    design : ndarray of shape (m, n)
        Rise of each cell for one unit of each unknown.

    Examples
    --------
    >>> cells = CellEquations(np.array([[1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]))
    >>> cells.weighed(np.ones(3)).tolist()
    [[2.0, 1.0], [1.0, 2.0]]
    >>> cells.weighed(np.array([1.0, 1.0, 2.0])).tolist()
    [[2.0, 1.0], [1.0, 5.0]]
    """

    def __init__(self, design: NDArray[np.float64]) -> None:
        self.design = design
        self._weight: NDArray[np.float64] | None = None
        self._normal = np.zeros((0, 0))

    def weighed(self, weight: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        The normal matrix for cells so weighed; (m,) to (n, n). Not to be written to.

        Each row of the design counts times its weight, its square in the matrix.
        """
        changed = None if self._weight is None else np.flatnonzero(weight != self._weight)
        # A row put right costs two of one that is summed, since a product with itself is symmetric.
        if self._weight is None or changed is None or 2 * len(changed) > len(weight):
            rows = self.design * weight[:, None]
            self._normal = rows.T @ rows
        elif len(changed):
            rows = self.design[changed]
            more = weight[changed] ** 2 - self._weight[changed] ** 2
            change = (rows * more[:, None]).T @ rows
            # A general product of the same leaves two halves that differ by their rounding.
            self._normal = self._normal + 0.5 * (change + change.T)
        self._weight = weight
        return self._normal

    def crossed(self, others: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
        """The same between the design's unknowns and others of shape (m,) or (m, p)."""
        square = weight**2
        result: NDArray[np.float64] = self.design.T @ (others * (square if others.ndim == 1 else square[:, None]))
        return result
