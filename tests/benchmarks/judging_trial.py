"""One simulated board with one fault after another put before the judge, with and without known-good runs."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from judging_looks import Look, Options, World, break_board, draw_look, draw_world, specimen

from samples.simulator import BoardField, Fault, sample_board, sample_powers
from thermscan.errors import InputError
from thermscan.judge.baseline import Baseline
from thermscan.judge.finding import Judgement
from thermscan.judge.heat_seen import View, see_heat
from thermscan.judge.judging import Evidence, judge_heat
from thermscan.judge.learning import learn_baseline
from thermscan.layout.board import Board

SAME_PLACE_MM = 12.0
# Good and dead boards have no size of fault.
SIZELESS = ("good", "dead")
SIZED = ("hot", "warmed", "unmapped")


@dataclass(slots=True)
class Outcome:
    """What one judgement tells; plain values, so that it travels between processes."""

    number: int
    kind: str
    with_baseline: bool
    fault_ref: str | None
    fault_k: float
    fault_w: float = 0.0
    grouped: bool = False
    measurable: bool = False
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
    # Stated probability of being at fault, and whether it is, part by part.
    suspicion: list[tuple[float, bool]] = field(default_factory=list)
    evidence: list[str] = field(default_factory=list)


def run_trial(number: int, options: Options) -> list[Outcome]:
    """Every kind and size of fault on one board, judged with and without a baseline."""
    rng = np.random.default_rng([options.seed, number])
    board = sample_board(rng, parts=options.parts)
    usual_w = sample_powers(rng, board)
    world = draw_world(rng, options)
    outcomes: list[Outcome] = []
    baseline = _learn(rng, board, usual_w, world, options)
    for place, kind in enumerate(SIZELESS + SIZED):
        for fault_k in options.fault_k if kind in SIZED else (0.0,):
            # The same board, fault and camera for every size, whichever sizes are asked for.
            case = np.random.default_rng([options.seed, number, place])
            look, thermal, fault = _case(case, board, usual_w, world, options, kind=kind, fault_k=fault_k)
            outcomes += _judge(number, look, thermal, kind=kind, fault=fault, baseline=baseline, fault_k=fault_k)
    return outcomes


def _case(
    rng: np.random.Generator,
    board: Board,
    usual_w: dict[str, float],
    world: World,
    options: Options,
    *,
    kind: str,
    fault_k: float,
) -> tuple[Look, BoardField, Fault | None]:
    ambient_c = world.ambient_c + float(rng.uniform(-5.0, 5.0)) + options.other_ambient_k
    load = float(rng.uniform(*options.load))
    watts = {ref: load * w for ref, w in specimen(rng, usual_w).items()}
    faulty_w, fault = break_board(rng, board, watts, kind, world=world, ambient_c=ambient_c, fault_k=fault_k)
    thermal = world.solve(board, faulty_w, ambient_c, fault)
    supply_w = sum(faulty_w.values()) + (fault.watts if fault and fault.disc else 0.0)
    look = draw_look(rng, board, thermal, options, supply_w=supply_w, name="test", shape=options.shape)
    return look, thermal, fault


def _learn(
    rng: np.random.Generator, board: Board, usual_w: dict[str, float], world: World, options: Options
) -> Baseline | None:
    looks = []
    for number in range(options.good_runs):
        ambient_c = world.ambient_c + float(rng.uniform(-5.0, 5.0))
        load = float(rng.uniform(0.9, 1.1))
        watts = {ref: load * w for ref, w in specimen(rng, usual_w).items()}
        thermal = world.solve(board, watts, ambient_c, None)
        shape = options.good_shape or options.shape
        name, supply_w = f"good-{number}", sum(watts.values())
        looks.append(draw_look(rng, board, thermal, options, supply_w=supply_w, name=name, shape=shape))
    try:
        return learn_baseline(looks) if looks else None
    except InputError:
        return None  # too coarse a camera for this board: nothing is measurable


def _judge(
    number: int,
    look: Look,
    thermal: BoardField,
    *,
    kind: str,
    fault: Fault | None,
    baseline: Baseline | None,
    fault_k: float,
) -> list[Outcome]:
    view = View(look.rectified.mm_per_px, look.registration, look.noise_k, look.band_um)
    heat = see_heat(look.measurements, look.rectified, look.board, look.run, view=view)
    outcomes = []
    for known in (None, baseline) if baseline is not None else (None,):
        judgement, evidence = judge_heat(heat, look.measurements, look.board, look.run, baseline=known)
        outcome = _begun(number, look, kind=kind, fault=fault, fault_k=fault_k, with_baseline=known is not None)
        _compare(judgement, fault, outcome)
        _note_evidence(judgement, evidence, outcome, thermal=thermal, fault=fault)
        outcomes.append(outcome)
    return outcomes


def _begun(number: int, look: Look, *, kind: str, fault: Fault | None, fault_k: float, with_baseline: bool) -> Outcome:
    ref = fault.ref if fault else None
    measured = {m.part.ref: m for m in look.measurements}
    part = look.board.part(ref) if ref else None
    peers = [p.ref for p in look.board.parts if part and p.group == part.group and p.group and p.ref != ref]
    usable = [p for p in peers if measured[p].measurable]
    return Outcome(
        number,
        kind,
        with_baseline,
        ref,
        fault_k,
        fault_w=fault.watts if fault else 0.0,
        grouped=len(usable) >= 2,
        measurable=bool(ref and measured[ref].measurable),
        peers_rise_k=float(np.mean([measured[p].rise_k for p in usable])) if usable else 0.0,
    )


def _note_evidence(
    judgement: Judgement, evidence: Evidence, outcome: Outcome, *, thermal: BoardField, fault: Fault | None
) -> None:
    for heat in evidence.split.parts if evidence.split is not None else ():
        true_w = thermal.powers_w.get(heat.ref)
        if true_w is not None and true_w > 0.3 and heat.power_w is not None:
            outcome.power_error.append(heat.power_w / true_w - 1)
            outcome.power_z.append((heat.power_w - true_w) / heat.u_power_w)
    if outcome.kind == "good":
        rule = "baseline" if outcome.with_baseline else "peer"
        outcome.scores = [w.comparison.score for w in evidence.weighed if w.comparison.rule == rule]
    outcome.suspicion = [
        (round(each.suspicion, 5), each.measurement.part.ref == outcome.fault_ref)
        for each in judgement.parts
        if each.suspicion is not None
    ]
    concerned = {outcome.fault_ref, fault.warmed_ref if fault else None} | {
        finding.ref for finding in judgement.findings
    }
    outcome.evidence = [
        f"{w.comparison.rule} {w.comparison.ref}: {w.level} {w.meaning} excess {w.comparison.excess_k:+.2f} "
        f"u {w.comparison.u_k:.2f} spread {w.comparison.spread_k:.2f} own {w.comparison.own_expected_k:.1f} "
        f"temp {w.comparison.temp_excess_k:+.2f} of {w.comparison.expected_k:.1f} score {w.comparison.score:.1f} "
        f"df {w.comparison.effective_degrees:.0f} n {w.comparison.count} p {w.comparison.p_value:.2g} "
        f"q {w.chance:.2g} {w.comparison.at_most_watch or ''}"
        for w in evidence.weighed
        if w.comparison.ref in concerned - {None}
    ]
    outcome.evidence += [f.text for f in judgement.findings if f.ref is None]


def _compare(judgement: Judgement, fault: Fault | None, outcome: Outcome) -> None:
    findings = list(judgement.findings)
    if fault is None:
        mine = []
    elif fault.disc:
        near = [
            np.hypot(heat.x_mm - fault.disc.x_mm, heat.y_mm - fault.disc.y_mm) <= SAME_PLACE_MM
            for heat in judgement.unmapped
        ]
        # Findings of unmapped heat come in the order of their places, but are sorted among the others.
        unmapped = [finding for finding in findings if finding.rule == "unmapped"]
        mine = [finding for finding in unmapped if _there(finding.text, judgement, near)]
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


def _there(text: str, judgement: Judgement, near: list[bool]) -> bool:
    """Whether a finding of unmapped heat is about one of the places that are near."""
    return any(
        f"at x {place.x_mm:.0f} mm, y {place.y_mm:.0f} mm" in text
        for place, is_near in zip(judgement.unmapped, near, strict=True)
        if is_near
    )
