"""What each part draws by its heat, in watts, and what all parts have in common against their data sheets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.heat.heat_split import HeatSplit, PartHeat
from thermscan.heat.least_squares import CONSTANT_SPREAD_K, LOSS_SPREAD, USUAL_LOSS_W_PER_M2K
from thermscan.judge.allowed import MOST_SPREAD, AllowedWatts, allowed_watts
from thermscan.judge.spread import shrunk_scales
from thermscan.judge.thresholds import EXPECTATION_DEGREES
from thermscan.layout.board import Part
from thermscan.regions.measurement import PartMeasurement
from thermscan.runs.run import Supply

# Beyond so many standard deviations of what else is known of the loss, the supply's watts are not the board's alone.
LARGEST_MISFIT = 2.0
# Where the supply is not known: so many parts whose typical watts are known help to tell the loss.
FEWEST_SHEETS = 4
# A part draws its typical watts within this factor (as a logarithm): what one part says of the loss.
TYPICAL_LOG_SD = 0.35
MM2_PER_M2 = 1e6
# Of a band's ends, in standard deviations of the logarithm of what good parts draw. The most is guaranteed: hardly one
# in a thousand passes it. The lower end is where a duty that differs ends: one in forty lies below.
MOST_DEVIATIONS, LOW_DEVIATIONS = 3.0, 2.0
# All of a board's parts together say how far the bands of its data sheets are off: by this factor at most.
BAND_FACTORS = (0.3, 2.0)
# Load and program shift all watts together from what data sheets call typical (one standard deviation, as a logarithm).
DUTY_SPREAD = 0.2
# Parts far off say little of what all have in common: weights of Student's t with so many degrees of freedom.
SHIFT_DEGREES = 3.0
# Of parts that give surely heat: by so many standard uncertainties.
TELLING_DEVIATIONS = 2.0


@dataclass(frozen=True, slots=True)
class WattsSeen:
    """
    What a part draws by its heat, and what it may draw.

    ``u_own_w`` is ``u_w`` without what all parts share.
    """

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
        power, u_own = scale_w * heat.heat_kmm2, scale_w * heat.u_share_kmm2
        # Errors that all parts have in common leave the shares of the supply's watts as they are.
        of_heat = u_own if heat.power_w else scale_w * heat.u_heat_kmm2
        seen[ref] = WattsSeen(power, float(np.hypot(of_heat, u_log * power)), u_own, allowed[ref])
    return seen


@dataclass(frozen=True, slots=True)
class BoardShare:
    """What all parts of a board have in common, as the logarithm of watts over typical, and how far bands are off."""

    shift: float
    u_shift: float
    factor: float


def common_share(seen: Mapping[str, WattsSeen], groups: Mapping[str, str | None], *, scaled: bool) -> BoardShare:
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
        sheet, doubt = groups[ref] or (band.typical_w, band.most_w), each.u_own_w / each.power_w
        votes.setdefault(sheet, []).append((float(np.log(each.power_w / band.typical_w)), doubt, *log_spread(band)))
    if len(votes) < FEWEST_SHEETS:
        return BoardShare(0.0, prior_sd, 1.0)
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
    told = shrunk_scales(ratio - shift, sd, noise=noise, degrees=EXPECTATION_DEGREES, bounds=BAND_FACTORS)
    return BoardShare(shift, precision**-0.5, told.nature)


def log_spread(band: AllowedWatts) -> tuple[float, float]:
    """Standard deviations of the logarithm of what good parts draw, below and above typical."""
    up = float(np.hypot(np.log(band.most_w / band.typical_w) / MOST_DEVIATIONS, MOST_SPREAD))
    return float(np.log(band.typical_w / band.low_w)) / LOW_DEVIATIONS, up


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
    if len(told) >= FEWEST_SHEETS:
        shift, u_log = _robust_mean(np.array(told), np.array(doubt), prior_sd=LOSS_SPREAD)
    if split.loss_w_per_m2k is None:
        return usual * float(np.exp(shift)), u_log
    from_usual = float(np.log(split.loss_w_per_m2k / USUAL_LOSS_W_PER_M2K))
    apart = from_usual - shift
    # Watts that are not the board's push both away from what is usual: its loss, and what all of it shares.
    pushed = float(np.hypot(from_usual / LOSS_SPREAD, split.constant_k / CONSTANT_SPREAD_K))
    if pushed <= LARGEST_MISFIT or abs(apart) <= LARGEST_MISFIT * u_log:
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
