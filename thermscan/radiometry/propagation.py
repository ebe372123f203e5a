"""Uncertainty carried through a function, to first order (GUM)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.scales import read_only

# Central differences over a hundredth of a standard uncertainty: their own error is 1e-4 of the curvature's effect,
# and rounding is 1e-12 or so.
_STEP_SHARE = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Propagated:
    """
    One or more results with their joint uncertainty.

    Attributes
    ----------
    values : ndarray of shape (m,)
    covariance : ndarray of shape (m, m)
    sensitivities : ndarray of shape (m, n)
        Derivative of each result with respect to each input.
    """

    values: NDArray[np.float64]
    covariance: NDArray[np.float64]
    sensitivities: NDArray[np.float64]

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        for name in ("values", "covariance", "sensitivities"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def u(self) -> NDArray[np.float64]:
        """Standard uncertainties, shape (m,)."""
        spread: NDArray[np.float64] = np.sqrt(np.diag(self.covariance))
        return spread

    @property
    def correlation(self) -> NDArray[np.float64]:
        """Correlation coefficients, shape (m, m)."""
        matrix: NDArray[np.float64] = self.covariance / np.outer(self.u, self.u)
        return matrix


def propagate(
    function: Callable[[NDArray[np.float64]], ArrayLike], values: ArrayLike, *, covariance: ArrayLike
) -> Propagated:
    """
    First-order propagation of uncertainty, correlation included.

    Parameters
    ----------
    function : callable
        Takes an array of shape (n,) and gives one number or m of them.
    values : array_like of shape (n,)
        Best estimates of the inputs.
    covariance : array_like of shape (n, n), or (n,) for standard uncertainties of independent inputs

    Returns
    -------
    Propagated

    Raises
    ------
    InputError
        The covariance's size does not fit the inputs.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.1.2 and 5.2.2; for several results JCGM 102:2011, 6.2.

    Examples
    --------
    >>> product = propagate(lambda x: x[0] * x[1], [3.0, 4.0], covariance=[0.1, 0.1])
    >>> round(float(product.u[0]), 6)
    0.5
    """
    x = np.asarray(values, dtype=np.float64)
    matrix = np.asarray(covariance, dtype=np.float64)
    if matrix.ndim == 1:
        matrix = np.diag(matrix**2)
    if matrix.shape != (x.size, x.size):
        raise InputError(f"a covariance of {matrix.shape} does not fit {x.size} inputs", where="covariance")
    steps = np.sqrt(np.diag(matrix)) * _STEP_SHARE
    columns = []
    for i, step in enumerate(steps):
        if step == 0:  # a constant: its sensitivity is of no account
            columns.append(np.zeros_like(np.atleast_1d(function(x)), dtype=np.float64))
            continue
        shift = np.zeros_like(x)
        shift[i] = step
        columns.append((np.atleast_1d(function(x + shift)) - np.atleast_1d(function(x - shift))) / (2 * step))
    slopes = np.stack(columns, axis=1)
    return Propagated(np.atleast_1d(np.asarray(function(x))), slopes @ matrix @ slopes.T, slopes)
