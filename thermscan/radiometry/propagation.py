"""Uncertainty carried through a function: first order (GUM), and by drawing (its Supplement 1) as the check."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frozen import reduce_frozen
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


@dataclass(frozen=True, slots=True)
class Drawn:
    """
    What drawing the inputs at random gave.

    Attributes
    ----------
    mean, u : float
    low, high : float
        Probabilistically symmetric coverage interval.
    trials : int
        How many gave a number.
    refused : int
        How many gave none (NaN).
    """

    mean: float
    u: float
    low: float
    high: float
    trials: int
    refused: int


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


def propagate_by_drawing(
    function: Callable[[NDArray[np.float64]], ArrayLike],
    draw: Callable[[np.random.Generator, int], NDArray[np.float64]],
    *,
    rng: np.random.Generator,
    trials: int = 200_000,
    coverage: float = 0.95,
) -> Drawn:
    """
    Propagation of whole distributions, by Monte Carlo: the check on `propagate`.

    Parameters
    ----------
    function : callable
        Takes an array of shape (n, trials) and gives one of shape (trials,).
    draw : callable
        Given a generator and a number of trials, the inputs: shape (n, trials).
    rng : numpy.random.Generator
    trials : int
    coverage : float
        Of the interval, between 0 and 1.

    Returns
    -------
    Drawn

    Raises
    ------
    InputError
        No trial gave a number.

    References
    ----------
    .. [1] JCGM 101:2008, 7.2 to 7.7.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> four = propagate_by_drawing(lambda x: x.sum(axis=0), lambda g, n: g.normal(size=(4, n)), rng=rng)
    >>> round(four.u, 2)
    2.0
    """
    results = np.asarray(function(draw(rng, trials)), dtype=np.float64)
    good = results[np.isfinite(results)]
    if good.size < 2:
        raise InputError("none of the trials gave a number", fix="check the inputs")
    low, high = np.quantile(good, [(1 - coverage) / 2, (1 + coverage) / 2])
    return Drawn(
        mean=float(good.mean()),
        u=float(good.std(ddof=1)),
        low=float(low),
        high=float(high),
        trials=int(good.size),
        refused=int(results.size - good.size),
    )


def effective_degrees_of_freedom(u: ArrayLike, degrees: ArrayLike) -> float:
    """
    Degrees of freedom of a combined uncertainty (Welch-Satterthwaite).

    Parameters
    ----------
    u : array_like of shape (n,)
        Standard uncertainty that each input contributes.
    degrees : array_like of shape (n,)
        Of each; infinity where it is known exactly.

    Returns
    -------
    float
        Infinity where none limits it.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), G.4.1, equation (G.2b).

    Examples
    --------
    >>> round(effective_degrees_of_freedom([1.0, 1.0], [5, 5]), 6)
    10.0
    """
    contributions = np.asarray(u, dtype=np.float64)
    limiting = float(np.sum(contributions**4 / np.asarray(degrees, dtype=np.float64)))
    return float(np.sum(contributions**2) ** 2 / limiting) if limiting > 0 else float("inf")
