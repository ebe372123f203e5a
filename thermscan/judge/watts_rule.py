"""Each part's watts against what it may draw: all that can be said of a board that comes alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from thermscan.heat.bodies import UPPER_SHARE
from thermscan.heat.heat_split import HeatSplit, PartHeat
from thermscan.heat.heights import UNUSUAL_MM
from thermscan.heat.least_squares import USUAL_LOSS_W_PER_M2K
from thermscan.judge.allowed import STATED_SPREAD, AllowedWatts
from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Finding
from thermscan.judge.holding_back import heats_by_mistake
from thermscan.judge.holds import Hold, HoldCode
from thermscan.judge.watts_seen import MM2_PER_M2, MOST_DEVIATIONS, BoardShare, WattsSeen, common_share, log_spread
from thermscan.judge.weighing import Weighed
from thermscan.judge.wording import COVERAGE, hypotheses, why_watched
from thermscan.layout.board import Part
from thermscan.regions.measurement import PartMeasurement

RULE = "expected"
# Degrees of freedom of such a band: as of one known to an eighth of itself (GUM, G.4.2).
BAND_DEGREES = 30.0
_SINK_HYPOTHESES = (
    "on a heatsink that the layout does not state? write height_mm, heatsink included, and judge again",
)
# The split makes so much of nothing, beside hot neighbours.
LEAST_SPREAD_W = 0.01


def compare_watts(
    measurements: Sequence[PartMeasurement], seen: Mapping[str, WattsSeen], split: HeatSplit | None
) -> tuple[Comparison, ...]:
    """
    Each part's own heat against what it typically draws, in kelvin of its own rise.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    seen : mapping of ref to WattsSeen
    split : HeatSplit or None

    Returns
    -------
    tuple of Comparison

    Notes
    -----
    What good parts draw spreads as wide as the data sheet is: from well below typical, since duties differ, to the
    most, in its logarithm. What all parts of the board have in common (load, program, loss) is taken out first, blind
    to parts far off; and how far they scatter says how far the bands are off. A band taken from a part's kind alone is
    no more than a guess, and carries a watch at most, unless such parts give no heat.
    """
    if split is None:
        return ()
    best = split.fit
    response = dict(zip((part.ref for part in split.parts), np.diag(best.responses.bodies), strict=True))
    groups = {m.part.ref: m.part.group for m in measurements}
    board = common_share(seen, groups, scaled=split.loss_w_per_m2k is not None)
    found = []
    for m in measurements:
        told = seen.get(m.part.ref)
        heat = split.of(m.part.ref)
        if told is None or told.allowed is None or heat is None or told.power_w + told.u_own_w <= 0:
            continue
        k_per_w, band = _kelvin_per_watt(response[m.part.ref], heat, told), told.allowed
        usual_w = band.typical_w * float(np.exp(board.shift))
        excess_k = k_per_w * (told.power_w - usual_w)
        body_k = max(float(heat.rise_k or 0.0) - split.constant_k, 0.0)
        spread_w, log_spread = _spread(told, band, usual_w, board)
        found.append(
            Comparison(
                ref=m.part.ref,
                rule=RULE,
                excess_k=excess_k,
                u_k=k_per_w * told.u_own_w,
                spread_k=k_per_w * spread_w,
                degrees=BAND_DEGREES,
                temp_excess_k=excess_k,
                expected_k=max(float(m.rise_k or 0.0) - excess_k, 0.0),
                own_expected_k=k_per_w * usual_w,
                count=1,
                against=band.source,
                at_most_watch=_guessed(band, m.part, heat),
                log_spread=log_spread,
                harmless=heat.sink if excess_k < 0 < body_k else 0.0,
                sink_k=float(response[m.part.ref]) * _sink_mm2(m.part) * body_k,
            )
        )
    return tuple(found)


def watts_finding(weighed: Weighed, part: Part, told: WattsSeen, heat: PartHeat | None) -> Finding:
    """
    The finding about a part's watts; the comparison must have a level.

    Parameters
    ----------
    weighed : Weighed
    part : Part
    told : WattsSeen
        With what is allowed.
    heat : PartHeat or None
    """
    c, band = weighed.comparison, told.allowed
    if band is None:
        raise ValueError(f"{part.ref}: nothing is known of what it may draw")
    hot = c.excess_k > 0
    reach = f"(± {COVERAGE * told.u_w:.2g} W)"
    drawn = f"{part.ref} draws about {max(told.power_w, 0.0):.2g} W {reach} by its heat"
    if band.gives_no_heat:
        text = f"{drawn}, though by {band.source} it should give none"
    elif hot:
        text = f"{drawn} where {band.source} allows {band.typical_w:.2g} W typically and {band.most_w:.2g} W at most"
    else:
        text = f"{drawn} where {band.typical_w:.2g} W is typical by {band.source}"
    text += f": {abs(c.excess_k):.1f} K {'warmer' if hot else 'cooler'} by its own heat than is typical."
    if c.looks_dead:
        text += " It gives hardly any heat of its own."
    return Finding(
        ref=part.ref,
        rule=RULE,
        level=weighed.level or "watch",
        direction="hot" if hot else "cold",
        excess_k=c.excess_k,
        u_k=c.u_k,
        score=c.score,
        text=text + why_watched(weighed),
        own_k=heat.own_k if heat is not None else None,
        received_k=heat.received_k if heat is not None else None,
        hypotheses=(_SINK_HYPOTHESES if c.harmless and not hot else ()) + hypotheses(part, hot=hot, dead=c.looks_dead),
    )


def _spread(
    told: WattsSeen, band: AllowedWatts, usual_w: float, board: BoardShare
) -> tuple[float, tuple[float, float] | None]:
    """
    Standard deviation of what good parts draw, on the side on which this one lies; and those of its logarithm.

    Watts are told by their logarithm: hardly any good part at work draws a tenth of its typical watts, though many
    draw half. A part that should give none, or may be at rest, has no logarithm.
    """
    if band.typical_w == 0:
        return max(band.most_w / MOST_DEVIATIONS, LEAST_SPREAD_W), None
    if band.low_w <= 0:
        # It may be at rest: nothing below typical is strange, and up to the most nothing above.
        above = told.power_w > usual_w
        return max((band.most_w - usual_w) / MOST_DEVIATIONS if above else usual_w, STATED_SPREAD * usual_w), None
    down, up = (float(np.hypot(board.factor * sd, board.u_shift)) for sd in log_spread(band))
    left_w = max(told.power_w, told.u_own_w, 1e-6)
    deviations = max(abs(float(np.log(left_w / usual_w))) / (up if left_w > usual_w else down), 1.0)
    return max(abs(told.power_w - usual_w) / deviations, LEAST_SPREAD_W), (down, up)


def _sink_mm2(part: Part) -> float:
    """What the sides of a sink lose besides, for each kelvin, over the board's loss: as spread as its height is."""
    return UPPER_SHARE * 2.0 * (part.length_mm + part.width_mm) * UNUSUAL_MM


def _guessed(band: AllowedWatts, part: Part, heat: PartHeat) -> Hold | None:
    if band.stated or (band.gives_no_heat and heats_by_mistake(part, heat)):
        return None
    if band.gives_no_heat:
        return Hold(HoldCode.LITTLE_HEAT, "so little heat at a part that should give none may come from its neighbours")
    return Hold(HoldCode.FAMILY_GUESSED, "its family is only taken from its kind: state its watts or family")


def _kelvin_per_watt(response: float, heat: PartHeat, told: WattsSeen) -> float:
    """The body's own rise for a watt of its own, on the scale on which its watts were told."""
    per_heat = told.power_w / heat.heat_kmm2 if heat.heat_kmm2 > 0 else 0.0
    usual = USUAL_LOSS_W_PER_M2K / MM2_PER_M2
    return float(response) / (per_heat if per_heat > 0 else usual)
