"""The judge: every rule over the whole board, and one verdict for each part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace

import numpy as np

from thermscan.frozen import dataclass
from thermscan.heat.split import HeatSplit
from thermscan.heat.spots import WarmSpot
from thermscan.judge.against_baseline import against_baseline, new_on_bare_k
from thermscan.judge.allowed import gives_no_heat
from thermscan.judge.asleep import REMARK as NO_HEAT_REMARK
from thermscan.judge.asleep import not_compared, shows_no_heat
from thermscan.judge.baseline import Baseline
from thermscan.judge.baseline_rule import check_same_board
from thermscan.judge.board_wide import BoardWide, board_findings
from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Finding, Judgement, Overall, PartVerdict, Verdict
from thermscan.judge.heat_seen import HeatSeen, View, see_heat
from thermscan.judge.holds import HoldCode
from thermscan.judge.limits import check_junctions, check_limits, check_usual, junction_of
from thermscan.judge.neighbourhood import gather_neighbours
from thermscan.judge.peers import compare_peers
from thermscan.judge.remarks import blind_remarks, run_remarks, why_alone
from thermscan.judge.silent_groups import judge_silent_groups
from thermscan.judge.uncertain_places import hold_hidden, name_unplaced
from thermscan.judge.warm_places import judge_warm_places
from thermscan.judge.watts_rule import RULE as WATTS_RULE
from thermscan.judge.watts_rule import compare_watts, watts_finding
from thermscan.judge.watts_seen import WattsSeen, watts_seen
from thermscan.judge.weighing import Meaning, Suspect, Weighed, suspect_parts, weigh, with_groups
from thermscan.judge.wording import finding_of
from thermscan.layout.board import Board, Part
from thermscan.layout.digest import layout_digest
from thermscan.radiometry.planck import Band
from thermscan.regions.leaning import Leaning
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.registration.registration import Registration
from thermscan.runs.run import Run

# Of cameras without cooling.
BAND_UM = (8.0, 14.0)


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """All that the verdicts rest on: kept for explaining them."""

    split: HeatSplit | None
    weighed: tuple[Weighed, ...]
    board_wide: BoardWide | None
    spots: tuple[WarmSpot, ...]
    heat: HeatSeen | None = None
    suspects: Mapping[str, Suspect] = field(default_factory=dict)


def judge_run(
    measurements: Sequence[PartMeasurement],
    rectified: Rectified,
    board: Board,
    run: Run,
    *,
    baseline: Baseline | None = None,
    noise_k: float,
    registration: Registration,
    band_um: Band = BAND_UM,
    leaning: Leaning | None = None,
) -> Judgement:
    """
    What is hotter or colder than it should be, by every rule that can be applied.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
        In any order; the verdicts come in the same.
    rectified : Rectified
    board : Board
    run : Run
    baseline : Baseline, optional
        Known-good runs of the same layout.
    noise_k : float
        Of one camera pixel.
    registration : Registration
    band_um : Band
        The camera's.
    leaning : Leaning, optional
        What bodies of unknown height may hide: such places are not accused.

    Returns
    -------
    Judgement

    Raises
    ------
    InputError
        The baseline is of another board, revision or layout.
    """
    judgement, _ = judge_with_evidence(
        measurements,
        rectified,
        board,
        run,
        baseline=baseline,
        noise_k=noise_k,
        registration=registration,
        band_um=band_um,
        leaning=leaning,
    )
    return judgement


def judge_with_evidence(
    measurements: Sequence[PartMeasurement],
    rectified: Rectified,
    board: Board,
    run: Run,
    *,
    baseline: Baseline | None = None,
    noise_k: float,
    registration: Registration,
    band_um: Band = BAND_UM,
    leaning: Leaning | None = None,
) -> tuple[Judgement, Evidence]:
    """As `judge_run`, with the evidence that it rests on."""
    if baseline is not None:
        check_same_board(baseline, board, digest=layout_digest(board))
    view = View(rectified.mm_per_px, registration, noise_k, band_um)
    heat = see_heat(measurements, rectified, board, run, view=view)
    return judge_heat(heat, measurements, board, run, baseline=baseline, leaning=leaning)


def judge_heat(
    heat: HeatSeen,
    measurements: Sequence[PartMeasurement],
    board: Board,
    run: Run,
    *,
    baseline: Baseline | None,
    leaning: Leaning | None = None,
) -> tuple[Judgement, Evidence]:
    """As `judge_with_evidence`, once the heat has been seen; it does not depend on a baseline."""
    against = against_baseline(measurements, run, baseline, heat=heat) if baseline is not None else None
    heat = against.heat if against is not None else heat
    comparisons = list(compare_peers(measurements, board, heat.split))
    if against is not None:
        comparisons += against.comparisons
    comparisons = hold_hidden(comparisons, measurements, leaning, ambient_c=run.ambient_c)
    watts = watts_seen(measurements, heat.split, supply=run.supply)
    by_watts = hold_hidden(
        compare_watts(measurements, watts, heat.split), measurements, leaning, ambient_c=run.ambient_c
    )
    parts = {part.ref: part for part in board.parts}
    compared = with_groups([*comparisons, *by_watts])
    limits = [*check_limits(measurements, leaning), *check_junctions(measurements, heat.split)]

    suspects = suspect_parts(measurements, compared, limits)
    weighed = tuple(_never_cold(w, parts[w.comparison.ref]) for w in weigh(compared, suspects))
    near = gather_neighbours(
        [(w, _finding(w, parts[w.comparison.ref], watts, heat.split)) for w in weighed if w.level is not None]
    )
    findings = [*near.findings, *limits]
    findings += check_usual(measurements, heat.split)
    unmapped = judge_warm_places(
        heat,
        measurements,
        board,
        ambient_c=run.ambient_c,
        new_k=new_on_bare_k(baseline, heat) if baseline is not None and against is not None else None,
        change=against.change if against is not None else None,
        leaning=leaning,
    )
    findings += unmapped.findings
    if against is not None:
        findings += board_findings(against.board_wide, scale_sd=against.scale_sd, watts=_both_watts(run, baseline))
    else:
        findings += judge_silent_groups(measurements, heat.split)
    findings += name_unplaced(measurements, baseline=baseline, ambient_c=run.ambient_c)
    ordered = tuple(sorted(findings, key=_importance))
    verdicts = tuple(_warmed(_verdict(m, ordered, compared, board, heat.split), near.told_with) for m in measurements)
    # Known-good runs of such a stage show as little, and are a comparison.
    asleep = against is None and shows_no_heat(measurements, heat)
    if asleep:
        verdicts = tuple(not_compared(each) for each in verdicts)
    board_wide = against.board_wide if against is not None else None
    evidence = Evidence(heat.split, weighed, board_wide, heat.spots, heat, suspects)
    judgement = Judgement(
        parts=tuple(
            replace(each, suspicion=_suspicion(suspects, ref), watts=watts.get(ref))
            for each in verdicts
            if (ref := each.measurement.part.ref)
        ),
        findings=ordered,
        unmapped=unmapped.places,
        overall=_overall(verdicts, ordered),
        remarks=(
            *run_remarks(measurements, heat.split, baseline=baseline, against=against, spots=unmapped.remarks),
            *((NO_HEAT_REMARK,) if asleep else blind_remarks(measurements, compared)),
        ),
        evidence=evidence,
    )
    return judgement, evidence


def _both_watts(run: Run, baseline: Baseline | None) -> tuple[float, float] | None:
    """The supply's watts now and in the known-good runs, where both are stated."""
    then = [known.supply_w for known in baseline.runs if known.supply_w is not None] if baseline is not None else []
    if not run.supply or not then:
        return None
    return sum(rail.watts for rail in run.supply), float(np.mean(then))


def _finding(w: Weighed, part: Part, watts: Mapping[str, WattsSeen], split: HeatSplit | None) -> Finding:
    if w.comparison.rule == WATTS_RULE:
        return watts_finding(w, part, watts[part.ref], split.of(part.ref) if split is not None else None)
    return finding_of(w, part, split)


def _suspicion(suspects: Mapping[str, Suspect], ref: str) -> float | None:
    return suspects[ref].suspicion if ref in suspects else None


def _never_cold(w: Weighed, part: Part) -> Weighed:
    """A part that gives no heat by its kind cannot be cold by its own heat."""
    cold = w.comparison.excess_k < 0 and w.meaning is Meaning.OWN
    return replace(w, level=None) if w.level is not None and cold and gives_no_heat(part) else w


def _verdict(
    measurement: PartMeasurement,
    findings: Sequence[Finding],
    comparisons: Sequence[Comparison],
    board: Board,
    split: HeatSplit | None,
) -> PartVerdict:
    ref = measurement.part.ref
    if measurement.reason is not None:
        return PartVerdict(measurement, "not-measurable", reason=str(measurement.reason))
    about = [finding for finding in findings if finding.ref == ref]
    about_it = (c for c in comparisons if c.ref == ref and not _only_guessed(c))
    compared = tuple(dict.fromkeys(c.rule for c in about_it))
    if measurement.part.max_c is not None:
        compared += ("limit",)
    if measurement.part.max_junction_c is not None and junction_of(measurement, split) is not None:
        compared += ("junction",)
    verdict: Verdict = "normal"
    acts = [finding for finding in about if finding.level == "act"]
    if acts:
        verdict = max(acts, key=lambda finding: abs(finding.score or 0.0)).direction
    elif about:
        verdict = "watch"
    return PartVerdict(measurement, verdict, compared, None if compared else why_alone(measurement, board))


def _warmed(verdict: PartVerdict, told_with: Mapping[str, str]) -> PartVerdict:
    """A part that is told in its culprit's line is watched as well."""
    source = told_with.get(verdict.measurement.part.ref)
    if source is None or verdict.verdict != "normal":
        return verdict
    return replace(verdict, verdict="watch", reason=f"warmed by {source}: its own heat does not stand out")


def _only_guessed(comparison: Comparison) -> bool:
    """Whether what a part is held against was only taken from its kind: too little to call it compared."""
    hold = comparison.at_most_watch
    return hold is not None and hold.code is HoldCode.FAMILY_GUESSED


def _overall(verdicts: Sequence[PartVerdict], findings: Sequence[Finding]) -> Overall:
    levels = {finding.level for finding in findings}
    if "act" in levels:
        return "act"
    # What nothing was compared with is neither clear nor watched.
    if not any(each.compared_by and not gives_no_heat(each.measurement.part) for each in verdicts):
        return "undecided"
    return "watch" if levels else "clear"


def _importance(finding: Finding) -> tuple[bool, float, str, str]:
    return finding.level != "act", -abs(finding.excess_k or 0.0), finding.ref or "", finding.rule
