"""Random plausible boards, what their parts draw, and what can go wrong with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from samples.simulator.shapes import Array, inside_polygon, polygon_area
from samples.simulator.solver import HeatDisc
from thermscan.layout.board import Board, Part, Surface

# True emissivities of the simulator's own world (long-wave, near the normal), with how far they vary.
SURFACES = {
    "plastic": Surface("plastic", 0.93, 0.02),
    "solder-mask": Surface("solder-mask", 0.91, 0.02),
    "ceramic": Surface("ceramic", 0.88, 0.03),
    "painted": Surface("painted", 0.93, 0.02),
    "metal": Surface("metal", 0.15, 0.08),
    "anodised": Surface("anodised", 0.82, 0.05),
}


@dataclass(frozen=True, slots=True)
class Kind:
    """A sort of part: body, surface, watts usual and their spread from one kind of board to another."""

    name: str
    package: str
    body_mm: tuple[float, float, float]  # length, width, height
    watts: tuple[float, float]
    surface: str = "plastic"
    prefix: str = "U"


CPU = Kind("8-bit CPU", "DIP-40", (52.2, 13.8, 4.0), (0.4, 1.1))
CERAMIC_CPU = Kind("16-bit CPU", "CERDIP-40", (52.0, 14.0, 4.5), (0.7, 1.4), "ceramic")
ROM = Kind("program ROM", "DIP-28", (36.8, 13.8, 4.0), (0.15, 0.4))
SRAM = Kind("static RAM", "DIP-16", (19.3, 6.35, 3.5), (0.15, 0.4))
DRAM = Kind("dynamic RAM", "DIP-18", (22.9, 6.35, 3.5), (0.12, 0.3))
LATCH = Kind("octal latch", "DIP-20", (26.2, 6.35, 3.5), (0.1, 0.3))
GATE = Kind("quad gate", "DIP-14", (19.05, 6.35, 3.5), (0.03, 0.12))
COUNTER = Kind("counter", "DIP-16", (19.3, 6.35, 3.5), (0.06, 0.2))
SO_GATE = Kind("gate", "SO-14", (8.65, 3.9, 1.5), (0.02, 0.1))
SO_DRIVER = Kind("driver", "SO-16W", (10.3, 7.5, 2.4), (0.08, 0.3))
QFP = Kind("controller", "QFP-64", (14.0, 14.0, 1.6), (0.3, 0.9))
PLCC = Kind("gate array", "PLCC-44", (16.6, 16.6, 4.0), (0.3, 0.9))
REGULATOR = Kind("5 V regulator", "TO-220", (15.0, 10.2, 4.5), (0.3, 0.9))
ELECTROLYTIC = Kind("electrolytic", "radial-10", (10.0, 10.0, 16.0), (0.0, 0.03), "painted", "C")
CRYSTAL = Kind("crystal", "HC-49", (11.0, 4.7, 3.6), (0.0, 0.005), "metal", "X")
CONNECTOR = Kind("connector", "header", (40.0, 9.0, 9.0), (0.0, 0.02), "plastic", "J")
NETWORK = Kind("resistor network", "SIP-9", (22.8, 2.5, 5.0), (0.02, 0.1), "plastic", "RN")
# The board's own mean rise, over the loss that both faces usually have.
USUAL_MEAN_RISE_K = (3.0, 12.0)
USUAL_LOSS_W_PER_M2K = 20.0
STYLES = {
    # kinds of groups with how many members; kinds that stand alone
    "through-hole": (
        ((SRAM, 4, 16), (LATCH, 3, 8), (GATE, 3, 10), (COUNTER, 3, 6), (DRAM, 8, 16), (ROM, 2, 4)),
        (CPU, CERAMIC_CPU, REGULATOR, ELECTROLYTIC, ELECTROLYTIC, CRYSTAL, CONNECTOR, NETWORK, ROM),
    ),
    "surface-mounted": (
        ((SO_GATE, 4, 14), (SO_DRIVER, 3, 8), (PLCC, 3, 4)),
        (QFP, REGULATOR, ELECTROLYTIC, CRYSTAL, CONNECTOR, PLCC),
    ),
}


@dataclass(frozen=True, slots=True)
class Fault:
    """
    What was done to the board.

    Attributes
    ----------
    kind : str
        ``hot``, ``dead``, ``unmapped`` or ``warmed`` (the culprit is ``ref``, the innocent ``warmed_ref``).
    """

    kind: str
    ref: str | None
    watts: float
    warmed_ref: str | None = None
    disc: HeatDisc | None = None


def sample_board(rng: np.random.Generator, *, style: str | None = None, parts: int | None = None) -> Board:
    """
    A random board of 60 to 250 mm with 15 to 120 parts, some with a corner cut away.

    Parameters
    ----------
    style : str, optional
        ``through-hole`` or ``surface-mounted``; default either, the first more often.
    parts : int, optional
        About how many; default random, as many as find room.
    """
    style = style or ("surface-mounted" if rng.random() < 0.25 else "through-hole")
    wanted = int(parts or rng.integers(15, 121))
    groups, singles = STYLES[style]
    kinds = _wish_list(rng, groups, singles, wanted)
    area = sum((kind.body_mm[0] + 4) * (kind.body_mm[1] + 4) for kind, _ in kinds)
    density = rng.uniform(0.3, 0.6)
    ratio = rng.uniform(1.0, 1.7)
    width = float(np.clip(np.sqrt(area / density * ratio), 60.0, 250.0).round(1))
    height = float(np.clip(width / ratio, 50.0, 200.0).round(1))
    outline = _outline(rng, width, height)
    placed = _place(rng, kinds, outline)
    return Board(
        name=f"random {style} board",
        revision="A",
        outline_mm=outline,
        thickness_mm=1.6,
        surface=SURFACES["solder-mask"],
        parts=tuple(placed),
    )


def _wish_list(rng: np.random.Generator, groups: tuple, singles: tuple, wanted: int) -> list[tuple[Kind, str | None]]:
    kinds: list[tuple[Kind, str | None]] = [(singles[0], None)]
    number = 0
    while len(kinds) < wanted:
        if rng.random() < 0.6:
            kind, least, most = groups[rng.integers(len(groups))]
            number += 1
            members = int(min(rng.integers(least, most + 1), max(wanted - len(kinds), least)))
            kinds += [(kind, f"{kind.name} {number}")] * members
        else:
            kinds += [(singles[rng.integers(len(singles))], None)] * int(rng.integers(1, 3))
    return kinds


def _outline(rng: np.random.Generator, width: float, height: float) -> Array:
    box = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    if rng.random() > 0.2:
        return box
    cut_x, cut_y = width * rng.uniform(0.12, 0.3), height * rng.uniform(0.12, 0.3)
    if rng.random() < 0.5:  # a corner cut off straight
        corner = np.array([[width - cut_x, 0.0], [width, cut_y]])
    else:  # a notch
        corner = np.array([[width - cut_x, 0.0], [width - cut_x, cut_y], [width, cut_y]])
    return np.vstack([box[:1], corner, box[2:]])


def _place(rng: np.random.Generator, kinds: list[tuple[Kind, str | None]], outline: Array) -> list[Part]:
    """Groups side by side in rows, on the 2.54 mm grid; what finds no room is left out."""
    placed: list[Part] = []
    counts: dict[str, int] = {}
    # Members of a group stand together: each new one is tried beside the last before anywhere else.
    last: Part | None = None
    rotation = 0.0
    for kind, group in kinds:
        fresh = last is None or group is None or last.group != group
        rotation = float(rng.choice([0.0, 90.0])) if fresh else rotation
        spots = _spots(rng, kind, rotation, None if fresh else last, outline)
        fits = (_try(kind, spot, group=group, rotation=rotation, outline=outline, placed=placed) for spot in spots)
        part = next((found for found in fits if found), None)
        if part is None:
            continue
        counts[kind.prefix] = counts.get(kind.prefix, 0) + 1
        last = replace(part, ref=f"{kind.prefix}{counts[kind.prefix]}")
        placed.append(last)
    return placed


def _spots(rng: np.random.Generator, kind: Kind, rotation: float, beside: Part | None, outline: Array) -> Array:
    spots = rng.uniform([0.0, 0.0], outline.max(axis=0), (150, 2))
    if beside is not None:
        across = kind.body_mm[1] + 1.5 + rng.choice([2.54, 5.08])
        along = kind.body_mm[0] + 1.5 + rng.choice([2.54, 5.08])
        steps = np.array([[0, across], [0, -across], [along, 0], [-along, 0]])
        if rotation == 90.0:
            steps = steps[:, ::-1]
        spots = np.vstack([np.array([beside.x_mm, beside.y_mm]) + steps, spots])
    gridded: Array = np.round(spots / 1.27) * 1.27
    return gridded


def _try(
    kind: Kind, spot: Array, *, group: str | None, rotation: float, outline: Array, placed: list[Part]
) -> Part | None:
    length, width, height = kind.body_mm
    part = Part(
        ref="?",
        length_mm=length,
        width_mm=width,
        x_mm=round(float(spot[0]), 2),
        y_mm=round(float(spot[1]), 2),
        rotation_deg=rotation,
        surface=SURFACES[kind.surface],
        kind=kind.name,
        package=kind.package,
        group=group,
        height_mm=height,
    )
    if not inside_polygon(part.corners_mm(-2.0), outline).all():
        return None
    half = _half_extent(part) + 1.2  # pads and a little room
    for other in placed:
        if np.all(np.abs([part.x_mm - other.x_mm, part.y_mm - other.y_mm]) < half + _half_extent(other)):
            return None
    return part


def _half_extent(part: Part) -> NDArray[np.float64]:
    half = np.array([part.length_mm, part.width_mm]) / 2
    return half[::-1] if part.rotation_deg == 90.0 else half


def sample_powers(rng: np.random.Generator, board: Board) -> dict[str, float]:
    """Watts of every part: one usual figure a group, with 3 to 8 % of natural spread among its members."""
    known = {kind.name: kind for groups, singles in STYLES.values() for kind in [*[g[0] for g in groups], *singles]}
    usual: dict[str, tuple[float, float]] = {}
    powers = {}
    for part in board.parts:
        low, high = known[part.kind or ""].watts
        key = part.group or part.ref
        if key not in usual:
            usual[key] = (float(rng.uniform(low, high)), float(rng.uniform(0.03, 0.08)))
        watts, spread = usual[key]
        powers[part.ref] = max(watts * (1 + spread * float(np.clip(rng.normal(), -2.5, 2.5))), 0.0)
    # Crowded boards would cook: the whole is brought to a mean rise that boards in use have.
    area_m2 = polygon_area(np.asarray(board.outline_mm)) * 1e-6
    factor = min(rng.uniform(*USUAL_MEAN_RISE_K) * USUAL_LOSS_W_PER_M2K * area_m2 / sum(powers.values()), 1.5)
    return {ref: watts * factor for ref, watts in powers.items()}


def inject_fault(
    rng: np.random.Generator,
    board: Board,
    powers_w: Mapping[str, float],
    kind: str,
    *,
    watts: float = 0.3,
) -> tuple[dict[str, float], Fault]:
    """
    A fault put into a board: new powers, and what was done.

    Parameters
    ----------
    kind : str
        ``hot`` (one part draws ``watts`` more), ``dead`` (a member of a group draws nothing), ``unmapped``
        (``watts`` where no part is) or ``warmed`` (a regulator, or a part beside a member of a group,
        draws ``watts`` more: the member is innocent).
    """
    powers = dict(powers_w)
    matt = [part for part in board.parts if part.surface.emissivity > 0.5 and part.ref[0] == "U"]
    members = [part for part in matt if part.group] or matt
    if kind == "hot":
        part = matt[rng.integers(len(matt))]
        powers[part.ref] += watts
        return powers, Fault("hot", part.ref, watts)
    if kind == "dead":
        part = members[rng.integers(len(members))]
        lost, powers[part.ref] = powers[part.ref], 0.0
        return powers, Fault("dead", part.ref, -lost)
    if kind == "unmapped":
        spot = _bare_spot(rng, board)
        return powers, Fault("unmapped", None, watts, disc=HeatDisc(*spot, 2.0, watts))
    if kind == "warmed":
        innocent = members[rng.integers(len(members))]
        others = [part for part in matt if part.group != innocent.group or part.group is None]
        near = min(others, key=lambda part: np.hypot(part.x_mm - innocent.x_mm, part.y_mm - innocent.y_mm))
        powers[near.ref] += watts
        return powers, Fault("warmed", near.ref, watts, warmed_ref=innocent.ref)
    raise ValueError(f"no such fault: {kind}")


def _bare_spot(rng: np.random.Generator, board: Board) -> tuple[float, float]:
    """A place of bare board, as far from bodies as a few tries find."""
    outline = np.asarray(board.outline_mm)
    spots = rng.uniform([6.0, 6.0], outline.max(axis=0) - 6.0, (200, 2))
    spots = spots[inside_polygon(spots, outline)]
    room = np.full(len(spots), np.inf)
    for part in board.parts:
        along = np.abs(part.body_from_board(spots)) - [part.length_mm / 2, part.width_mm / 2]
        room = np.minimum(room, np.hypot(*np.maximum(along, 0.0).T))
    best = spots[np.argmax(np.minimum(room, 8.0))]
    return float(best[0]), float(best[1])
