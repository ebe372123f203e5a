"""The judge: every rule over the whole board, and one verdict for each part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import sample_bilinear
from thermscan.heat.bare import bare_pixels, camera_px_mm, margin_mm
from thermscan.heat.change import split_change
from thermscan.heat.sources import PartRises
from thermscan.heat.split import HeatSplit, board_rise_k, split_heat
from thermscan.heat.spots import WarmSpot, find_warm_spots
from thermscan.judge import thresholds
from thermscan.judge.baseline import Baseline
from thermscan.judge.baseline_rule import (
    FEWEST_IN_COMMON,
    BaselineResult,
    baseline_remarks,
    check_same_board,
    common_parts,
    compare_baseline,
    comparison_u_k,
    difference_raster_k,
    expect_from,
    warm_up_mismatch,
)
from thermscan.judge.board_wide import BoardWide, board_findings, fit_board_wide
from thermscan.judge.comparison import Comparison
from thermscan.judge.finding import Finding, Judgement, Overall, PartVerdict, Verdict
from thermscan.judge.limits import check_junctions, check_limits, junction_of
from thermscan.judge.peers import compare_peers
from thermscan.judge.remarks import run_remarks, why_alone
from thermscan.judge.suspicion import suspicions
from thermscan.judge.unmapped import UnmappedResult, enlarged, judge_spots, with_stand_ins
from thermscan.judge.weighing import Weighed, known_before, weigh
from thermscan.judge.wording import finding_of
from thermscan.layout.board import Board
from thermscan.layout.digest import layout_digest
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.registration.registration import Registration
from thermscan.runs.run import Run

BAND_UM = (8.0, 14.0)
# Where this share of a spot's excess is new against the known-good runs, the spot is new.
NEW_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """All that the verdicts rest on: kept for explaining them."""

    split: HeatSplit | None
    weighed: tuple[Weighed, ...]
    board_wide: BoardWide | None
    spots: tuple[WarmSpot, ...]


def judge_run(
    measurements: Sequence[PartMeasurement],
    rectified: Rectified,
    board: Board,
    run: Run,
    *,
    baseline: Baseline | None = None,
    noise_k: float,
    registration: Registration,
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
) -> tuple[Judgement, Evidence]:
    """As `judge_run`, with the evidence that it rests on."""
    if baseline is not None:
        check_same_board(baseline, board, digest=layout_digest(board))
    view = _View(rectified.mm_per_px, registration, noise_k)
    rise_k = board_rise_k(rectified, board, ambient_c=run.ambient_c, reflected_c=run.reflected_c, band_um=BAND_UM)
    heat = _find_heat(rise_k, measurements, board, run, view)
    comparisons = list(compare_peers(measurements, board, heat.split))
    against = _baseline_result(measurements, rise_k, run, baseline, heat=heat, view=view)
    if against is not None:
        comparisons += against.comparisons
    weighed = weigh(comparisons)
    parts = {part.ref: part for part in board.parts}
    findings = [finding_of(w, parts[w.comparison.ref], heat.split) for w in weighed if w.level is not None]
    findings += check_limits(measurements)
    findings += check_junctions(measurements, heat.split)
    unmapped = _unmapped(heat.spots, board, run, rise_k=rise_k, baseline=baseline, against=against, view=view)
    findings += unmapped.findings
    if against is not None:
        findings += board_findings(against.board_wide)
    ordered = tuple(sorted(findings, key=_importance))
    suspect = suspicions(measurements, [w.comparison for w in weighed if not known_before(w)], findings)
    verdicts = (_verdict(m, ordered, comparisons, board, heat.split) for m in measurements)
    judgement = Judgement(
        parts=tuple(replace(each, suspicion=suspect[each.measurement.part.ref]) for each in verdicts),
        findings=ordered,
        unmapped=unmapped.places,
        overall=_overall(measurements, ordered),
        remarks=run_remarks(measurements, heat.split, baseline=baseline, against=against, spots=unmapped.remarks),
    )
    return judgement, Evidence(heat.split, weighed, against.board_wide if against else None, heat.spots)


@dataclass(frozen=True, slots=True)
class _View:
    """How the board was seen."""

    mm_per_px: float
    registration: Registration
    noise_k: float


@dataclass(frozen=True, slots=True, eq=False)
class _Heat:
    """Where the heat comes from; ``board`` has stand-ins for sources that the layout does not know."""

    split: HeatSplit | None
    board: Board
    spots: tuple[WarmSpot, ...]


def _find_heat(
    rise_k: NDArray[np.float64],
    measurements: Sequence[PartMeasurement],
    board: Board,
    run: Run,
    view: _View,
) -> _Heat:
    """The split of all heat, with stand-ins where warm spots show that the layout lacks a source."""
    supply_w = sum(rail.watts for rail in run.supply) if run.supply else None

    def split_of(what: Board) -> HeatSplit | None:
        return split_heat(
            rise_k,
            measurements,
            what,
            mm_per_px=view.mm_per_px,
            registration=view.registration,
            noise_k=view.noise_k,
            supply_w=supply_w,
        )

    split = split_of(board)
    spots = find_warm_spots(
        rise_k,
        board,
        split,
        mm_per_px=view.mm_per_px,
        margin=margin_mm(view.registration, board),
        least_k=thresholds.UNMAPPED_WATCH_K / 2,
        placement_mm=view.registration.uncertainty_mm,
    )
    strong = [spot for spot in spots if spot.deviations >= thresholds.UNMAPPED_DEVIATIONS]
    if split is None or not strong:
        return _Heat(split, board, spots)
    with_spots = with_stand_ins(board, strong)
    again = split_of(with_spots)
    if again is None:
        return _Heat(split, board, spots)
    return _Heat(again, with_spots, enlarged(spots, strong, again, board))


def _baseline_result(
    measurements: Sequence[PartMeasurement],
    rise_k: NDArray[np.float64],
    run: Run,
    baseline: Baseline | None,
    *,
    heat: _Heat,
    view: _View,
) -> BaselineResult | None:
    """Every part against the known-good runs; None without a baseline, or with too few parts in common."""
    if baseline is None:
        return None
    serials = {known.board_serial for known in baseline.runs}
    same = run.board_serial is not None and serials == {run.board_serial}
    expected = expect_from(baseline, same_serial=same, own_shares=_own_shares(heat.split))
    common, places = common_parts(measurements, expected)
    if len(common) < FEWEST_IN_COMMON:
        return None
    rise = np.array([float(m.rise_k or 0.0) for m in common])
    noise = comparison_u_k(common, expected)
    board_wide = fit_board_wide(rise, expected.mean_k[places], np.hypot(expected.sd_k[places], noise))
    usual = board_wide.shift_k + board_wide.scale * expected.mean_k[places]
    change = None
    if heat.split is not None:
        place = {part.ref: i for i, part in enumerate(heat.board.parts)}
        at = [place[m.part.ref] for m in common]
        changes = PartRises(np.full(len(place), np.nan), np.full(len(place), np.nan))
        changes.rise_k[at], changes.u_k[at] = rise - usual, np.hypot(noise, expected.sd_k[places])
        change = split_change(
            difference_raster_k(rise_k, view.mm_per_px, baseline, bare=_bare(rise_k, heat.board, view)),
            changes,
            heat.board,
            mm_per_px=view.mm_per_px,
            registration=view.registration,
            noise_k=view.noise_k,
            split=heat.split,
        )
    if change is not None:
        # What a culprit gives its neighbours had gone into shift and scale: fitted again without it.
        given = np.array([heat_of.received_k if (heat_of := change.of(m.part.ref)) else 0.0 for m in common])
        board_wide = fit_board_wide(rise - given, expected.mean_k[places], np.hypot(expected.sd_k[places], noise))
    not_comparable = warm_up_mismatch(run, baseline)
    return BaselineResult(
        board_wide=board_wide,
        comparisons=compare_baseline(
            common,
            expected,
            places,
            board_wide,
            split=heat.split,
            change=change,
            not_comparable=not_comparable,
        ),
        remarks=baseline_remarks(measurements, baseline, run, board_wide, not_comparable=not_comparable),
    )


def _own_shares(split: HeatSplit | None) -> dict[str, float]:
    """How much of each part's rise, without what the whole board shares, is its own heat."""
    shares = {}
    for heat in split.parts if split is not None else ():
        if heat.own_k is not None and heat.own_k + heat.received_k > 0:
            shares[heat.ref] = heat.own_k / (heat.own_k + heat.received_k)
    return shares


def _bare(rise_k: NDArray[np.float64], board: Board, view: _View) -> NDArray[np.bool_]:
    margin = margin_mm(view.registration, board)
    return bare_pixels(board, shape=rise_k.shape, mm_per_px=view.mm_per_px, margin=margin)


def _unmapped(
    spots: tuple[WarmSpot, ...],
    board: Board,
    run: Run,
    *,
    rise_k: NDArray[np.float64],
    baseline: Baseline | None,
    against: BaselineResult | None,
    view: _View,
) -> UnmappedResult:
    new_k = (
        difference_raster_k(rise_k, view.mm_per_px, baseline, bare=_bare(rise_k, board, view))
        if baseline is not None and against is not None
        else None
    )

    def was_there(spot: WarmSpot) -> bool:
        if new_k is None:
            return False
        place = np.array([[spot.x_mm, spot.y_mm]]) / view.mm_per_px - 0.5
        new = float(sample_bilinear(new_k, place)[0])
        return bool(np.isfinite(new) and new < NEW_SHARE * spot.excess_k)

    return judge_spots(
        spots,
        board,
        ambient_c=run.ambient_c,
        camera_px_mm=camera_px_mm(view.registration, board),
        known_before=was_there,
    )


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
    compared = tuple(dict.fromkeys(c.rule for c in comparisons if c.ref == ref))
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


def _overall(measurements: Sequence[PartMeasurement], findings: Sequence[Finding]) -> Overall:
    levels = {finding.level for finding in findings}
    if "act" in levels:
        return "act"
    if not any(measurement.measurable for measurement in measurements):
        return "undecided"
    return "watch" if levels else "clear"


def _importance(finding: Finding) -> tuple[bool, float, str, str]:
    return finding.level != "act", -abs(finding.excess_k or 0.0), finding.ref or "", finding.rule
