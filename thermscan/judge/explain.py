"""The whole chain for one part, from camera pixels to verdict, in lines of text."""

from __future__ import annotations

from typing import Protocol

from thermscan.errors import InputError, nearest_name
from thermscan.heat.split import HeatSplit
from thermscan.judge.comparison import Comparison
from thermscan.judge.deciding import LOSSES
from thermscan.judge.finding import Judgement
from thermscan.judge.judging import Evidence
from thermscan.judge.limits import junction_of
from thermscan.judge.unmapped import plain_name
from thermscan.judge.weighing import Suspect, Weighed
from thermscan.judge.wording import chance_text
from thermscan.regions.measurement import PartMeasurement
from thermscan.regions.sensor_lines import told_lines
from thermscan.runs.run import Run

# Below this a comparison says nothing either way, as the logarithm (base 10) of the odds; and the most that is told.
SILENT, LOUDEST = 0.3, 6.0


class Judged(Protocol):
    """What is read of an inspection to explain a verdict."""

    @property
    def run(self) -> Run: ...
    @property
    def measurements(self) -> tuple[PartMeasurement, ...]: ...
    @property
    def judgement(self) -> Judgement: ...


def explain_part(inspection: Judged, ref: str) -> tuple[str, ...]:
    """
    Why a part got its verdict: the pixels, the correction, the budget, the heat, each comparison.

    Parameters
    ----------
    inspection : Inspection
    ref : str

    Returns
    -------
    tuple of str
        Lines to print; indented ones belong to the one above.

    Raises
    ------
    InputError
        The layout has no such part.
    """
    measurement = next((m for m in inspection.measurements if m.part.ref == ref), None)
    if measurement is None:
        near = nearest_name(ref, [m.part.ref for m in inspection.measurements])
        raise InputError(f"the layout has no part {ref}", fix=f"did you mean {near}?" if near else "check the name")
    judgement = inspection.judgement
    evidence = judgement.evidence
    verdict = next(part for part in judgement.parts if part.measurement.part.ref == ref)
    lines = [f"{ref}: {verdict.verdict}"]
    lines += _measured_lines(measurement, inspection.run.ambient_c)
    if measurement.measurable and evidence is not None:
        lines += _heat_lines(evidence.split, measurement)
        lines += _board_lines(evidence)
        for weighed in evidence.weighed:
            if weighed.comparison.ref == ref:
                lines += _comparison_lines(weighed)
        if (suspect := evidence.suspects.get(ref)) is not None:
            lines += _suspect_lines(suspect)
    if verdict.reason is not None:
        lines.append(f"reason: {verdict.reason}")
    for finding in judgement.findings:
        if finding.ref == ref:
            lines.append(f"finding ({finding.rule}, {finding.level}): {finding.text}")
            lines += [f"  possibly: {hint}" for hint in finding.hypotheses]
    return tuple(lines)


def _measured_lines(m: PartMeasurement, ambient_c: float) -> list[str]:
    surface = m.part.surface
    lines = [f"pixels: {m.pixels} camera pixels on the inner body"]
    if m.apparent_mean_c is not None:
        lines.append(f"apparent: {m.apparent_mean_c:.2f} °C, as if its emissivity were 1")
    if m.mean_c is None or m.rise_k is None or m.u_c is None:
        return lines
    lines += [
        f"surface: {surface.name}, emissivity {surface.emissivity:.2f} ± {surface.u_emissivity:.2f}",
        f"temperature: {m.mean_c:.2f} °C ± {m.u_c:.2f} K (one standard uncertainty), hottest place {m.max_c:.2f} °C",
        f"rise: {m.rise_k:.2f} K above the ambient of {ambient_c:.1f} °C",
        "uncertainty, source by source:",
    ]
    for line in told_lines(m.budget):
        shared = f" (shared: {line.shared})" if line.shared else ""
        lines.append(f"  {line.source}: {abs(line.u_k):.3f} K{shared}")
    return lines


def _heat_lines(split: HeatSplit | None, m: PartMeasurement) -> list[str]:
    heat = split.of(m.part.ref) if split is not None else None
    if split is None or heat is None or heat.own_k is None or heat.u_own_k is None:
        return ["heat: own and received heat could not be told apart"]
    lines = [
        f"heat spreads {split.decay_mm:.0f} ± {split.u_decay_mm:.0f} mm along the board; "
        f"the whole board shares {split.constant_k:+.1f} ± {split.u_constant_k:.1f} K",
        f"own heat: {heat.own_k:.2f} ± {heat.u_own_k:.2f} K",
        f"received: {heat.received_k:.2f} ± {heat.u_received_k:.2f} K",
    ]
    lines += [f"  {plain_name(s.ref)} gives {s.kelvin:.2f} ± {s.u_k:.2f} K" for s in heat.sources]
    if heat.power_w is not None and heat.u_power_w is not None:
        lines.append(f"power: {heat.power_w:.2f} ± {heat.u_power_w:.2f} W")
        junction = junction_of(m, split)
        if junction is not None:
            lines.append(
                f"junction: about {junction.temp_c:.1f} °C ± {junction.u_k:.1f} K, an estimate from the top's hottest "
                f"place by psi_jt_k_per_w {m.part.psi_jt_k_per_w:g}"
            )
    return lines


def _board_lines(evidence: Evidence) -> list[str]:
    wide = evidence.board_wide
    if wide is None:
        return []
    return [
        f"board-wide: rises are {wide.scale:.3f} ± {wide.u_scale:.3f} times the known-good ones, "
        f"shifted by {wide.shift_k:+.2f} ± {wide.u_shift_k:.2f} K ({wide.parts} parts in common)"
    ]


def _comparison_lines(weighed: Weighed) -> list[str]:
    c: Comparison = weighed.comparison
    names = f" ({', '.join(c.refs)})" if c.refs else ""
    return [
        f"{c.rule}: against {c.against}{names}",
        f"  they rise {c.expected_k:.2f} K, {c.own_expected_k:.2f} K of it by their own heat",
        f"  difference {c.temp_excess_k:+.2f} K in temperature, {c.excess_k:+.2f} K in own heat",
        f"  measured to ± {c.u_k:.2f} K; good ones differ by ± {c.spread_k:.2f} K ({c.degrees:.0f} degrees of freedom)",
        *([f"  their places on the board make ± {c.place_k:.2f} K more"] if c.place_k > 0 else []),
        f"  score {c.score:+.1f}; chance among good parts {chance_text(c.p_value)}",
        f"  by itself {_loud(weighed.loudness)}",
        f"  said of it: {weighed.level or 'nothing'}",
        *([f"  {_harmless(c)}, with a probability of {chance_text(c.harmless)}"] if c.harmless else []),
        *([f"  at most a watch: {c.at_most_watch}"] if c.at_most_watch else []),
    ]


def _harmless(comparison: Comparison) -> str:
    if comparison.sink_k > 0:
        taken = f"which takes some {comparison.sink_k:.1f} K of its heat"
        return f"a good one may differ so by a heatsink that was not seen, {taken}"
    return "it may be another part's top that was read, its height being wrong"


def _loud(loudness: float) -> str:
    """
    How many times as likely a fault makes a comparison than a good part, in words.

    Examples
    --------
    >>> _loud(2.0), _loud(-1.0), _loud(0.1)
    ('it speaks for a fault, 100 to 1', 'it speaks against a fault, 10 to 1', 'it says nothing either way')
    """
    if abs(loudness) < SILENT:
        return "it says nothing either way"
    odds = 10.0 ** min(abs(loudness), LOUDEST)
    return f"it speaks {'for' if loudness > 0 else 'against'} a fault, {odds:.0f} to 1"


def _suspect_lines(suspect: Suspect) -> list[str]:
    before = (
        f"before anything was measured: {chance_text(suspect.before)}, as of any part compared, since every second "
        "board is taken to have one at fault"
    )
    if suspect.posterior is None:
        return [before, f"all together: at fault with a probability of {chance_text(suspect.suspicion)}"]
    found = suspect.posterior
    act, watch = LOSSES["act"], LOSSES["watch"]
    return [
        before,
        f"all together: at fault with a probability of {chance_text(suspect.suspicion)}; if it is, by "
        f"{found.fault_k:+.1f} ± {found.u_k:.1f} K of its own heat, which matters with {chance_text(found.matters)}",
        f"  so {suspect.level or 'nothing to do'}: to act on a good part is taken to cost {act[0]:g} second looks, to "
        f"pass over a fault {LOSSES[None][2]:g}, to watch it {watch[2]:g}",
    ]
