"""Each part's watts against what it may draw: all that can be said of a board that comes alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.heat_split import HeatSplit, PartHeat
from thermscan.heat.least_squares import LOSS_SPREAD, USUAL_LOSS_W_PER_M2K
from thermscan.judge.allowed import MOST_SPREAD, STATED_SPREAD, AllowedWatts, allowed_watts
from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Finding
from thermscan.judge.holding_back import heats_by_mistake
from thermscan.judge.holds import Hold, HoldCode
from thermscan.judge.posterior import SPLIT_SHARE
from thermscan.judge.spread import shrunk_scale
from thermscan.judge.thresholds import EXPECTATION_DEGREES
from thermscan.judge.weighing import Weighed
from thermscan.judge.wording import COVERAGE, hypotheses, why_watched
from thermscan.layout.board import Part
from thermscan.regions.measurement import PartMeasurement
from thermscan.runs.run import Supply

RULE = "expected"
# Of a band's ends, in standard deviations of the logarithm of what good parts draw. The most is guaranteed: hardly one
# in a thousand passes it. The lower end is where a duty that differs ends: one in forty lies below.
MOST_DEVIATIONS, LOW_DEVIATIONS = 3.0, 2.0
# Degrees of freedom of such a band: as of one known to an eighth of itself (GUM, G.4.2).
BAND_DEGREES = 30.0
# All of a board's parts together say how far the bands of its data sheets are off: by this factor at most.
BAND_FACTORS = (0.3, 2.0)
# Load and program shift all watts together from what data sheets call typical (one standard deviation, as a logarithm).
DUTY_SPREAD = 0.2
# Parts far off say little of what all have in common: weights of Student's t with so many degrees of freedom.
SHIFT_DEGREES = 3.0
# The split makes so much of nothing, beside hot neighbours.
LEAST_SPREAD_W = 0.01
# Beyond so many standard deviations of what else is known of the loss, the supply's watts are not the board's alone.
LARGEST_MISFIT = 2.0
# Where the supply is not known: so many parts whose typical watts are known help to tell the loss.
FEWEST_FOR_SCALE = 4
# Of parts that give surely heat: by so many standard uncertainties.
TELLING_DEVIATIONS = 2.0
# A part draws its typical watts within this factor (as a logarithm): what one part says of the loss.
TYPICAL_LOG_SD = 0.35
MM2_PER_M2 = 1e6


@dataclass(frozen=True, slots=True)
class WattsSeen:
    """What a part draws by its heat, and what it may draw; ``u_own_w`` is ``u_w`` without what all parts share."""

    power_w: float
    u_w: float
    u_own_w: float
    allowed: AllowedWatts | None = None


def watts_seen(
    measurements: Sequence[PartMeasurement], split: HeatSplit | None, *, supply: Sequence[Supply]
) -> dict[str, WattsSeen]:
    """
    Watts of every measured part, by the supply where it is known, else by the loss that boards usually have.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    split : HeatSplit or None
        None: nothing is known of the parts' heat.
    supply : sequence of Supply

    Returns
    -------
    dict of ref to WattsSeen
    """
    if split is None:
        return {}
    parts = [m.part for m in measurements]
    regulators = sum(_is_regulator(part, supply) for part in parts)
    allowed = {part.ref: allowed_watts(part, supply=supply, regulators=regulators) for part in parts}
    heats = {m.part.ref: heat for m in measurements if m.measurable and (heat := split.of(m.part.ref)) is not None}
    scale_w, u_log = _watts_per_heat(split, heats, allowed)
    seen = {}
    for ref, heat in heats.items():
        power = scale_w * heat.heat_kmm2
        if heat.power_w and heat.u_power_w is not None:
            # Errors that all parts have in common leave the shares of the supply's watts as they are.
            relative = heat.u_power_w / heat.power_w
        else:
            relative = heat.u_heat_kmm2 / max(heat.heat_kmm2, 1e-9)
        u_own = relative * power if heat.heat_kmm2 > 0 else scale_w * heat.u_heat_kmm2
        seen[ref] = WattsSeen(power, float(np.hypot(u_own, u_log * power)), u_own, allowed[ref])
    return seen


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
    board = _common_shift(seen, groups, scaled=split.loss_w_per_m2k is not None)
    found = []
    for m in measurements:
        told = seen.get(m.part.ref)
        heat = split.of(m.part.ref)
        if told is None or told.allowed is None or heat is None or told.power_w + told.u_own_w <= 0:
            continue
        k_per_w, band = _kelvin_per_watt(response[m.part.ref], heat, told), told.allowed
        usual_w = band.typical_w * float(np.exp(board.shift))
        excess_k = k_per_w * (told.power_w - usual_w)
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
        hypotheses=hypotheses(part, hot=hot, dead=c.looks_dead),
    )


@dataclass(frozen=True, slots=True)
class _Common:
    """What all parts of a board have in common, as the logarithm of watts over typical, and how far bands are off."""

    shift: float
    u_shift: float
    factor: float


def _common_shift(seen: Mapping[str, WattsSeen], groups: Mapping[str, str | None], *, scaled: bool) -> _Common:
    """
    What all parts' watts share against their data sheets, blind to the parts that differ.

    Parts of one group, or with the same figures, are of one data sheet and one duty: they have one vote together.
    ``scaled``: the watts rest on the supply's, so that the search starts where the data sheets are right.
    """
    prior_sd = DUTY_SPREAD if scaled else float(np.hypot(DUTY_SPREAD, LOSS_SPREAD))
    votes: dict[object, list[tuple[float, float, float, float]]] = {}
    for ref, each in seen.items():
        band = each.allowed
        if band is None or band.low_w <= 0 or each.power_w <= TELLING_DEVIATIONS * each.u_own_w:
            continue
        doubt = float(np.hypot(each.u_own_w / each.power_w, SPLIT_SHARE))
        sheet = groups[ref] or (band.typical_w, band.most_w)
        votes.setdefault(sheet, []).append((float(np.log(each.power_w / band.typical_w)), doubt, *_log_spread(band)))
    if len(votes) < FEWEST_FOR_SCALE:
        return _Common(0.0, prior_sd, 1.0)
    ratio, noise, *sides = np.array([np.mean(vote, axis=0) for vote in votes.values()]).T
    bands = np.column_stack(sides)
    shift = 0.0 if scaled else float(np.median(ratio))
    for _ in range(20):
        sd = np.where(ratio > shift, bands[:, 1], bands[:, 0])
        variance = sd**2 + noise**2
        off = (ratio - shift) ** 2 / variance
        weight = (SHIFT_DEGREES + 1.0) / (SHIFT_DEGREES + off) / variance
        precision = float(weight.sum()) + 1.0 / prior_sd**2
        shift = float(weight @ ratio) / precision
    factor, _ = shrunk_scale(ratio - shift, sd, noise=noise, degrees=EXPECTATION_DEGREES, bounds=BAND_FACTORS)
    return _Common(shift, precision**-0.5, factor)


def _log_spread(band: AllowedWatts) -> tuple[float, float]:
    """Standard deviations of the logarithm of what good parts draw, below and above typical."""
    up = float(np.hypot(np.log(band.most_w / band.typical_w) / MOST_DEVIATIONS, MOST_SPREAD))
    return float(np.log(band.typical_w / band.low_w)) / LOW_DEVIATIONS, up


def _spread(
    told: WattsSeen, band: AllowedWatts, usual_w: float, board: _Common
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
    down, up = (float(np.hypot(board.factor * sd, board.u_shift)) for sd in _log_spread(band))
    left_w = max(told.power_w, told.u_own_w, 1e-6)
    deviations = max(abs(float(np.log(left_w / usual_w))) / (up if left_w > usual_w else down), 1.0)
    return max(abs(told.power_w - usual_w) / deviations, LEAST_SPREAD_W), (down, up)


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


def _is_regulator(part: Part, supply: Sequence[Supply]) -> bool:
    allowed = allowed_watts(part, supply=supply)
    return allowed is not None and "rails" in allowed.source


def _watts_per_heat(
    split: HeatSplit, heats: Mapping[str, PartHeat], allowed: Mapping[str, AllowedWatts | None]
) -> tuple[float, float]:
    """
    Watts for a unit of heat (kelvin times square millimetres), and the relative uncertainty that all parts share.

    The usual loss, drawn towards what makes most parts draw their typical watts, blind to those that do not. The
    supply's watts go before, where they agree with either: else they go elsewhere too, or come in only in part.
    """
    usual = USUAL_LOSS_W_PER_M2K / MM2_PER_M2
    told, doubt = [], []
    for ref, heat in heats.items():
        band = allowed[ref]
        if band is None or band.low_w <= 0 or heat.heat_kmm2 <= 2.0 * heat.u_heat_kmm2:
            continue
        told.append(float(np.log(band.typical_w / (usual * heat.heat_kmm2))))
        doubt.append(float(np.hypot(TYPICAL_LOG_SD, 0.5 * np.log(band.most_w / band.typical_w))))
    shift, u_log = 0.0, LOSS_SPREAD
    if len(told) >= FEWEST_FOR_SCALE:
        shift, u_log = _robust_mean(np.array(told), np.array(doubt), prior_sd=LOSS_SPREAD)
    if split.loss_w_per_m2k is None:
        return usual * float(np.exp(shift)), u_log
    from_usual = float(np.log(split.loss_w_per_m2k / USUAL_LOSS_W_PER_M2K))
    apart = from_usual - shift
    if abs(from_usual) <= LARGEST_MISFIT * LOSS_SPREAD or abs(apart) <= LARGEST_MISFIT * u_log:
        return split.loss_w_per_m2k / MM2_PER_M2, 0.0
    return usual * float(np.exp(shift)), float(np.hypot(u_log, 0.5 * apart))


def _robust_mean(values: NDArray[np.float64], sd: NDArray[np.float64], *, prior_sd: float) -> tuple[float, float]:
    """Mean about a prior of 0, values beyond two standard deviations weighed down (Huber), and its uncertainty."""
    mean = float(np.median(values)) * 0.5
    for _ in range(20):
        weight = np.minimum(1.0, 2.0 / np.maximum(np.abs(values - mean) / sd, 1e-9)) / sd**2
        total = float(weight.sum()) + 1.0 / prior_sd**2
        mean = float(weight @ values) / total
    return mean, float(total**-0.5)
