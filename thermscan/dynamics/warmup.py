"""Warm-up curves: what each part's temperature does after power-on, and where it will end."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.exponentials import Exponentials, fit_exponentials
from thermscan.dynamics.spectrum import SHARES_DOUBT, Spectrum, fit_spectrum

FloatArray = NDArray[np.float64]

# Points a curve is thinned to: enough for any time constant that frames can show.
MOST_POINTS = 700
# Within this of its end a part is called steady (contract).
STEADY_WITHIN_K = 0.5
# A part that rises by less says nothing of its time constants.
LEAST_RISE_K = 0.3
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
    still_to_go_k: float
    still_u_k: float
    slope_k_per_s: float | None
    slope_u_k_per_s: float | None
    t63_s: float | None
    exponentials: Exponentials | None
    wait_s: float | None
    noise_k: float

    @property
    def steady_interval_c(self) -> tuple[float, float]:
        """Holds the end with 95 %."""
        half = NORMAL_95 * self.steady_u_k
        return self.steady_c - half, self.steady_c + half

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
    """Means of neighbouring frames (never across power-on), with how many each stands for; gaps in a part are bridged."""
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

    steady_k, steady_u = told(end)
    still, still_u = told(end - now)
    slope, slope_u = told(spectrum.row_slope)
    start_k, now_k = told(start)[0], told(now)[0]
    r = float(spectrum.correlation[column])
    on = since_s >= 0
    rising = abs(steady_k - start_k) > LEAST_RISE_K
    terms = (
        fit_exponentials(since_s[on], y[on], weights=weights[on], independent=max(on.sum() * (1 - r) / (1 + r), 6.0))
        if rising and on.sum() > 8
        else None
    )
    return WarmUpCurve(
        start_c=level + start_k,
        end_c=level + now_k,
        steady_c=level + steady_k,
        steady_u_k=steady_u,
        still_to_go_k=still,
        still_u_k=still_u,
        slope_k_per_s=slope if slope_known else None,
        slope_u_k_per_s=slope_u if slope_known else None,
        t63_s=_time_to_63(spectrum, column) if rising else None,
        exponentials=terms,
        wait_s=_wait_s(spectrum, column, float(since_s[-1])),
        noise_k=float(spectrum.noise_k[column]),
    )


def _time_to_63(spectrum: Spectrum, column: int) -> float | None:
    times = np.geomspace(0.05, 6 * spectrum.taus.max(), 3000)
    amplitudes = spectrum.mean[column, 1:]
    total = float(amplitudes.sum())
    gone = 1.0 - (np.exp(-times[:, None] / spectrum.taus) @ amplitudes) / total
    reached = np.flatnonzero(gone >= 1.0 - np.exp(-1.0))
    if not reached.size or reached[0] == 0:
        return None
    at = int(reached[0])
    return float(np.interp(1.0 - np.exp(-1.0), gone[at - 1 : at + 1], times[at - 1 : at + 1]))


def _wait_s(spectrum: Spectrum, column: int, since_s: float) -> float:
    """Until the last time that the curve is farther than half a kelvin from its end, counted from now."""
    times = np.linspace(0.0, 6 * spectrum.taus.max(), 4000)
    apart = np.abs(np.exp(-(since_s + times)[:, None] / spectrum.taus) @ spectrum.mean[column, 1:])
    far = np.flatnonzero(apart > STEADY_WITHIN_K)
    return float(times[min(far[-1] + 1, len(times) - 1)]) if far.size else 0.0
