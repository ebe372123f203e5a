"""One simulated board with one fault after another put before the judge, with and without known-good runs."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from samples.simulator import (
    BoardField,
    Fault,
    Pose,
    inject_fault,
    render_frame,
    sample_board,
    sample_pose,
    sample_powers,
    solve_board,
    solver,
)
from thermscan.errors import InputError
from thermscan.frames.frame import Frame, FrameSource
from thermscan.judge.baseline import Baseline
from thermscan.judge.finding import Judgement
from thermscan.judge.judging import judge_with_evidence
from thermscan.judge.learning import learn_baseline
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.measure import measure_parts
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.regions.rectify import rectify_frame
from thermscan.registration.homography import homography_from_corners
from thermscan.registration.registration import Registration
from thermscan.runs.run import Run, Supply

KINDS = ("good", "hot", "dead", "warmed", "unmapped")
# A good registration: corners known to this.
CORNER_PX = 0.3
GOOD_RUNS = 3
# Another specimen draws what this one does within this share, and another day's load differs by so much.
SPECIMEN_SHARE = 0.04
LOAD = (0.9, 1.1)
SAME_PLACE_MM = 12.0


@dataclass(frozen=True, slots=True)
class Options:
    """What the trials are drawn from."""

    seed: int = 1
    shape: tuple[int, int] = (240, 320)
    fault_k: float = 3.0
    max_tilt_deg: float = 50.0
    world: str = "uneven"
    good_runs: int = GOOD_RUNS
    parts: int | None = None


@dataclass(slots=True)
class Outcome:
    """What one judgement tells; plain values, so that it travels between processes."""

    number: int
    kind: str
    with_baseline: bool
    fault_ref: str | None
    fault_k: float
    grouped: bool
    measurable: bool
    found: bool = False
    watched: bool = False
    false_acts: list[str] = field(default_factory=list)
    false_watches: list[str] = field(default_factory=list)
    innocent_act: bool = False
    innocent_watch: bool = False
    peers_rise_k: float = 0.0
    power_error: list[float] = field(default_factory=list)
    power_z: list[float] = field(default_factory=list)
    scores: list[float] = field(default_factory=list)
    evidence: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """What learning and judging need of one look."""

    run: Run
    board: Board
    frames: tuple[Frame, ...]
    rectified: Rectified
    measurements: tuple[PartMeasurement, ...]
    registration: Registration
    noise_k: float


@dataclass(frozen=True, slots=True)
class _World:
    """The physics of one board, which the judge does not know."""

    sheet: object
    loss: float | None


def run_trial(number: int, options: Options) -> list[Outcome]:
    """Every kind of fault on one board, judged with and without a baseline."""
    rng = np.random.default_rng([options.seed, number])
    if options.world == "flush":
        # Bodies soldered down flat, hardly warmer than the board beneath.
        for name in solver.BODY_TO_BOARD_K_M2_PER_W:
            solver.BODY_TO_BOARD_K_M2_PER_W[name] = 4e-4
    board = sample_board(rng, parts=options.parts)
    usual_w = sample_powers(rng, board)
    world = _World(_sheet(rng, options), None if rng.random() < 0.5 else float(rng.uniform(16.0, 24.0)))
    baseline = _learn(rng, board, usual_w, world, options)
    outcomes = []
    for kind in KINDS:
        ambient_c = float(rng.uniform(18.0, 28.0))
        load = float(rng.uniform(*LOAD))
        watts = {ref: load * w for ref, w in _specimen(rng, usual_w).items()}
        faulty_w, fault = _break(rng, board, watts, kind, world, ambient_c=ambient_c, options=options)
        thermal = _solve(board, faulty_w, world, ambient_c, fault)
        look = _view(
            rng,
            board,
            thermal,
            options,
            supply_w=sum(faulty_w.values()) + (fault.watts if fault and fault.disc else 0.0),
        )
        for known in (None, baseline) if baseline is not None else (None,):
            outcomes.append(
                _judge(number, look, board, thermal, kind=kind, fault=fault, baseline=known, fault_k=options.fault_k)
            )
    return outcomes


def _sheet(rng: np.random.Generator, options: Options) -> object:
    mean = float(rng.uniform(8e-3, 3e-2))
    if options.world == "even":
        return mean
    if options.world == "patchy":
        # Copper planes under parts of the board: in one half-plane and one disc the sheet conducts thrice as well.
        edge, normal = rng.uniform(20, 100, 2), rng.normal(size=2)
        middle, radius = rng.uniform(20, 120, 2), rng.uniform(15, 35)

        def planes(points_mm: np.ndarray) -> np.ndarray:
            behind = (points_mm - edge) @ normal > 0
            within = np.hypot(*(points_mm - middle).T) < radius
            return mean * np.where(behind | within, 1.5, 0.5)

        return planes
    # Copper is uneven: a smooth pattern of +-20 % over tens of millimetres.
    waves = [(rng.normal(0, 2 * np.pi / 60, 2), rng.uniform(0, 2 * np.pi)) for _ in range(5)]

    def sheet(points_mm: np.ndarray) -> np.ndarray:
        pattern = sum(np.cos(points_mm @ k + phase) for k, phase in waves) * np.sqrt(2 / 5)
        return mean * np.exp(0.2 * pattern)

    return sheet


def _specimen(rng: np.random.Generator, usual_w: dict[str, float]) -> dict[str, float]:
    return {ref: max(w * (1 + SPECIMEN_SHARE * float(rng.normal())), 0.0) for ref, w in usual_w.items()}


def _learn(
    rng: np.random.Generator, board: Board, usual_w: dict[str, float], world: _World, options: Options
) -> Baseline | None:
    looks = []
    for number in range(options.good_runs):
        ambient_c = float(rng.uniform(18.0, 28.0))
        load = float(rng.uniform(*LOAD))
        watts = {ref: load * w for ref, w in _specimen(rng, usual_w).items()}
        thermal = _solve(board, watts, world, ambient_c, None)
        looks.append(_view(rng, board, thermal, options, supply_w=sum(watts.values()), name=f"good-{number}"))
    try:
        return learn_baseline(looks)
    except InputError:
        return None  # too coarse a camera for this board: nothing is measurable


def _solve(board: Board, watts: dict[str, float], world: _World, ambient_c: float, fault: Fault | None) -> BoardField:
    return solve_board(
        board,
        watts,
        ambient_c=ambient_c,
        sheet_w_per_k=world.sheet,
        loss_w_per_m2k=world.loss,
        extra_heat=[fault.disc] if fault and fault.disc else [],
    )


def _break(
    rng: np.random.Generator,
    board: Board,
    watts: dict[str, float],
    kind: str,
    world: _World,
    *,
    ambient_c: float,
    options: Options,
) -> tuple[dict[str, float], Fault | None]:
    """A fault whose watts make the wanted rise of the body (of the board, where no part is)."""
    if kind == "good":
        return watts, None
    state = rng.bit_generator.state
    tried_w, fault = inject_fault(rng, board, watts, kind, watts=0.1)
    if kind == "dead":
        return tried_w, fault
    before, after = _solve(board, watts, world, ambient_c, None), _solve(board, tried_w, world, ambient_c, fault)
    if fault.disc:
        spot = np.array([[fault.disc.x_mm, fault.disc.y_mm]])
        rise_k, wanted_k = float(after.board_c(spot)[0] - before.board_c(spot)[0]), 3 * options.fault_k
    else:
        rise_k = after.body_c[fault.ref or ""] - before.body_c[fault.ref or ""]
        wanted_k = (5 if kind == "warmed" else 1) * options.fault_k
    rng.bit_generator.state = state
    return inject_fault(rng, board, watts, kind, watts=0.1 * wanted_k / rise_k)


def _view(
    rng: np.random.Generator,
    board: Board,
    thermal: BoardField,
    options: Options,
    *,
    supply_w: float,
    name: str = "test",
) -> _Look:
    pose = sample_pose(rng, board, options.shape, options.max_tilt_deg)
    noise_k = float(rng.uniform(0.03, 0.08))
    blur_px = float(rng.uniform(0.4, 0.8))
    seen = render_frame(
        thermal,
        board,
        pose,
        rng=rng,
        netd_k=noise_k,
        offset_k=float(rng.uniform(-2.0, 2.0)),
        blur_px=blur_px,
        reflected_c=thermal.ambient_c + float(rng.normal(0.0, 1.0)),
        emissivity_spread=1.0,
        stripes_k=0.02,
        shading_k=0.1,
        heights=True,
    )
    image = ThermalImage(seen.apparent_c, noise_k, 1.15, (8.0, 14.0), float(np.hypot(blur_px, 0.29)))
    registration = _registration(rng, board, pose)
    path = Path(f"/{name}.tiff")
    run = Run(
        (path,), thermal.ambient_c, thermal.ambient_c, minutes_on=30.0, supply=(Supply("all", 5.0, supply_w / 5.0),)
    )
    frame = Frame(np.zeros((1, 1)), "C", "given", FrameSource(path, 0, name, "TIFF", "float32"))
    return _Look(
        run=run,
        board=board,
        frames=(frame,),
        rectified=rectify_frame(image, registration, board),
        measurements=measure_parts(image, registration, board, ambient_c=run.ambient_c, reflected_c=run.reflected_c),
        registration=registration,
        noise_k=noise_k,
    )


def _registration(rng: np.random.Generator, board: Board, pose: Pose) -> Registration:
    corners = pose.px(board.corners_mm) + rng.normal(0.0, CORNER_PX, (4, 2))
    matrix = homography_from_corners(board.corners_mm, corners)
    scale = abs(float(np.linalg.det(np.diff(pose.px(board.corners_mm[[0, 1, 3]]), axis=0)))) ** 0.5
    px_per_mm = scale / (board.width_mm * board.height_mm) ** 0.5
    return Registration(
        "corners", matrix, corners, CORNER_PX**2 * np.eye(8), CORNER_PX, 0.6 * CORNER_PX / px_per_mm, pose.tilt_deg
    )


def _judge(
    number: int,
    look: _Look,
    board: Board,
    thermal: BoardField,
    *,
    kind: str,
    fault: Fault | None,
    baseline: Baseline | None,
    fault_k: float,
) -> Outcome:
    judgement, evidence = judge_with_evidence(
        look.measurements,
        look.rectified,
        board,
        look.run,
        baseline=baseline,
        noise_k=look.noise_k,
        registration=look.registration,
    )
    ref = fault.ref if fault else None
    measured = {m.part.ref: m for m in look.measurements}
    part = board.part(ref) if ref else None
    peers = [p.ref for p in board.parts if part and p.group == part.group and p.group and p.ref != ref]
    usable = [p for p in peers if measured[p].measurable]
    outcome = Outcome(
        number,
        kind,
        baseline is not None,
        ref,
        fault_k,
        grouped=len(usable) >= 2,
        measurable=bool(ref and measured[ref].measurable),
        peers_rise_k=float(np.mean([measured[p].rise_k for p in usable])) if usable else 0.0,
    )
    _compare(judgement, fault, outcome)
    if evidence.split is not None:
        for heat in evidence.split.parts:
            true_w = thermal.powers_w.get(heat.ref)
            if true_w is not None and true_w > 0.3 and heat.power_w is not None:
                outcome.power_error.append(heat.power_w / true_w - 1)
                outcome.power_z.append((heat.power_w - true_w) / heat.u_power_w)
    if kind == "good":
        rule = "peer" if baseline is None else "baseline"
        outcome.scores = [w.comparison.score for w in evidence.weighed if w.comparison.rule == rule]
    concerned = {ref, fault.warmed_ref if fault else None} | {
        finding.ref for finding in judgement.findings if finding.level == "act"
    }
    outcome.evidence = [
        f"{w.comparison.rule} {w.comparison.ref}: {w.level} {w.meaning} excess {w.comparison.excess_k:+.2f} "
        f"u {w.comparison.u_k:.2f} spread {w.comparison.spread_k:.2f} own {w.comparison.own_expected_k:.1f} "
        f"temp {w.comparison.temp_excess_k:+.2f} of {w.comparison.expected_k:.1f} score {w.comparison.score:.1f} "
        f"df {w.comparison.degrees:.0f} n {w.comparison.count} q {w.chance:.2g} {w.comparison.at_most_watch or ''}"
        for w in evidence.weighed
        if w.comparison.ref in concerned - {None}
    ]
    return outcome


def _compare(judgement: Judgement, fault: Fault | None, outcome: Outcome) -> None:
    findings = list(judgement.findings)
    if fault is None:
        mine = []
    elif fault.disc:
        near = [
            np.hypot(heat.x_mm - fault.disc.x_mm, heat.y_mm - fault.disc.y_mm) <= SAME_PLACE_MM
            for heat in judgement.unmapped
        ]
        mine = [finding for finding in findings if finding.rule == "unmapped"] if any(near) else []
    else:
        way = "cold" if fault.kind == "dead" else "hot"
        mine = [finding for finding in findings if finding.ref == fault.ref and finding.direction == way]
    outcome.found = any(finding.level == "act" for finding in mine)
    outcome.watched = bool(mine)
    others = [finding for finding in findings if finding not in mine]
    outcome.false_acts = [f"{f.ref} {f.rule} {f.direction} {f.excess_k:.1f}" for f in others if f.level == "act"]
    outcome.false_watches = [f"{f.ref} {f.rule} {f.direction}" for f in others if f.level == "watch"]
    if fault and fault.warmed_ref:
        about = [f for f in others if f.ref == fault.warmed_ref]
        outcome.innocent_act = any(f.level == "act" for f in about)
        outcome.innocent_watch = bool(about)
