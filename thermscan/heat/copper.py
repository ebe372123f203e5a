"""How the board's conduction differs from place to place: planes that end, pours, bare stretches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from thermscan.frozen import dataclass
from thermscan.heat.fin import FinGrid

# Conduction is told at places about a usual decay length apart: what changes within less hardly shows in the rise.
SPACING_MM = 25.0
MOST_PLACES = 7
# A stretch with planes conducts about three times as well as one with tracks alone (k t 14 against 4 to 6 mW/K of
# boards with 35 um of copper on both sides; reckoned, cover by copper from memory): half of that ratio's logarithm, or
# somewhat less, either way.
COPPER_SPREAD = 0.4


def copper_basis(grid: FinGrid) -> sparse.csr_matrix:
    """
    Weights of the places at which conduction is told, for each cell; each row sums to 1.

    Returns
    -------
    sparse matrix of shape (cells, places)
        Bilinear between places on a regular grid over the board, its edges included.

    Examples
    --------
    >>> basis = copper_basis(FinGrid(np.ones((30, 60), bool), 1.0, 1.0))
    >>> basis.shape, bool(np.allclose(basis.sum(axis=1), 1.0))
    ((1800, 6), True)
    """
    row, col = np.nonzero(grid.inside)
    along = [
        _hats((index + 0.5) * step, count * step)
        for index, step, count in ((row, grid.dy_mm, grid.inside.shape[0]), (col, grid.dx_mm, grid.inside.shape[1]))
    ]
    across = along[0][:, :, None] * along[1][:, None, :]
    return sparse.csr_matrix(across.reshape(len(row), -1))


def _hats(at_mm: NDArray[np.floating], length_mm: float) -> NDArray[np.float64]:
    places = int(np.clip(round(length_mm / SPACING_MM) + 1, 2, MOST_PLACES))
    away = np.abs(at_mm[:, None] / length_mm * (places - 1) - np.arange(places))
    return np.asarray(np.maximum(1.0 - away, 0.0), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Links:
    """
    Neighbouring cells.

    Attributes
    ----------
    one, other : ndarray of int, shape (links,)
        Running numbers of the cells.
    per_mm2 : ndarray of shape (links,)
        One over the square of their distance.
    """

    one: NDArray[np.intp]
    other: NDArray[np.intp]
    per_mm2: NDArray[np.float64]

    def taken_up(self, flow: NDArray[np.float64], cells: int) -> NDArray[np.float64]:
        """What each cell takes up of flows from ``one`` to ``other``; (links, p) to (cells, p)."""
        count = len(self.one)
        ends = sparse.csr_matrix(
            (
                np.concatenate([-np.ones(count), np.ones(count)]),
                (np.concatenate([self.one, self.other]), np.tile(np.arange(count), 2)),
            ),
            shape=(cells, count),
        )
        return np.asarray(ends @ flow, dtype=np.float64)


def links_of(grid: FinGrid) -> Links:
    """
    All pairs of cells that touch.

    Examples
    --------
    >>> links = links_of(FinGrid(np.ones((1, 3), bool), 2.0, 1.0))
    >>> links.one.tolist(), links.other.tolist(), links.per_mm2.tolist()
    ([0, 1], [1, 2], [0.25, 0.25])
    """
    number = grid.numbers()
    ones, others, per_mm2 = [], [], []
    for first, second, distance in (
        (number[:, :-1], number[:, 1:], grid.dx_mm),
        (number[:-1, :], number[1:, :], grid.dy_mm),
    ):
        both = (first >= 0) & (second >= 0)
        ones.append(first[both])
        others.append(second[both])
        per_mm2.append(np.full(int(both.sum()), 1.0 / distance**2))
    return Links(np.concatenate(ones), np.concatenate(others), np.concatenate(per_mm2))
