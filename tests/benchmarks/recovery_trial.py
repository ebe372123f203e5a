"""One simulated board, inspected through files as a user would: what was found, and what was true."""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from samples.simulator import (
    BoardField,
    Fault,
    Pose,
    Rendered,
    inject_fault,
    render_frame,
    sample_board,
    sample_pose,
    sample_powers,
    solve_board,
    write_layout,
    write_tiff,
)
from thermscan.errors import CannotJudge
from thermscan.inspection import Inspection, inspect_run
from thermscan.judge.baseline import Baseline
from thermscan.judge.comparison import difference_u_k
from thermscan.judge.learning import learn_baseline
from thermscan.layout.board import Board
from thermscan.layout.reading import read_board
from thermscan.registration.placing.register import register_board
from thermscan.runs.run import Landmark, Run

SHAPES = ((120, 160), (192, 256), (240, 320), (480, 640))
MODES = ("corners", "landmarks", "automatic")
FAULTS = ("none", "hot", "hot", "dead", "warmed", "unmapped")
# A person's click: half a pixel off along each axis.
CLICK_PX = 0.5
GOOD_RUNS = 3
# The same part of another specimen: its share of natural spread.
SPECIMEN_SHARE = 0.04
# A finding of unmapped heat counts as the fault's if it lies as near as this.
SAME_PLACE_MM = 12.0


@dataclass(frozen=True, slots=True)
class Options:
    """What the trials are drawn from."""

    seed: int = 1
    max_tilt_deg: float = 50.0
    fault_k: float = 3.0
    heights: bool = False


@dataclass(slots=True)
class Outcome:
    """What one trial tells; plain values, so that it travels between processes."""

    number: int
    shape: tuple[int, int]
    mode: str
    tilt_deg: float
    with_baseline: bool
    fault: str
    registration_px: dict[str, float | None] = field(default_factory=dict)
    stated_px: dict[str, float] = field(default_factory=dict)
    refused: str | None = None
    # One row a measurable part: error after the camera's offset, error as read, u_c, body pixels, emissivity.
    parts: list[tuple[float, float, float, int, float]] = field(default_factory=list)
    worst_part: str = ""
    # Error of the difference to the peers' mean, and its stated uncertainty.
    peers: list[tuple[float, float]] = field(default_factory=list)
    not_measurable: int = 0
    fault_measurable: bool = True
    # Whether there was anything to compare the part with: peers, or good runs.
    fault_compared: bool = True
    found: bool | None = None
    found_watch: bool | None = None
    false_acts: list[str] = field(default_factory=list)
    innocent_act: bool | None = None
    overall: str = ""
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class _Air:
    ambient_c: float
    sheet_w_per_k: float
    loss_w_per_m2k: float | None


def run_trial(number: int, options: Options) -> Outcome:
    """Draw a board, a fault, a camera and a pose; inspect; compare with the truth."""
    rng = np.random.default_rng([options.seed, number])
    shape = SHAPES[number % len(SHAPES)]
    mode = MODES[(number // len(SHAPES)) % len(MODES)]
    with_baseline = bool((number // (len(SHAPES) * len(MODES))) % 2)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        board = read_board(write_layout(folder, sample_board(rng)))
        usual_w = sample_powers(rng, board)
        air = _Air(
            ambient_c=float(rng.uniform(18.0, 28.0)),
            sheet_w_per_k=float(rng.uniform(8e-3, 3e-2)),
            loss_w_per_m2k=None if rng.random() < 0.5 else float(rng.uniform(16.0, 24.0)),
        )
        baseline = _learn(rng, folder, board, usual_w, air=air, shape=shape, options=options) if with_baseline else None
        # The chips' own spread is the drawn powers'; a board with a baseline is yet another specimen of it.
        watts = _specimen(rng, usual_w) if with_baseline else usual_w
        kind = FAULTS[rng.integers(len(FAULTS))]
        faulty_w, fault = _break(rng, board, watts, kind=kind, air=air, options=options)
        thermal = _solve(board, faulty_w, air, fault)
        view, run = _look(rng, folder, board, thermal, "test", shape=shape, mode=mode, options=options)
        outcome = Outcome(number, shape, mode, view.pose.tilt_deg, with_baseline, kind)
        started = time.perf_counter()
        try:
            inspection = inspect_run(run, baseline=baseline)
        except CannotJudge as error:
            outcome.refused = str(error)
            outcome.registration_px[mode] = None
            return outcome
        outcome.seconds = time.perf_counter() - started
        _other_modes(rng, inspection, view, board, outcome)
    _compare_parts(inspection, view, outcome)
    _compare_findings(inspection, fault, outcome)
    return outcome


def _learn(
    rng: np.random.Generator,
    folder: Path,
    board: Board,
    usual_w: dict[str, float],
    *,
    air: _Air,
    shape: tuple[int, int],
    options: Options,
) -> Baseline:
    inspections = []
    for look in range(GOOD_RUNS):
        day = replace(air, ambient_c=air.ambient_c + float(rng.uniform(-3.0, 3.0)))
        load = float(rng.uniform(0.95, 1.05))
        watts = {ref: value * load for ref, value in _specimen(rng, usual_w).items()}
        thermal = _solve(board, watts, day, None)
        # Good looks are taken with care: corners are given.
        _, run = _look(rng, folder, board, thermal, f"good-{look}", shape=shape, mode="corners", options=options)
        inspections.append(inspect_run(run))
    return learn_baseline(inspections)


def _specimen(rng: np.random.Generator, usual_w: dict[str, float]) -> dict[str, float]:
    return {ref: value * (1 + SPECIMEN_SHARE * float(rng.normal())) for ref, value in usual_w.items()}


def _solve(board: Board, watts: dict[str, float], air: _Air, fault: Fault | None) -> BoardField:
    return solve_board(
        board,
        watts,
        ambient_c=air.ambient_c,
        sheet_w_per_k=air.sheet_w_per_k,
        loss_w_per_m2k=air.loss_w_per_m2k,
        extra_heat=[fault.disc] if fault and fault.disc else [],
    )


def _break(
    rng: np.random.Generator, board: Board, watts: dict[str, float], *, kind: str, air: _Air, options: Options
) -> tuple[dict[str, float], Fault | None]:
    """A fault whose watts make the wanted rise of the body (of the board, where no part is)."""
    if kind == "none":
        return watts, None
    state = rng.bit_generator.state
    tried_w, fault = inject_fault(rng, board, watts, kind, watts=0.1)
    if kind == "dead":
        return tried_w, fault
    before, after = _solve(board, watts, air, None), _solve(board, tried_w, air, fault)
    if fault.disc:
        spot = np.array([[fault.disc.x_mm, fault.disc.y_mm]])
        per_tenth_w = float(after.board_c(spot)[0] - before.board_c(spot)[0])
        wanted_k = 3 * options.fault_k
    else:
        per_tenth_w = after.body_c[fault.ref or ""] - before.body_c[fault.ref or ""]
        wanted_k = 5 * options.fault_k if kind == "warmed" else options.fault_k
    rng.bit_generator.state = state  # the same fault again, with its watts
    return inject_fault(rng, board, watts, kind, watts=0.1 * wanted_k / per_tenth_w)


def _look(
    rng: np.random.Generator,
    folder: Path,
    board: Board,
    thermal: BoardField,
    name: str,
    *,
    shape: tuple[int, int],
    mode: str,
    options: Options,
) -> tuple[Rendered, Run]:
    pose = sample_pose(rng, board, shape, options.max_tilt_deg)
    view = render_frame(
        thermal,
        board,
        pose,
        rng=rng,
        netd_k=float(rng.uniform(0.03, 0.08)),
        offset_k=float(rng.uniform(-2.0, 2.0)),
        blur_px=float(rng.uniform(0.4, 0.8)),
        reflected_c=thermal.ambient_c + float(rng.normal(0.0, 1.0)),
        emissivity_spread=1.0,
        heights=options.heights,
    )
    write_tiff(folder / f"{name}.tiff", [view.apparent_c], unit="cK")
    run = Run(
        frames=(folder / f"{name}.tiff",),
        ambient_c=thermal.ambient_c,
        reflected_c=thermal.ambient_c,
        layout=folder / "board.toml",
        stage="idle",
        minutes_on=30,
        **_given(rng, board, pose, mode),
    )
    return view, run


def _given(rng: np.random.Generator, board: Board, pose: Pose, mode: str) -> dict[str, tuple]:
    """What the user clicks."""
    if mode == "corners":
        clicked = pose.px(board.corners_mm) + rng.normal(0.0, CLICK_PX, (4, 2))
        return {"corners_px": tuple((float(x), float(y)) for x, y in clicked)}
    if mode == "landmarks":
        chosen = _spread_out(board)
        clicked = pose.px(np.array([[part.x_mm, part.y_mm] for part in chosen]))
        clicked = clicked + rng.normal(0.0, CLICK_PX, clicked.shape)
        marks = [Landmark(part.ref, (float(x), float(y))) for part, (x, y) in zip(chosen, clicked, strict=True)]
        return {"landmarks": tuple(marks)}
    return {}


def _spread_out(board: Board) -> list:
    """Six parts as a person would choose them: towards the corners and the middle of the long sides."""
    width, height = board.width_mm, board.height_mm
    targets = [(0, 0), (width, 0), (width, height), (0, height), (width / 2, 0), (width / 2, height)]
    chosen: list = []
    for x, y in targets:
        rest = [part for part in board.parts if part not in chosen]
        chosen.append(min(rest, key=lambda part: np.hypot(part.x_mm - x, part.y_mm - y)))
    return chosen


def _other_modes(
    rng: np.random.Generator, inspection: Inspection, view: Rendered, board: Board, outcome: Outcome
) -> None:
    """Registration error of the frame in every mode; the inspection's own is taken as it is."""
    places_mm = np.array([[part.x_mm, part.y_mm] for part in board.parts])
    true_px = view.pose.px(places_mm)
    for mode in MODES:
        registration = inspection.registration
        if mode != outcome.mode:
            try:
                given = _given(rng, board, view.pose, mode)
                registration = register_board(inspection.image, board, camera=inspection.camera, **given)
            except CannotJudge:
                outcome.registration_px[mode] = None
                continue
        error_px = registration.px(places_mm) - true_px
        outcome.registration_px[mode] = float(np.sqrt((error_px**2).sum(axis=1).mean()))
        outcome.stated_px[mode] = registration.uncertainty_mm * _px_per_mm(view.pose, board)


def _px_per_mm(pose: Pose, board: Board) -> float:
    middle = np.array([[board.width_mm / 2, board.height_mm / 2]])
    x, y = (pose.px(middle + step) - pose.px(middle) for step in np.eye(2))
    return float(np.sqrt(abs(x[0, 0] * y[0, 1] - x[0, 1] * y[0, 0])))


def _compare_parts(inspection: Inspection, view: Rendered, outcome: Outcome) -> None:
    error_k = {}
    for measured in inspection.measurements:
        if measured.mean_c is None or measured.u_c is None:
            outcome.not_measurable += 1
            continue
        ref = measured.part.ref
        read_k = measured.mean_c - view.truth[ref].mean_c
        error_k[ref] = read_k - view.offset_k
        outcome.parts.append(
            (
                error_k[ref],
                read_k,
                measured.u_c,
                measured.pixels,
                view.emissivity[ref] - measured.part.surface.emissivity,
            )
        )
        if abs(error_k[ref]) >= max(abs(row[0]) for row in outcome.parts):
            outcome.worst_part = f"{ref} {measured.part.kind} {measured.pixels} px {error_k[ref]:+.2f} K"
    groups: dict[str, list] = {}
    for measured in inspection.measurements:
        if measured.part.group and measured.part.ref in error_k:
            groups.setdefault(measured.part.group, []).append(measured)
    for members in groups.values():
        for one in members if len(members) > 2 else []:
            others = [other for other in members if other is not one]
            mean_k = float(np.mean([error_k[other.part.ref] for other in others]))
            outcome.peers.append((error_k[one.part.ref] - mean_k, difference_u_k(one, others)))


def _compare_findings(inspection: Inspection, fault: Fault | None, outcome: Outcome) -> None:
    judgement = inspection.judgement
    outcome.overall = judgement.overall
    acts = [finding for finding in judgement.findings if finding.level == "act"]
    if fault is None:
        outcome.false_acts = [f"{finding.ref} {finding.rule} {finding.direction}" for finding in acts]
        return
    if fault.disc:
        distance = [np.hypot(heat.x_mm - fault.disc.x_mm, heat.y_mm - fault.disc.y_mm) for heat in judgement.unmapped]
        seen = bool(distance and min(distance) <= SAME_PLACE_MM)
        outcome.found = seen and any(finding.rule == "unmapped" for finding in acts)
        outcome.found_watch = seen
        false = [finding for finding in acts if not (seen and finding.rule == "unmapped")]
    else:
        wanted = "cold" if fault.kind == "dead" else "hot"
        own = [finding for finding in judgement.findings if finding.ref == fault.ref and finding.direction == wanted]
        outcome.found = any(finding.level == "act" for finding in own)
        outcome.found_watch = bool(own)
        measured = next(item for item in inspection.measurements if item.part.ref == fault.ref)
        outcome.fault_measurable = measured.measurable
        verdict = next(item for item in judgement.parts if item.measurement.part.ref == fault.ref)
        outcome.fault_compared = bool(verdict.compared_by)
        false = [finding for finding in acts if finding.ref != fault.ref]
        if fault.warmed_ref:
            outcome.innocent_act = any(finding.ref == fault.warmed_ref for finding in acts)
    outcome.false_acts = [f"{finding.ref} {finding.rule} {finding.direction}" for finding in false]
