"""Warm-up curves: what each part's temperature does after power-on, and where it will end."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from thermscan.dynamics.exponentials import Exponentials, fit_exponentials
from thermscan.dynamics.spectrum import SHARES_DOUBT, Spectrum, fit_spectrum
from thermscan.frozen import dataclass

FloatArray = NDArray[np.float64]

# Points a curve is thinned to: enough for any time constant that frames can show.
MOST_POINTS = 700
# Within this of its end a part is called steady (contract).
STEADY_WITHIN_K = 0.5
# A part that rises by less says nothing of its time constants.
LEAST_RISE_K = 0.3
# How far the end that the few terms tell moves the one that the spectrum tells (tests/benchmarks/warmup_trials.py,
# seeds 100 to 105: errors after two time constants fall from 0.66 to 0.47 K rms).
TERMS_SHARE = 0.5
NORMAL_95 = 1.959964
# Sure enough to say so: 90 % one-sided.
SURE = 1.2816


@dataclass(frozen=True, slots=True, eq=False)
class WarmUpCurve:
    """
    One part's warm-up.

    Attributes
    ----------
    start_c, end_c : float
        At power-on, and at the end of the recording.
    steady_c, steady_u_k : float
        Where it will end, with the standard uncertainty of that as a difference to what was read.
    steady_interval_c : tuple of float
        Holds it with 95 %.
    slope_k_per_s, slope_u_k_per_s : float or None
        Just after power-on; None where that was not seen.
    t63_s : float or None
        Time to 63.2 % of the way; None where it hardly rises.
    exponentials : Exponentials or None
        The curve in one or two terms.
    wait_s : float or None
        Until within half a kelvin of its end; 0 where it is; None where that cannot be told.
    noise_k : float
        Scatter of a point about the curve, for one frame.
    """

    start_c: float
    end_c: float
    steady_c: float
    steady_u_k: float
    steady_interval_c: tuple[float, float]
    still_to_go_k: float
    still_u_k: float
    slope_k_per_s: float | None
    slope_u_k_per_s: float | None
    t63_s: float | None
    exponentials: Exponentials | None
    wait_s: float | None
    noise_k: float

    @property
    def steady(self) -> bool | None:
        """Whether it is within half a kelvin of its end; None where that cannot be told."""
        apart, doubt = abs(self.still_to_go_k), SURE * self.still_u_k
        if apart + doubt <= STEADY_WITHIN_K:
            return True
        return False if apart - doubt > STEADY_WITHIN_K else None


def fit_curves(times_s: FloatArray, mean_c: FloatArray, *, power_on_s: float | None) -> tuple[WarmUpCurve, ...]:
    """
    The warm-up of all parts of a board.

    Parameters
    ----------
    times_s : ndarray of shape (n,)
    mean_c : ndarray of shape (n, parts)
        NaN where a frame does not show a part.
    power_on_s : float or None
        None: not known; then the first frame stands for it, and no slope is told.

    Returns
    -------
    tuple of WarmUpCurve
    """
    began_s = float(times_s[0]) if power_on_s is None else power_on_s
    since_s, y, weights = thinned(times_s - began_s, mean_c)
    spectrum = fit_spectrum(since_s, y, weights=weights)
    seen_s = float(max(since_s[0], 0.0))
    slope_known = power_on_s is not None and seen_s <= 0.05 * max(float(since_s[-1]), 1e-9)
    return tuple(
        _curve(spectrum, column, since_s, y[:, column], weights, slope_known=slope_known)
        for column in range(y.shape[1])
    )


def thinned(since_s: FloatArray, mean_c: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means of neighbouring frames (never across power-on), and how many each stands for; a part's gaps are bridged."""
    size = max(len(since_s) // MOST_POINTS, 1)
    groups = np.arange(len(since_s)) // size + (since_s >= 0) * len(since_s)
    _, at, counts = np.unique(groups, return_inverse=True, return_counts=True)
    t = np.bincount(at, weights=since_s) / counts
    columns = []
    for column in mean_c.T:
        good = np.isfinite(column)
        seen = np.bincount(at[good], minlength=len(counts))
        total = np.bincount(at[good], weights=column[good], minlength=len(counts))
        known = seen > 0
        columns.append(np.interp(t, t[known], total[known] / seen[known]) if known.any() else np.zeros(len(t)))
    return t, np.array(columns).T, counts.astype(np.float64)


def _curve(
    spectrum: Spectrum, column: int, since_s: FloatArray, y: FloatArray, weights: FloatArray, *, slope_known: bool
) -> WarmUpCurve:
    level = float(spectrum.level_c[column])
    now, start = spectrum.row_at(float(since_s[-1])), spectrum.row_at(0.0)
    end = np.zeros(len(now))
    end[0] = 1.0

    def told(row: FloatArray) -> tuple[float, float]:
        mean, covariance = spectrum.mean[column], spectrum.covariance[column]
        return float(mean @ row), SHARES_DOUBT * float(np.sqrt(max(row @ covariance @ row, 0.0)))

    slope, slope_u = told(spectrum.row_slope)
    start_k, (now_k, now_u) = told(start)[0], told(now)
    # A part that has risen goes on rising to its end (each of its terms has one sign where it is heated from within).
    sign = 1.0 if now_k >= start_k else -1.0
    still, still_u, reach = one_sided(sign * told(end - now)[0], told(end - now)[1])
    r = float(spectrum.correlation[column])
    on = since_s >= 0
    rising = abs(now_k + sign * still - start_k) > LEAST_RISE_K
    terms = (
        fit_exponentials(since_s[on], y[on], weights=weights[on], independent=max(on.sum() * (1 - r) / (1 + r), 6.0))
        if rising and on.sum() > 8
        else None
    )
    if terms is not None:
        # Few terms leave out the spectrum's tail, and the spectrum allows more of one than there is: between them.
        other = sign * (terms.end_c - level - now_k) - still
        moved = TERMS_SHARE * float(np.clip(other, -2 * still_u, 2 * still_u))
        still = max(still + moved, 0.0)
        reach = (max(reach[0] + moved, 0.0), reach[1] + moved)
    still *= sign
    steady_k, steady_u = now_k + still, float(np.hypot(still_u, now_u))
    low, high = (now_k + sign * each for each in reach)
    interval = (level + min(low, high) - NORMAL_95 * now_u, level + max(low, high) + NORMAL_95 * now_u)
    return WarmUpCurve(
        start_c=level + start_k,
        end_c=level + now_k,
        steady_c=level + steady_k,
        steady_u_k=steady_u,
        steady_interval_c=interval,
        still_to_go_k=still,
        still_u_k=still_u,
        slope_k_per_s=slope if slope_known else None,
        slope_u_k_per_s=slope_u if slope_known else None,
        t63_s=_time_to_63(spectrum, column, terms, start_k=start_k, steady_k=steady_k, seen_s=float(since_s[-1]))
        if rising
        else None,
        exponentials=terms,
        wait_s=_wait_s(abs(still), spectrum, column, terms, float(since_s[-1])),
        noise_k=float(spectrum.noise_k[column]),
    )


def one_sided(mean: float, u: float) -> tuple[float, float, tuple[float, float]]:
    """
    Mean, standard deviation and 95 % interval of a normal distribution once it is known to be above 0.

    Examples
    --------
    >>> mean, u, (low, high) = one_sided(0.0, 1.0)
    >>> round(mean, 3), round(u, 3), low > 0
    (0.798, 0.603, True)
    """
    u = max(u, 1e-9)
    # Far below 0 the distribution has no tail worth a name: what is left lies within a part of u above 0.
    edge = min(-mean / u, 6.0)
    mean = -edge * u
    above = float(ndtr(-edge))
    pull = float(np.exp(-0.5 * edge**2) / np.sqrt(2 * np.pi)) / above
    spread = u * np.sqrt(max(1.0 + edge * pull - pull**2, 1e-6))
    low, high = (float(mean + u * ndtri(1.0 - above * (1.0 - share))) for share in (0.025, 0.975))
    return float(mean + u * pull), float(spread), (low, high)


def _time_to_63(
    spectrum: Spectrum,
    column: int,
    terms: Exponentials | None,
    *,
    start_k: float,
    steady_k: float,
    seen_s: float,
) -> float | None:
    """When 63.2 % of the way is gone: by the few terms where they agree on the end, else as it was seen."""
    share = 1.0 - np.exp(-1.0)
    level_c = float(spectrum.level_c[column])
    if terms is not None and abs(terms.end_c - level_c - steady_k) <= 0.1 * abs(steady_k - start_k):
        return _time_of_terms(terms, share)
    times = np.geomspace(max(seen_s * 1e-4, 0.02), seen_s, 1500)
    seen = spectrum.mean[column, 0] - np.exp(-times[:, None] / spectrum.taus) @ spectrum.mean[column, 1:]
    gone = (seen - start_k) / (steady_k - start_k)
    reached = np.flatnonzero(gone >= share)
    if reached.size and reached[0] > 0:
        at = int(reached[0])
        return float(np.interp(share, gone[at - 1 : at + 1], times[at - 1 : at + 1]))
    slowest = max(terms.tau_s) if terms else 0.0
    left = (1.0 - float(gone[-1])) / np.exp(-1.0)
    return float(seen_s + slowest * np.log(left)) if slowest > 0 and left > 1 else None


def _time_of_terms(terms: Exponentials, share: float) -> float | None:
    amplitudes, taus = np.array(terms.amplitudes_k), np.array(terms.tau_s)
    times = np.geomspace(taus.min() * 1e-3, taus.max() * 8, 3000)
    gone = 1.0 - np.exp(-times[:, None] / taus) @ amplitudes / amplitudes.sum()
    reached = np.flatnonzero(gone >= share)
    if not reached.size or reached[0] == 0:
        return None
    at = int(reached[0])
    return float(np.interp(share, gone[at - 1 : at + 1], times[at - 1 : at + 1]))


def _wait_s(still_k: float, spectrum: Spectrum, column: int, terms: Exponentials | None, seen_s: float) -> float | None:
    """Until within half a kelvin of the end: what is still to go falls with the slowest time constant."""
    if still_k <= STEADY_WITHIN_K:
        return 0.0
    amplitudes = np.abs(spectrum.mean[column, 1:]) * np.exp(-seen_s / spectrum.taus)
    usual = float((amplitudes * spectrum.taus).sum() / max(amplitudes.sum(), 1e-12))
    slowest = min(max(terms.tau_s), usual) if terms else usual
    return float(slowest * np.log(still_k / STEADY_WITHIN_K))
