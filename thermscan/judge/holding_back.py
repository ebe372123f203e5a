"""Why a part's difference from its peers can carry no more than a watch."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermscan.heat.split import HeatSplit, PartHeat
from thermscan.judge import thresholds
from thermscan.judge.allowed import gives_no_heat
from thermscan.judge.holds import DIVIDED, NO_SPLIT, NOT_ITS_OWN, PROPOSED, Hold
from thermscan.layout.board import Part
from thermscan.regions.measurement import PartMeasurement

# Without a split of the heat, a hotter part this near may have warmed the one that is judged.
WARMING_REACH_MM = 25.0
# A part is warmer by its own heat only as far as it has any: this share of the difference at least.
LEAST_OWN_SHARE = 0.5
# Own heat of a part that should give none: this share of its rise, and so many standard uncertainties, make it sure.
SURE_OWN_SHARE = 0.5
SURE_OWN_DEVIATIONS = 3.0


def held_back(
    member: PartMeasurement,
    everyone: Sequence[PartMeasurement],
    *,
    excess_k: float,
    divided: bool,
    proposed: bool,
    split: HeatSplit | None,
) -> Hold | None:
    """
    Why this difference is at most to be watched, or None.

    Parameters
    ----------
    member : PartMeasurement
    everyone : sequence of PartMeasurement
        All parts of the board.
    excess_k : float
        Of the part's own heat over its peers'.
    divided, proposed : bool
        Of its group.
    split : HeatSplit or None

    Notes
    -----
    A capacitor gives no heat by its nature. One that surely does is wrong whatever its like do, so that neither a
    group that nobody declared nor one in two camps holds it back.
    """
    heat = split.of(member.part.ref) if split is not None else None
    if heat is not None and heat.own_k is not None and excess_k > 0 and heat.own_k < LEAST_OWN_SHARE * excess_k:
        return NOT_ITS_OWN
    if (divided or proposed) and not (heat is not None and excess_k > 0 and heats_by_mistake(member.part, heat)):
        return DIVIDED if divided else PROPOSED
    return NO_SPLIT if split is None and _may_be_warmed(member, everyone) else None


def heats_by_mistake(part: Part, heat: PartHeat) -> bool:
    """
    Whether a part that should give no heat surely gives much.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> cap = Part("C4", 5.5, 3.0, 5, 5, 0, Surface("painted", 0.93, 0.02))
    >>> def rising(own_k, received_k):
    ...     return PartHeat("C4", own_k + received_k, own_k, 1.0, received_k, 0.9, 2.0, 1e-3, (), 9.0, 1.0, 1.0)
    >>> [heats_by_mistake(cap, rising(*kelvin)) for kelvin in ((14.0, 8.0), (6.0, 16.0), (3.0, 1.0))]
    [True, False, False]
    """
    if not gives_no_heat(part) or heat.own_k is None or heat.u_own_k is None or heat.rise_k is None:
        return False
    least_k = max(thresholds.NO_HEAT_ACT_K, SURE_OWN_SHARE * heat.rise_k, SURE_OWN_DEVIATIONS * heat.u_own_k)
    return heat.own_k >= least_k


def _may_be_warmed(member: PartMeasurement, everyone: Sequence[PartMeasurement]) -> bool:
    """Whether a hotter part is near; metal parts count by what they show at least."""
    here = member.part
    own = member.apparent_mean_c if member.apparent_mean_c is not None else member.mean_c
    for other in everyone:
        seen = other.mean_c if other.mean_c is not None else other.apparent_mean_c
        gap = float(np.hypot(here.x_mm - other.part.x_mm, here.y_mm - other.part.y_mm))
        if other.part.ref != here.ref and seen is not None and own is not None and seen > own:
            reach = WARMING_REACH_MM + 0.5 * max(other.part.length_mm, other.part.width_mm)
            if gap < reach:
                return True
    return False
