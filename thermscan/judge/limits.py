"""Surfaces, and junctions as far as they can be estimated, against the limits that the layout states."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from thermscan.heat.split import HeatSplit
from thermscan.judge.finding import Finding
from thermscan.judge.junction import Junction, estimate_junction
from thermscan.judge.thresholds import LIMIT_COVERAGE
from thermscan.judge.uncertain_places import hidden_by, may_be_hidden
from thermscan.layout.board import Part
from thermscan.layout.powers import family_by_kind, power_family
from thermscan.regions.leaning import Leaning
from thermscan.regions.measurement import PartMeasurement

# Where the layout states no limit. Chips of the commercial range are meant for air of 70 °C and stand some 15 K above
# it; power parts are let run at 100 °C; moulded ones end at a junction of 125 to 150 °C (common practice, from memory).
USUAL_SURFACE_C = 85.0
USUAL_POWER_C = 100.0
USUAL_JUNCTION_C = 125.0
POWER_WORDS = ("REGULATOR", "TRANSISTOR", "RESISTOR", "RECTIFIER", "TO-220", "TO220", "TO-3", "TO-247", "HEAT SINK")


def check_limits(measurements: Sequence[PartMeasurement], leaning: Leaning | None = None) -> tuple[Finding, ...]:
    """
    A finding for each part above its ``max_c``, or so near that it cannot be told.

    The hottest 3 x 3 neighbourhood is compared, not the mean: a limit holds for every place of the
    surface. Its uncertainty is that of the absolute temperature, camera accuracy included.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    leaning : Leaning, optional
        What taller bodies may hide: what is read there may be theirs.

    Returns
    -------
    tuple of Finding
        In the order of the measurements.
    """
    by_ref = {m.part.ref: m for m in measurements}
    findings = []
    for m in measurements:
        if m.part.max_c is None or not m.measurable or m.max_c is None or m.u_c is None:
            continue
        excess, reach = m.max_c - m.part.max_c, LIMIT_COVERAGE * m.u_c
        if excess < -reach:
            continue
        reading = f"{m.part.ref} reads {m.max_c:.1f} °C (± {reach:.1f} K at 95 %)"
        limit = f"its limit of {m.part.max_c:g} °C"
        if excess > reach:
            text = f"{reading}, {excess:.1f} K above {limit}."
        else:
            side = "above" if excess > 0 else "below"
            text = f"{reading}, {abs(excess):.1f} K {side} {limit}: whether it is exceeded cannot be told."
        hiding = None
        if leaning is not None and excess > reach:
            hiding = hidden_by(m, by_ref, leaning, usual_c=m.part.max_c, excess_k=excess)
        if hiding:
            text += f" Only to be watched, since {may_be_hidden(hiding)}."
        finding = _over_limit(m.part.ref, "limit", excess_k=excess, u_k=m.u_c, text=text)
        findings.append(replace(finding, level="watch") if hiding else finding)
    return tuple(findings)


def check_usual(measurements: Sequence[PartMeasurement], split: HeatSplit | None = None) -> tuple[Finding, ...]:
    """
    A finding for each part without a stated limit whose surface is hotter than such parts are usually let to be.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    split : HeatSplit, optional
        Tells whether it is the part's own heat: a part that is only warmed is watched.

    Returns
    -------
    tuple of Finding
        To be watched; to be acted on where no plastic part of any make would be in its bounds. That a part is cooler
        than this says nothing for it: it does not count as compared.
    """
    findings = []
    for m in measurements:
        if m.part.max_c is not None or not m.measurable or m.max_c is None or m.u_c is None:
            continue
        usual_c = USUAL_POWER_C if _is_power_part(m.part) else USUAL_SURFACE_C
        reach = LIMIT_COVERAGE * m.u_c
        if m.max_c - usual_c <= reach:
            continue
        beyond = m.max_c - reach > USUAL_JUNCTION_C
        said = (
            f"above the {USUAL_JUNCTION_C:.0f} °C at which most plastic parts end"
            if beyond
            else f"hotter than such parts are usually let to be ({usual_c:.0f} °C)"
        )
        text = f"{m.part.ref} reads {m.max_c:.0f} °C (± {reach:.0f} K at 95 %), {said}; its own limit is not stated."
        excess_k = m.max_c - (USUAL_JUNCTION_C if beyond else usual_c)
        finding = _over_limit(m.part.ref, "limit", excess_k=excess_k, u_k=m.u_c, text=text)
        heat = split.of(m.part.ref) if split is not None else None
        warmed = heat is not None and heat.own_k is not None and heat.own_k < heat.received_k
        findings.append(finding if beyond and not warmed else replace(finding, level="watch"))
    return tuple(findings)


def _is_power_part(part: Part) -> bool:
    family = family_by_kind(part.ref, part.kind, part.value) if part.family is None else power_family(part.family)
    words = f"{part.kind or ''} {part.package or ''}".upper()
    return (family is not None and family.by_rails) or any(word in words for word in POWER_WORDS)


def junction_of(measurement: PartMeasurement, split: HeatSplit | None) -> Junction | None:
    """
    A part's junction by its top and its watts; None where the layout has no psi_JT or the watts are not known.

    The hottest place of the top stands for its centre.
    """
    psi = measurement.part.psi_jt_k_per_w
    heat = split.of(measurement.part.ref) if split is not None else None
    if psi is None or heat is None or heat.power_w is None or heat.u_power_w is None:
        return None
    if measurement.max_c is None or measurement.u_c is None:
        return None
    return estimate_junction(
        measurement.max_c, heat.power_w, psi_jt_k_per_w=psi, u_top_k=measurement.u_c, u_w=heat.u_power_w
    )


def check_junctions(measurements: Sequence[PartMeasurement], split: HeatSplit | None) -> tuple[Finding, ...]:
    """
    A finding for each part whose estimated junction is above its ``max_junction_c``, or so near that it cannot be told.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    split : HeatSplit or None
        With the parts' watts, which need the supply's.

    Returns
    -------
    tuple of Finding
        In the order of the measurements.
    """
    findings = []
    for m in measurements:
        limit_c, junction = m.part.max_junction_c, junction_of(m, split)
        if limit_c is None or junction is None:
            continue
        excess, reach = junction.temp_c - limit_c, LIMIT_COVERAGE * junction.u_k
        if excess < -reach:
            continue
        end = "." if excess > reach else ": whether it is exceeded cannot be told."
        text = (
            f"{m.part.ref}'s junction is at about {junction.temp_c:.0f} °C (± {reach:.0f} K at 95 %), an estimate from "
            f"its top and its watts by psi_JT, {abs(excess):.0f} K {'above' if excess > 0 else 'below'} "
            f"its limit of {limit_c:g} °C{end}"
        )
        findings.append(_over_limit(m.part.ref, "junction", excess_k=excess, u_k=junction.u_k, text=text))
    return tuple(findings)


def _over_limit(ref: str, rule: str, *, excess_k: float, u_k: float, text: str) -> Finding:
    """To act on where the limit is exceeded by more than is uncertain, else to be watched."""
    return Finding(
        ref=ref,
        rule=rule,
        level="act" if excess_k > LIMIT_COVERAGE * u_k else "watch",
        direction="hot",
        excess_k=excess_k,
        u_k=u_k,
        score=excess_k / u_k if u_k > 0 else None,
        text=text,
        hypotheses=("it may draw too much, or its heatsink may be loose or missing",),
    )
