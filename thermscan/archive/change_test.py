"""Did a part change between two visits, by more than looks at the same board differ, over all parts looked at?"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from thermscan.frozen import dataclass
from thermscan.judge import multiplicity, thresholds

Array = NDArray[np.float64]
Level = Literal["watch", "act"]


@dataclass(frozen=True, slots=True)
class Change:
    """
    A column of a table of visits that changes between two of its rows.

    Attributes
    ----------
    part : int
        Column.
    before, after : int
        Rows: the last visit before the change and the first one after it.
    was_k, change_k, u_k : float
        Mean before; mean after less mean before, positive when hotter; its standard uncertainty.
    chance : float
        False discovery rate at which it would just be called, over all parts of the table.
    """

    part: int
    before: int
    after: int
    was_k: float
    change_k: float
    u_k: float
    level: Level
    chance: float


def find_changes(rise_k: Array, u_k: Array) -> tuple[Change, ...]:
    """
    Parts that changed between two visits of a series.

    For every split of a part's visits the weighted means on both sides are compared; the largest standardized
    difference is taken, and its chance multiplied by the number of splits (Bonferroni's bound for the likelihood-ratio
    test of one change in mean). Where all parts together scatter by more than their uncertainties say, all of these are
    raised alike. The false discovery rate is held over all parts of the series.

    Parameters
    ----------
    rise_k, u_k : ndarray of shape (visits, parts)
        Visits in time order; NaN where a part was not measured.

    References
    ----------
    .. [1] D. M. Hawkins, Testing a sequence of observations for a shift in location, J. Am. Statist. Ass. 72 (1977)
       180-186.
    .. [2] R. T. Birge, The calculation of errors by the method of least squares, Phys. Rev. 40 (1932) 207-227: the
       ratio by which uncertainties are raised.
    .. [3] Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300.

    Examples
    --------
    >>> rises = np.full((3, 5), 10.0)
    >>> rises[2, 1] = 16.0
    >>> [(each.part, each.after, each.change_k, each.level) for each in find_changes(rises, np.full((3, 5), 0.5))]
    [(1, 2, 6.0, 'act')]
    """
    there = np.isfinite(rise_k) & np.isfinite(u_k)
    splits = np.count_nonzero(there, axis=0) - 1
    if len(rise_k) < 2 or not (splits > 0).any():
        return ()
    raised = _birge_ratio(rise_k, u_k)
    weight = np.where(there, 1.0 / (raised * np.where(there, u_k, 1.0)) ** 2, 0.0)
    sums, totals = np.cumsum(weight * np.where(there, rise_k, 0.0), axis=0), np.cumsum(weight, axis=0)
    before, after = totals[:-1], totals[-1] - totals[:-1]
    both = (before > 0) & (after > 1e-12 * totals[-1])
    safe_before, safe_after = np.where(both, before, 1.0), np.where(both, after, 1.0)
    was = sums[:-1] / safe_before
    change = (sums[-1] - sums[:-1]) / safe_after - was
    u = np.sqrt(1.0 / safe_before + 1.0 / safe_after)
    place = np.argmax(np.where(both, np.abs(change) / u, -1.0), axis=0)
    parts = np.flatnonzero(splits > 0)
    rows = place[parts]
    p_values = np.minimum(1.0, 2.0 * ndtr(-np.abs(change[rows, parts]) / u[rows, parts]) * splits[parts])
    found = []
    for part, row, p_value, chance in zip(parts, rows, p_values, multiplicity.adjusted_p_values(p_values), strict=True):
        was_k, change_k = float(was[row, part]), float(change[row, part])
        level = _level(was_k, change_k, p_value=float(p_value), chance=float(chance))
        if level is not None:
            seen = np.flatnonzero(there[:, part])
            ends = int(seen[seen <= row][-1]), int(seen[seen > row][0])
            found.append(Change(int(part), *ends, was_k, change_k, float(u[row, part]), level, float(chance)))
    return tuple(found)


def _birge_ratio(rise_k: Array, u_k: Array) -> float:
    """How much more than stated the typical part scatters; blind to the few that changed, and never below 1."""
    # Of the difference to the next visit, so that a change leaves only one large residual.
    residual = np.diff(rise_k, axis=0) / np.hypot(u_k[1:], u_k[:-1])
    residual = residual[np.isfinite(residual)]
    if residual.size < thresholds.EXPECTATION_DEGREES:
        return 1.0
    # 0.6745: the median of the absolute value of a standard normal variable.
    return max(1.0, float(np.median(np.abs(residual))) / 0.6745)


def _level(was_k: float, change_k: float, *, p_value: float, chance: float) -> Level | None:
    size, share = abs(change_k), abs(change_k) / max(abs(was_k), 1e-9)
    if (
        chance <= multiplicity.ACT_FALSE_RATE
        and p_value <= multiplicity.ACT_CHANCE
        and size >= thresholds.ACT_LEAST_K
        and share >= thresholds.ACT_LEAST_SHARE
    ):
        return "act"
    if (
        chance <= multiplicity.WATCH_FALSE_RATE
        and p_value <= multiplicity.WATCH_CHANCE
        and size >= thresholds.WATCH_LEAST_K
        and share >= thresholds.WATCH_LEAST_SHARE
    ):
        return "watch"
    return None
