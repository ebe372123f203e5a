"""
A type of board as it is and as its layout tells it, units of it, and what happens to one of them.

The worlds go beyond what the analysis assumes: copper planes that end, parts on sockets and under sinks of which
the layout says nothing, a loss that grows with the rise, a load that not all parts share alike.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from samples.simulator import BoardField, Fault, inject_fault, sample_board, sample_powers, solve_board, solver
from samples.simulator.boards import SURFACES
from thermscan.layout.board import Board, Part

Array = NDArray[np.float64]
Watts = dict[str, float]

# Good units of one type differ by these shares of a part's watts, and a unit from look to look by these.
UNIT_SHARE, LOOK_SHARE = (0.05, 0.12), (0.02, 0.04)
# Deviations beyond this are sorted out in production.
MOST_DEVIATIONS = 2.5
LOAD, GOOD_LOAD = (0.7, 1.3), (0.85, 1.15)
AMBIENT_K = 6.0
# How far a fault's own rise stands out of what good units differ by; drawn evenly in its logarithm.
HOT_Z, BARE_RISE_K, WARMING_K = (1.5, 40.0), (2.0, 25.0), (5.0, 25.0)
# Above the board: a socket under a part, a sink or a can on it (millimetres).
SOCKET_MM, SINK_MM = (3.5, 5.5), (10.0, 25.0)
TRIED_W = 0.1
# A lone board's faults: so many times the typical watts; dead, of parts that draw so much.
TRIPLED, DEAD_W = 3.0, 0.3


@dataclass(frozen=True, slots=True, eq=False)
class BoardType:
    """One type of board: as it is, as told, how it conducts and cools, and what a usual unit draws."""

    true: Board
    told: Board
    usual_w: Watts
    # By ref: shares of watts by which units and looks differ, and how far a part follows the load.
    unit_share: dict[str, float]
    look_share: dict[str, float]
    follows: dict[str, float]
    emissivity: dict[str, float]
    sheet: Callable[[Array], Array]
    loss_w_per_m2k: float | None
    joint_factors: dict[str, float]
    ambient_c: float
    facts: dict[str, object]

    def solve(self, watts: Mapping[str, float], ambient_c: float, fault: Fault | None = None) -> BoardField:
        """Temperatures by finite elements."""
        with _joints(self.joint_factors):
            return solve_board(
                self.true,
                watts,
                ambient_c=ambient_c,
                sheet_w_per_k=self.sheet,
                loss_w_per_m2k=self.loss_w_per_m2k,
                extra_heat=[fault.disc] if fault and fault.disc else [],
            )


def draw_type(rng: np.random.Generator, *, parts: int | None = None) -> BoardType:
    """A type of board that nobody has seen."""
    drawn = sample_board(rng, parts=parts)
    usual_w = sample_powers(rng, drawn)
    usual_w = _alike_in_groups(drawn, usual_w)
    true, facts = _as_built(rng, drawn)
    by_group = {part.group or part.ref: float(rng.uniform(*UNIT_SHARE)) for part in drawn.parts}
    sheet, copper = _sheet(rng, true)
    loss = None if rng.random() < 0.5 else float(rng.uniform(14.0, 26.0))
    return BoardType(
        true=true,
        told=_as_told(rng, drawn, facts),
        usual_w=usual_w,
        unit_share={part.ref: by_group[part.group or part.ref] for part in drawn.parts},
        look_share={part.ref: float(rng.uniform(*LOOK_SHARE)) for part in drawn.parts},
        follows={part.ref: float(rng.uniform(0.8, 1.1)) for part in drawn.parts},
        emissivity=_emissivities(rng, true),
        sheet=sheet,
        loss_w_per_m2k=loss,
        joint_factors={name: float(np.exp(rng.normal(0.0, 0.3))) for name in solver.BODY_TO_BOARD_K_M2_PER_W},
        ambient_c=float(rng.uniform(18.0, 28.0)),
        facts={**facts, "copper": copper, "loss": loss, "parts": len(drawn.parts), "corners": len(drawn.outline_mm)},
    )


def draw_unit(rng: np.random.Generator, kind: BoardType) -> Watts:
    """What another good unit draws."""
    return {ref: max(w * (1 + kind.unit_share[ref] * _normal(rng)), 0.0) for ref, w in kind.usual_w.items()}


def draw_duty(rng: np.random.Generator, kind: BoardType, unit_w: Watts, load: float) -> Watts:
    """What a unit draws in one look, under a load."""
    return {
        ref: max(w * (1 + kind.look_share[ref] * _normal(rng)) * (1 + kind.follows[ref] * (load - 1)), 0.0)
        for ref, w in unit_w.items()
    }


@dataclass(frozen=True, slots=True)
class Broken:
    """A fault, what the board then draws, and how far it stands out of what good boards differ by."""

    fault: Fault
    watts: Watts
    own_rise_k: float
    usual_own_k: float
    z: float | None
    z_same_unit: float | None


def break_board(rng: np.random.Generator, kind: BoardType, watts: Watts, *, what: str, ambient_c: float) -> Broken:
    """A fault of a drawn size; ``what`` as in `samples.simulator.inject_fault`."""
    state = rng.bit_generator.state
    tried_w, fault = inject_fault(rng, kind.true, watts, what, watts=TRIED_W)
    before = kind.solve(watts, ambient_c)
    if fault.disc:
        spot = np.array([[fault.disc.x_mm, fault.disc.y_mm]])
        gained = float(kind.solve(tried_w, ambient_c, fault).board_c(spot)[0] - before.board_c(spot)[0])
        wanted = _log_uniform(rng, BARE_RISE_K)
        rng.bit_generator.state = state
        powers, fault = inject_fault(rng, kind.true, watts, what, watts=TRIED_W * wanted / gained)
        return Broken(fault, powers, wanted, 0.0, None, None)
    ref = fault.ref or ""
    more_w = {**watts, ref: watts[ref] + TRIED_W}
    per_w = (kind.solve(more_w, ambient_c).body_c[ref] - before.body_c[ref]) / TRIED_W
    own_k = per_w * kind.usual_w[ref]
    units_k = own_k * float(np.hypot(kind.unit_share[ref], kind.look_share[ref]))
    looks_k = own_k * kind.look_share[ref] * 2**0.5
    if what == "dead":
        wanted = -per_w * watts[ref]
        return Broken(fault, tried_w, wanted, own_k, -wanted / units_k, -wanted / looks_k)
    wanted = _log_uniform(rng, WARMING_K) if what == "warmed" else _log_uniform(rng, HOT_Z) * units_k
    rng.bit_generator.state = state
    powers, fault = inject_fault(rng, kind.true, watts, what, watts=wanted / per_w)
    return Broken(fault, powers, wanted, own_k, wanted / units_k, wanted / looks_k)


def break_alone(
    rng: np.random.Generator, kind: BoardType, watts: Watts, typical_w: Watts, *, dead: bool, ambient_c: float
) -> Broken:
    """A part at three times what its data sheet calls typical; or a dead one, of those that usually draw `DEAD_W`."""
    matt = [part.ref for part in kind.true.parts if part.surface.emissivity > 0.5 and part.ref[0] == "U"]
    strong = [ref for ref in matt if watts[ref] >= DEAD_W] or [max(matt, key=lambda each: watts[each])]
    ref = str(rng.choice(strong if dead else matt))
    now_w = 0.0 if dead else max(TRIPLED * typical_w[ref], watts[ref])
    powers = {**watts, ref: now_w}
    own_k = kind.solve(powers, ambient_c).body_c[ref] - kind.solve(watts, ambient_c).body_c[ref]
    what = "dead" if dead else "hot"
    return Broken(Fault(what, ref, now_w - watts[ref]), powers, float(own_k), 0.0, None, None)


def _alike_in_groups(board: Board, watts: Watts) -> Watts:
    """The same usual watts for all of a group: what makes members differ is the unit."""
    usual: dict[str, float] = {}
    for part in board.parts:
        usual.setdefault(part.group or part.ref, watts[part.ref])
    return {part.ref: usual[part.group or part.ref] for part in board.parts}


def _as_built(rng: np.random.Generator, board: Board) -> tuple[Board, dict[str, object]]:
    """Sockets, sinks and tall cans put on."""
    sockets = rng.random() < 0.5
    socket_mm = float(rng.uniform(*SOCKET_MM))
    parts, sinks = [], []
    for part in board.parts:
        height = part.height_mm or 0.0
        socketed = sockets and (part.package or "").startswith(("DIP", "CERDIP", "PLCC")) and rng.random() < 0.8
        sink = (part.package or "").startswith("TO-") or ("CPU" in (part.kind or "") and rng.random() < 0.2)
        if socketed:
            height += socket_mm
        surface = part.surface
        if sink and rng.random() < 0.6:
            height += float(rng.uniform(*SINK_MM))
            surface = SURFACES["anodised"]
            sinks.append(part.ref)
        if part.ref.startswith("C"):
            height = float(rng.uniform(11.0, 25.0))
        parts.append(replace(part, height_mm=height, surface=surface))
    return replace(board, parts=tuple(parts)), {"sockets": sockets, "sinks": sinks}


def _as_told(rng: np.random.Generator, board: Board, facts: dict[str, object]) -> Board:
    """The layout as its user drew it: places a little off, no heights, packages named on half of the boards."""
    off_mm = float(rng.choice([0.0, 0.2]))
    packages = bool(rng.random() < 0.5)
    facts |= {"layout_off_mm": off_mm, "packages": packages}

    def told(part: Part) -> Part:
        dx, dy = rng.normal(0.0, off_mm, 2).round(2)
        package = part.package if packages else None
        return replace(part, x_mm=part.x_mm + dx, y_mm=part.y_mm + dy, height_mm=None, package=package)

    return replace(board, parts=tuple(told(part) for part in board.parts))


def _emissivities(rng: np.random.Generator, board: Board) -> dict[str, float]:
    """By ref, the bare board under the empty name: half its surface's deviation, half the type's own."""
    common = {part.surface.name: rng.normal() for part in board.parts}
    kinds = {part.kind: rng.normal() for part in board.parts}
    drawn = {"": board.surface.emissivity + board.surface.u_emissivity * rng.normal()}
    for part in board.parts:
        deviation = np.sqrt(0.4) * common[part.surface.name] + np.sqrt(0.4) * kinds[part.kind]
        deviation += np.sqrt(0.2) * rng.normal()
        drawn[part.ref] = part.surface.emissivity + part.surface.u_emissivity * deviation
    return {ref: float(np.clip(value, 0.02, 0.99)) for ref, value in drawn.items()}


def _sheet(rng: np.random.Generator, board: Board) -> tuple[Callable[[Array], Array], str]:
    """Conductivity times thickness: smooth, or with planes that end, or with a slot that hardly conducts."""
    mean = float(rng.uniform(8e-3, 3e-2))
    size = np.array([board.width_mm, board.height_mm])
    copper = str(rng.choice(["smooth", "planes", "slot"]))
    waves = [(rng.normal(0, 2 * np.pi / 60, 2), rng.uniform(0, 2 * np.pi)) for _ in range(5)]
    edge, normal = rng.uniform(0.2, 0.8, 2) * size, rng.normal(size=2)
    normal /= np.hypot(*normal)
    middle, radius = rng.uniform(0.1, 0.9, 2) * size, rng.uniform(0.15, 0.3) * size.min()

    def sheet(points_mm: Array) -> Array:
        across = (points_mm - edge) @ normal
        if copper == "planes":
            within = (across > 0) | (np.hypot(*(points_mm - middle).T) < radius)
            return np.asarray(mean * np.where(within, 1.6, 0.5))
        if copper == "slot":
            return np.asarray(mean * np.where(np.abs(across) < 2.0, 0.15, 1.0))
        pattern = sum(np.cos(points_mm @ k + phase) for k, phase in waves) * np.sqrt(2 / 5)
        return np.asarray(mean * np.exp(0.2 * pattern))

    return sheet, copper


@contextmanager
def _joints(factors: Mapping[str, float]) -> Iterator[None]:
    """How well bodies are joined to this board, for as long as it is solved."""
    usual = dict(solver.BODY_TO_BOARD_K_M2_PER_W)
    solver.BODY_TO_BOARD_K_M2_PER_W.update({name: usual[name] * factor for name, factor in factors.items()})
    try:
        yield
    finally:
        solver.BODY_TO_BOARD_K_M2_PER_W.update(usual)


def _normal(rng: np.random.Generator) -> float:
    return float(np.clip(rng.normal(), -MOST_DEVIATIONS, MOST_DEVIATIONS))


def _log_uniform(rng: np.random.Generator, bounds: tuple[float, float]) -> float:
    return float(np.exp(rng.uniform(*np.log(bounds))))
