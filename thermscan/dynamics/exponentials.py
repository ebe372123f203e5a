"""One or two time constants of a warm-up curve, by separable least squares."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass

FloatArray = NDArray[np.float64]

# Where the search starts: time constants over this grid, refined after that.
STARTS_A_DECADE = 5
# Two terms closer than this are one, seen through noise.
LEAST_RATIO = 1.6
# A second term must better the fit by this much in the Bayesian information criterion to be told.
TOLD_BY = 6.0


@dataclass(frozen=True, slots=True)
class Exponentials:
    """T(t) = end_c - sum of amplitudes_k exp(-t / tau_s), with one or two terms."""

    end_c: float
    tau_s: tuple[float, ...]
    amplitudes_k: tuple[float, ...]
    residual_k: float

    def curve_c(self, since_s: FloatArray) -> FloatArray:
        """Temperatures at times since power-on; shape of the times."""
        result: FloatArray = np.full(np.shape(since_s), self.end_c, dtype=np.float64)
        for tau, amplitude in zip(self.tau_s, self.amplitudes_k, strict=True):
            result = result - amplitude * np.exp(-np.maximum(since_s, 0.0) / tau)
        return result


def fit_exponentials(
    since_s: FloatArray, temp_c: FloatArray, *, weights: FloatArray | None = None, independent: float | None = None
) -> Exponentials:
    """
    The curve's time constants: two where they explain it clearly better than one.

    Parameters
    ----------
    since_s, temp_c : ndarray of shape (n,)
    weights : ndarray of shape (n,), optional
    independent : float, optional
        How many independent points the n are worth, where neighbours share their noise.

    References
    ----------
    .. [1] G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432: for given time constants the rest is
       linear, and only they are searched for.
    .. [2] G. Schwarz, Ann. Statist. 6 (1978) 461-464: what another parameter must bring.

    Examples
    --------
    >>> t = np.arange(0.0, 400.0, 2.0)
    >>> found = fit_exponentials(t, 40.0 - 5.0 * np.exp(-t / 12.0) - 10.0 * np.exp(-t / 110.0))
    >>> [round(tau, 1) for tau in found.tau_s]
    [12.0, 110.0]
    """
    weight = np.ones(len(since_s)) if weights is None else weights / weights.mean()
    n = float(len(since_s)) if independent is None else independent
    span = float(since_s[-1] - since_s[0])
    shortest = max(float(np.median(np.diff(since_s))) / 2, span * 1e-3, 1e-6)
    grid = np.geomspace(shortest, 3 * span, max(int(np.log10(3 * span / shortest) * STARTS_A_DECADE), 4))
    one = _best(since_s, temp_c, weight, [(tau,) for tau in grid])
    two = _best(since_s, temp_c, weight, list(combinations(grid, 2)))
    scored = [n * np.log(max(each.residual_k, 1e-12) ** 2) + 2 * len(each.tau_s) * np.log(n) for each in (one, two)]
    apart = max(two.tau_s) / min(two.tau_s) > LEAST_RATIO
    return two if apart and scored[0] - scored[1] > TOLD_BY else one


def _best(t: FloatArray, y: FloatArray, weight: FloatArray, starts: list[tuple[float, ...]]) -> Exponentials:
    from scipy.optimize import least_squares  # noqa: PLC0415 - a quarter of a second, for recordings alone

    root = np.sqrt(weight)
    squares = [float((_left(t, y, root, np.log(np.array(start))) ** 2).sum()) for start in starts]
    start = np.log(np.array(starts[int(np.argmin(squares))]))
    bounds = (np.log(t[-1] * 1e-4 + 1e-9), np.log(t[-1] * 20 + 1e-6))
    found = least_squares(
        lambda log_tau: _left(t, y, root, log_tau), np.clip(start, *bounds), bounds=bounds, x_scale=0.3, max_nfev=60
    )
    taus = np.exp(np.sort(found.x))
    solution = _linear(t, y, root, taus)
    left = _left(t, y, root, np.log(taus))
    return Exponentials(
        float(solution[0]),
        tuple(taus.tolist()),
        tuple((-solution[1:]).tolist()),
        float(np.sqrt((left**2).mean())),
    )


def _terms(t: FloatArray, taus: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(len(t)), np.exp(-np.maximum(t, 0.0)[:, None] / taus)])


def _linear(t: FloatArray, y: FloatArray, root: FloatArray, taus: FloatArray) -> FloatArray:
    solution = np.linalg.lstsq(_terms(t, taus) * root[:, None], y * root, rcond=1e-10)[0]
    return np.asarray(solution, dtype=np.float64)


def _left(t: FloatArray, y: FloatArray, root: FloatArray, log_tau: FloatArray) -> FloatArray:
    q, _ = np.linalg.qr(_terms(t, np.exp(log_tau)) * root[:, None])
    seen = y * root
    return np.asarray(seen - q @ (q.T @ seen), dtype=np.float64)
