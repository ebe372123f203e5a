"""One temperature a part from several views of the board, with what is common to the views kept common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.regions import reasons
from thermscan.regions.measurement import BudgetLine, PartMeasurement
from thermscan.scales import read_only
from thermscan.views.drift import DRIFT_K, LEAST_VIEW_K, drift_and_ratio, is_private, read_views

FloatArray = NDArray[np.float64]

# Of a board's parts, none that is sound is to be called mirrored or covered in one board of a hundred.
DISAGREE_CHANCE = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """
    What several views say together.

    Attributes
    ----------
    measurements : tuple of PartMeasurement
        One a part, in the layout's order; ``seen_in`` names the views that its temperature rests on.
    drift_k : ndarray of shape (views,)
        The camera's offset in each view, against the middle of them; 0 where only one view was used.
    birge_ratio : float
        How much more the views differ than their budgets say; budgets are widened by it where it is above 1.
    left_out : tuple of (str, int)
        Ref and view of each reading that the part's other views contradict.
    disagreeing : tuple of str
        Refs of the parts whose views contradict each other without telling which is right.
    """

    measurements: tuple[PartMeasurement, ...]
    drift_k: FloatArray
    birge_ratio: float = 1.0
    left_out: tuple[tuple[str, int], ...] = field(default=())
    disagreeing: tuple[str, ...] = field(default=())

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "drift_k", read_only(self.drift_k))


def combine_views(views: Sequence[Sequence[PartMeasurement]], *, spoiled: NDArray[np.bool_] | None = None) -> Combined:
    """
    One measurement a part, from those of several views.

    Parameters
    ----------
    views : sequence of sequence of PartMeasurement
        One or more views, each with all parts in the layout's order.
    spoiled : ndarray of bool, shape (views, parts), optional
        Readings of bodies that mirror something in a view: used only where no other view reads the part.

    Returns
    -------
    Combined
        The same for the views in any order, but for the views' numbers.

    Notes
    -----
    A reading is the part's temperature, the view's offset and an error of the view's own (noise, place, blending). The
    offsets have a prior and are fitted to all parts together, robustly. A part is the mean of its views, weighted by
    the inverse variance of what is the view's own; lines that are the same from all sides stay as they are. Where
    views scatter more than stated, all their own lines are widened by the Birge ratio. A part whose views contradict
    each other beyond that is not averaged: with three views or more the one that the others contradict is left out,
    else the part is not measured; nor is it where two views are above a third, for a reflection only adds.

    References
    ----------
    .. [1] R. T. Birge, The calculation of errors by the method of least squares, Physical Review 40 (1932) 207-227.
    .. [2] JCGM 100:2008, 5.2: what two readings share does not average out.
    """
    if len(views) == 1:
        seen = tuple(replace(m, seen_in=(0,) if m.measurable else ()) for m in views[0])
        return Combined(seen, np.zeros(1))
    readings, private_k, sensor_k = read_views(views)
    if spoiled is not None:
        elsewhere = (np.isfinite(readings) & ~spoiled).any(axis=0)
        readings = np.where(spoiled & elsewhere, np.nan, readings)
    used = np.isfinite(readings)
    own_k = np.hypot(private_k, sensor_k)
    drift, ratio = drift_and_ratio(readings, own_k)
    spread = np.hypot(own_k * ratio, LEAST_VIEW_K)
    left_out, disagreeing = _contradictions(readings - drift, spread, used)
    for part, view in left_out:
        used[view, part] = False
    doubt_k = _drift_doubt_k(np.where(used, spread, np.inf), used)
    measurements = []
    for part, several in enumerate(zip(*views, strict=True)):
        which = np.flatnonzero(used[:, part])
        if part in disagreeing:
            measurements.append(_unmeasured(several, reasons.VIEWS_DISAGREE))
        elif not which.size:
            measurements.append(_unmeasured(several, None))
        else:
            # The sensor's lines stay as they are: parts of one view share them.
            left_k = np.sqrt(spread[:, part] ** 2 - sensor_k[:, part] ** 2)
            measurements.append(
                _mean_of(several, which, drift=drift, own_k=spread[:, part], left_k=left_k, doubt_k=doubt_k)
            )
    refs = [m.part.ref for m in views[0]]
    return Combined(
        tuple(measurements),
        drift[:, 0],
        ratio,
        tuple((refs[part], view) for part, view in left_out),
        tuple(refs[part] for part in sorted(disagreeing)),
    )


@dataclass(frozen=True, slots=True)
class Consistency:
    """
    The weighted mean of some readings, and how well they agree.

    Attributes
    ----------
    mean : float
    u : float
        From the readings' own uncertainties.
    chi_square : float
        On one degree of freedom less than there are readings.
    chance : float
        That readings scatter as much as these or more.
    """

    mean: float
    u: float
    chi_square: float
    chance: float


def consistency(values: FloatArray, u: FloatArray) -> Consistency:
    """
    Whether readings of one quantity agree within their uncertainties.

    Parameters
    ----------
    values, u : ndarray of shape (n,)
        Readings and their standard uncertainties, independent of each other; one or more.

    Examples
    --------
    >>> told = consistency(np.array([1.0, 3.0]), np.array([1.0, 1.0]))
    >>> told.mean, round(told.u, 3), told.chi_square, round(told.chance, 3)
    (2.0, 0.707, 2.0, 0.157)
    """
    weights = 1 / u**2
    mean = float(weights @ values / weights.sum())
    chi_square = float((((values - mean) / u) ** 2).sum())
    chance = float(chdtrc(len(values) - 1, chi_square)) if len(values) > 1 else 1.0
    return Consistency(mean, float(1 / np.sqrt(weights.sum())), chi_square, chance)


def _contradictions(
    values: FloatArray, spread: FloatArray, used: NDArray[np.bool_]
) -> tuple[list[tuple[int, int]], set[int]]:
    """Readings that a part's other views contradict, as (part, view); and parts of which no view can be believed."""
    left_out, disagreeing = [], set()
    chance = DISAGREE_CHANCE / max(used.any(axis=0).sum(), 1)
    for part in np.flatnonzero(used.sum(axis=0) > 1):
        which = list(np.flatnonzero(used[:, part]))
        while len(which) > 1 and _chance(values[which, part], spread[which, part]) < chance:
            # Neither of two can be believed more than the other.
            if len(which) == 2:
                disagreeing.add(int(part))
                break
            without = [[v for v in which if v != view] for view in which]
            rest = max(without, key=lambda rest: _chance(values[rest, part], spread[rest, part]))
            (other,) = set(which) - set(rest)
            # A mirrored lamp only adds, and may do so in two views; a cover may take away in one: it is not told which.
            if len(rest) == 2 and values[other, part] < values[rest, part].min():
                disagreeing.add(int(part))
                break
            which = rest
        if part not in disagreeing:
            left_out += [(int(part), int(view)) for view in np.flatnonzero(used[:, part]) if view not in which]
    return left_out, disagreeing


def _chance(values: FloatArray, spread: FloatArray) -> float:
    return consistency(values, spread).chance


def _drift_doubt_k(spread: FloatArray, used: NDArray[np.bool_]) -> FloatArray:
    """Standard uncertainty of each view's offset; shape (views,)."""
    shared = used & (used.sum(axis=0) > 1)
    weights = np.where(shared, 1 / spread**2, 0.0).sum(axis=1)
    result: FloatArray = 1 / np.sqrt(weights + 1 / DRIFT_K**2)
    return result


def _mean_of(
    several: Sequence[PartMeasurement],
    which: NDArray[np.intp],
    *,
    drift: FloatArray,
    own_k: FloatArray,
    left_k: FloatArray,
    doubt_k: FloatArray,
) -> PartMeasurement:
    """The part's temperature from the views ``which``."""
    weights = 1 / own_k[which] ** 2
    weights /= weights.sum()
    best = several[which[int(np.argmax(weights))]]
    seen = [several[view] for view in which]
    offsets = drift[which, 0]

    def mean(values: Sequence[float | None]) -> float:
        return float(weights @ (np.array(values, dtype=np.float64) - offsets))

    mean_c = mean([m.mean_c for m in seen])
    lines = _mean_lines(seen, weights)
    lines += [
        BudgetLine("differences between the views", float(np.sqrt((weights**2 * left_k[which] ** 2).sum()))),
        BudgetLine("the camera's offset in each view", float(np.sqrt((weights**2 * doubt_k[which] ** 2).sum()))),
    ]
    combined: PartMeasurement = replace(
        best,
        pixels=sum(m.pixels for m in seen),
        mean_c=mean_c,
        max_c=max(mean([m.max_c for m in seen]), mean_c),
        rise_k=mean([m.rise_k for m in seen]),
        u_c=float(np.sqrt(sum(line.u_k**2 for line in lines))),
        apparent_mean_c=mean([m.apparent_mean_c for m in seen]),
        budget=tuple(lines),
        seen_in=tuple(int(view) for view in which),
    )
    return combined


def _mean_lines(seen: Sequence[PartMeasurement], weights: FloatArray) -> list[BudgetLine]:
    """What is the same from all sides: each line of the mean is the mean of the views' lines."""
    total: dict[tuple[str, str | None], float] = {}
    for measured, weight in zip(seen, weights, strict=True):
        for line in measured.budget:
            if not is_private(line):
                key = (line.source, line.shared)
                total[key] = total.get(key, 0.0) + float(weight) * line.u_k
    return [BudgetLine(source, u_k, shared, lasting=shared is None) for (source, shared), u_k in total.items()]


def _unmeasured(several: Sequence[PartMeasurement], reason: reasons.Reason | None) -> PartMeasurement:
    """A part that no view measured: the reason of the view that came nearest to it."""
    nearest = max(several, key=lambda m: m.pixels)
    left: PartMeasurement = replace(
        nearest,
        mean_c=None,
        max_c=None,
        rise_k=None,
        u_c=None,
        budget=(),
        reason=reason or nearest.reason,
        seen_in=(),
    )
    return left
