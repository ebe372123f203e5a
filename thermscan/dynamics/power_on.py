"""When the power came on, where the recording shows it."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass

FloatArray = NDArray[np.float64]
Source = Literal["given", "found", "not seen"]

# Before the rise so many points must be level, and after it so many must rise.
FEWEST_BEFORE, FEWEST_AFTER = 3, 6
# What a board's mean rise is made of, near enough to find its beginning.
_TAUS_S = (8.0, 40.0, 200.0)
# The rise must stand this many times above the scatter of the level points.
STANDS_OUT = 6.0
# A kink explains the curve this much better than a curve that began before the first frame.
BETTER = 1.5
MOST_POINTS = 400


@dataclass(frozen=True, slots=True)
class PowerOn:
    """When the power came on, on the recording's clock, and how that is known."""

    time_s: float | None
    source: Source


def find_power_on(times_s: FloatArray, mean_c: FloatArray) -> PowerOn:
    """
    The kink at which a board's parts begin to rise together.

    Parameters
    ----------
    times_s : ndarray of shape (n,)
    mean_c : ndarray of shape (n, parts)

    Returns
    -------
    PowerOn
        ``not seen`` where the parts rise from the first frame on, or do not rise.

    Examples
    --------
    >>> t = np.arange(0.0, 200.0)
    >>> rise = 10.0 * (1 - np.exp(-np.maximum(t - 30.0, 0) / 60.0))
    >>> found = find_power_on(t, 22.0 + rise[:, None] * [1.0, 0.5])
    >>> found.source, bool(abs(found.time_s - 30.0) < 1.0)
    ('found', True)
    """
    step = max(len(times_s) // MOST_POINTS, 1)
    whole = len(times_s) // step * step
    if whole < FEWEST_BEFORE + FEWEST_AFTER or mean_c.shape[1] == 0:
        return PowerOn(None, "not seen")
    t = times_s[:whole].reshape(-1, step).mean(axis=1)
    y = np.nan_to_num(mean_c[:whole] - np.nanmean(mean_c, axis=0)).reshape(len(t), step, -1).mean(axis=1)
    # Weighted by what each part rises: a matched mean, in which parts that stay cold bring no noise.
    tenth = max(len(t) // 10, 1)
    rise = y[-tenth:].mean(axis=0) - y[:tenth].mean(axis=0)
    size = float(np.abs(rise).sum())
    if size <= 0:
        return PowerOn(None, "not seen")
    curve = y @ rise / size
    # As fine as the points lie at first: the kink is seen within the first half of a warm-up that is worth fitting.
    candidates = t[FEWEST_BEFORE - 1 : len(t) - FEWEST_AFTER]
    squares = np.array([_squares(t, curve, each) for each in candidates])
    best = int(np.argmin(squares))
    before = curve[t <= candidates[best]]
    noise = float(np.std(np.diff(curve)) / np.sqrt(2)) + 1e-6
    level = np.ptp(before) < max(STANDS_OUT * noise, 0.15 * float(np.ptp(curve)))
    risen = float(np.ptp(curve)) > STANDS_OUT * noise
    if not risen or not level or _squares(t, curve, float(t[0])) < BETTER * squares[best]:
        return PowerOn(None, "not seen")
    at = float(candidates[best])
    fine = np.linspace(at - (t[1] - t[0]), at + (t[1] - t[0]), 41)
    return PowerOn(float(fine[int(np.argmin([_squares(t, curve, each) for each in fine]))]), "found")


def _squares(t: FloatArray, curve: FloatArray, at_s: float) -> float:
    since = np.maximum(t - at_s, 0.0)
    design = np.column_stack([np.ones(len(t)), *(1.0 - np.exp(-since / tau) for tau in _TAUS_S)])
    left = curve - design @ np.linalg.lstsq(design, curve, rcond=1e-9)[0]
    return float(left @ left)
