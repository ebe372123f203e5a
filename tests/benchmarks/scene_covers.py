"""
Scenes with something over the board, in three dimensions, and controls that only look so; written as a user's files.

Covers stand at heights of their own, so that a slanted view displaces them against what they hide. They hide heat and
take none, but what lies on the board is warmed by it and a finger warms what it touches. Controls have lids, sinks with
fins, planes that emit otherwise, mirrored lamps and dead parts; the scenes with covers have them too.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from samples.simulator import write_tiff
from tests.benchmarks.scene_boards import TrueBoard, true_board
from tests.benchmarks.scenes import FINE, RASTER_MM, SHAPES, Lens3, Temps, _fill, _paint, _top_area, pose_at
from thermscan.layout.writing import write_board

FloatArray = NDArray[np.float64]
Fine = NDArray[np.float32]

KINDS = ("cable", "warm cable", "wires", "ribbon", "fingers", "hand", "clip", "label", "film")
# What a cover scene is meant to show: a part that it hides by so much.
HIDDEN = 0.2


@dataclass(frozen=True)
class CoverScene:
    """
    One frame with its truth: which share of each part's top a cover, and which share other parts, hide.

    ``tops_c`` is what each top would show through perfect optics with nothing over it, but for the sensor's own errors;
    ``change_k`` how much the cover changes that where it lies over it, at the median (0 where none does).
    """

    frame_c: FloatArray
    truth: TrueBoard
    lens: Lens3
    tilt_deg: float
    ambient_c: float
    kind: str
    covered: FloatArray
    behind: FloatArray
    tops_c: FloatArray
    change_k: FloatArray
    cover_share: NDArray[np.float32]  # of each of the frame's pixels


@dataclass(frozen=True)
class _Piece:
    """A strip in the air, or a sheet: its outlines in the frame, its rise, and what it lets through."""

    outlines_px: list[FloatArray]
    rise_k: float
    through: float = 0.0
    follows: float = 0.0  # how far it takes on the temperature of what it lies on


def cover_scene(
    seed: int, *, cols: int, kind: str, heights: str = "unstated", parts: int | None = None, bent: bool = True
) -> CoverScene:
    """A view by its number; ``kind``: one of `KINDS`, or "none" for a control; ``bent``: by a lens that may bend."""
    rng = np.random.default_rng([seed, cols, 901])
    truth = true_board(rng, heights=heights, parts=parts)
    shape = SHAPES[cols]
    bend = float(rng.uniform(0.005, 0.02) * rng.choice([-1, -1, 1])) if rng.random() < 0.4 else 0.0
    lens, tilt = pose_at(rng, truth, shape, bend if bent else 0.0, 50.0)
    temps = Temps(rng, truth, cool=bool(rng.random() < 0.35))
    _planes(rng, temps)
    fine, owner = _paint(rng, truth, lens, temps)
    _dress(rng, fine, owner, truth, lens)
    whole = np.array([_top_area(lens, part) for part in truth.parts])

    def shares(of: NDArray[np.int16]) -> FloatArray:
        return np.bincount(of[of >= 0], minlength=len(whole)) / np.maximum(whole, 1)

    clear = shares(owner)
    shown = owner >= 0
    sums = np.bincount(owner[shown], weights=fine[shown], minlength=len(whole))
    tops = sums / np.maximum(np.bincount(owner[shown], minlength=len(whole)), 1)
    hidden, before = np.zeros(owner.shape, bool), fine.copy()
    if kind != "none":
        for _ in range(30):
            pieces = _pieces(rng, kind, truth, lens, temps)
            hidden = _drawn(pieces, owner.shape)
            if (clear - shares(np.where(hidden, -1, owner)) > HIDDEN).any():
                break
        _lay(rng, fine, pieces, warm=kind == "fingers", scale=_scale(lens, truth))
    covered = np.clip(clear - shares(np.where(hidden, -1, owner)), 0, 1)
    changes = [np.abs(fine - before)[hidden & (owner == k)] for k in range(len(whole))]
    change_k = np.array([float(np.median(each)) if len(each) else 0.0 for each in changes])
    ambient = float(rng.uniform(17.0, 28.0))
    frame = _seen(rng, fine, shape) + ambient
    part_of_px = cv2.resize(hidden.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)
    return CoverScene(
        frame, truth, lens, tilt, ambient, kind, covered, np.clip(1 - clear, 0, 1), tops + ambient,
        change_k,
        np.asarray(part_of_px),
    )  # fmt: skip


def write_files(view: CoverScene, folder: Path) -> Path:
    """Frame, layout and run file, as a user has them: no corners, no camera, heights as the layout states them."""
    folder.mkdir(parents=True, exist_ok=True)
    write_tiff(folder / "frame.tiff", [view.frame_c], unit="cK")
    write_board(view.truth.layout, folder / "board.toml")
    run = folder / "run.toml"
    run.write_text(
        f'layout = "board.toml"\nframes = ["frame.tiff"]\nambient_c = {view.ambient_c:.1f}\nminutes_on = 30\n',
        encoding="utf-8",
    )
    return run


def _seen(rng: np.random.Generator, fine: Fine, shape: tuple[int, int]) -> FloatArray:
    """Through the optics and by a sensor of its own errors."""
    netd, blur = float(rng.uniform(0.03, 0.09)), float(rng.uniform(0.4, 0.85))
    blurred = cv2.GaussianBlur(fine, (0, 0), blur * FINE)
    frame = cv2.resize(blurred, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float64)
    frame += rng.normal(0, netd, shape) + rng.normal(0, rng.uniform(0, 0.6) * netd, (shape[0], 1))
    frame += rng.normal(0, rng.uniform(0, 0.6) * netd, (1, shape[1]))
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    return np.asarray(frame + rng.uniform(-0.4, 0.4) * (x**2 + y**2) + rng.normal(0, 1))


def _planes(rng: np.random.Generator, temps: Temps) -> None:
    """Copper under thin mask, or printing: a straight-sided area of the bare board that emits less, or more."""
    rows, cols = temps.board.shape
    for _ in range(int(rng.integers(0, 3))):
        size = rng.uniform(20, 80, 2) / RASTER_MM
        at = rng.uniform([0, 0], [rows, cols])
        low, high = np.clip(at, 0, [rows, cols]).astype(int), np.clip(at + size, 0, [rows, cols]).astype(int)
        temps.board[low[0] : high[0], low[1] : high[1]] *= rng.uniform(0.55, 1.1)


def _dress(rng: np.random.Generator, fine: Fine, owner: NDArray[np.int16], truth: TrueBoard, lens: Lens3) -> None:
    """Lids, tabs, fins and a mirrored lamp."""
    for k, part in enumerate(truth.parts):
        top, own = lens.px(part.corners_mm(), part.height_mm or 0.0), owner == k
        middle = top.mean(axis=0)
        canvas = np.zeros(fine.shape, np.uint8)
        if min(part.length_mm, part.width_mm) > 6 and rng.random() < 0.08:  # a metal lid in the middle
            _fill(canvas, middle + (top - middle) * rng.uniform(0.4, 0.8), 1)
            fine[own & (canvas > 0)] *= rng.uniform(0.15, 0.5)
        elif (part.package or "").startswith("TO-220") and rng.random() < 0.5:  # its bare tab, one side of the body
            a, b, c, d = top
            _fill(canvas, np.array([a, a + 0.4 * (b - a), d + 0.4 * (c - d), d]), 1)
            fine[own & (canvas > 0)] *= rng.uniform(0.15, 0.5)
        elif (
            (part.height_mm or 0) > 12 and part.length_mm > 15 and rng.random() < 0.6
        ):  # fins, and gaps that are warmer
            a, b, c, d = top
            for first in np.arange(0.05, 1.0, 0.14):
                ends = [(a + q * (d - a), b + q * (c - b)) for q in (first, first + 0.06)]
                _fill(canvas, np.array([*ends[0], *ends[1][::-1]]), 1)
            fine[own & (canvas > 0)] *= rng.uniform(1.05, 1.25)
    if rng.random() < 0.3:
        box = lens.px(truth.outline_mm)
        at = rng.uniform(box.min(axis=0), box.max(axis=0)) * FINE
        size = rng.uniform(0.04, 0.14, 2) * fine.shape[1]
        y, x = np.indices(fine.shape, dtype=np.float32)
        away = ((x - at[0]) / size[0]) ** 2 + ((y - at[1]) / size[1]) ** 2
        fine += np.float32(rng.uniform(0.3, 2.0)) * np.exp(-0.5 * away)


def _pieces(rng: np.random.Generator, kind: str, truth: TrueBoard, lens: Lens3, temps: Temps) -> list[_Piece]:
    """What lies over the board, anew at each call."""
    size = truth.outline_mm.max(axis=0)
    spot, side = rng.uniform(0.1, 0.9, 2) * size, rng.uniform(0, 2 * np.pi)
    way = np.array([np.cos(side), np.sin(side)])
    make = {"hand": _hand, "fingers": _fingers, "clip": _clip, "ribbon": _ribbon, "label": _sheet, "film": _sheet}
    return make.get(kind, _cables)(rng, _Place(kind, spot, way, size, lens, temps))


@dataclass(frozen=True)
class _Place:
    kind: str
    spot: FloatArray
    way: FloatArray
    size: FloatArray
    lens: Lens3
    temps: Temps

    def strip(self, rng: np.random.Generator, start: FloatArray, end: FloatArray, **how: float) -> list[FloatArray]:
        return _strip(rng, self.lens, start, end, **how)


def _cables(rng: np.random.Generator, at: _Place) -> list[_Piece]:
    """In over the outline; over the whole board, or to a place on it."""
    pieces = []
    for _ in range(int(rng.integers(2, 6) if at.kind == "wires" else rng.integers(1, 3))):
        spot = rng.uniform(0.1, 0.9, 2) * at.size
        far = spot + at.way * (np.hypot(*at.size) + 60) + rng.normal(0, 25, 2)
        start = spot if rng.random() < 0.4 else 2 * spot - far
        width = rng.uniform(0.9, 1.5) if at.kind == "wires" else rng.uniform(3, 7)
        warmer = rng.uniform(1.5, 8.0) if at.kind == "warm cable" else rng.uniform(-0.3, 1.5)
        strip = at.strip(rng, start, far, width_mm=width, z_mm=rng.uniform(4, 30))
        pieces.append(_Piece(strip, at.temps.bench + warmer))
    return pieces


def _ribbon(rng: np.random.Generator, at: _Place) -> list[_Piece]:
    """Both ends on the board."""
    end = np.clip(at.spot + at.way * rng.uniform(35, 110), 4, at.size - 4)
    warm = rng.uniform(0.0, 0.6) * float(np.median(at.temps.board))
    return [_Piece(at.strip(rng, at.spot, end, width_mm=rng.uniform(8, 25), z_mm=rng.uniform(5, 20)), warm)]


def _fingers(rng: np.random.Generator, at: _Place) -> list[_Piece]:
    across, pieces = np.array([-at.way[1], at.way[0]]), []
    for k in range(int(rng.integers(1, 4))):
        tip = at.spot + across * 17 * k + at.way * rng.normal(0, 6)
        high = rng.uniform(8, 30)
        strip = at.strip(rng, tip, tip + at.way * 220, width_mm=rng.uniform(14, 18), z_mm=high, bow=0.0)
        pieces.append(_Piece(strip, at.temps.hand + rng.normal(0, 0.4)))
    return pieces


def _hand(rng: np.random.Generator, at: _Place) -> list[_Piece]:
    """A palm over about a quarter of the board."""
    turn = np.linspace(0, 2 * np.pi, 41)
    grown = np.sqrt(np.prod(at.size)) * rng.uniform(0.22, 0.34)
    palm = at.spot + grown * np.column_stack([np.cos(turn), 0.8 * np.sin(turn)])
    wrist = at.strip(rng, at.spot, at.spot + at.way * 300, width_mm=1.1 * grown, z_mm=60.0, bow=0.0)
    return [_Piece([at.lens.px(palm, 50.0), *wrist], at.temps.hand)]


def _clip(rng: np.random.Generator, at: _Place) -> list[_Piece]:
    """A test clip's jaw, on half of them with its lead."""
    bench = at.temps.bench
    tail, wide, high = at.spot + at.way * rng.uniform(20, 40), rng.uniform(6, 10), rng.uniform(4, 12)
    jaw = at.strip(rng, at.spot, tail, width_mm=wide, z_mm=high, bow=0.0)
    pieces = [_Piece(jaw, bench + rng.uniform(-0.2, 0.8))]
    if rng.random() < 0.5:
        lead = at.strip(rng, tail, tail + at.way * (np.hypot(*at.size) + 60), width_mm=3.0, z_mm=25.0)
        pieces.append(_Piece(lead, bench + rng.uniform(-0.2, 1.0)))
    return pieces


def _sheet(rng: np.random.Generator, at: _Place) -> list[_Piece]:
    """A label, as warm as what it lies on nearly is; or a film that lets heat radiation through."""
    corner, turn = rng.uniform([14, 8], [55, 40]) / 2, rng.choice([0.0, rng.uniform(-0.5, 0.5)])
    rotate = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    quad = at.spot + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * corner @ rotate.T
    if at.kind == "label":
        return [_Piece([at.lens.px(quad, rng.uniform(0.5, 6.0))], 0.0, follows=rng.uniform(0.6, 0.95))]
    warm = float(rng.uniform(0.0, 0.5) * np.median(at.temps.board))
    return [_Piece([at.lens.px(quad, rng.uniform(1.0, 10.0))], warm, through=rng.uniform(0.3, 0.65))]


def _strip(
    rng: np.random.Generator,
    lens: Lens3,
    start: FloatArray,
    end: FloatArray,
    *,
    width_mm: float,
    z_mm: float,
    bow: float | None = None,
) -> list[FloatArray]:
    """Quadrilaterals, in the frame, of a bent strip in the air with round ends."""
    t = np.linspace(0, 1, 50)[:, None]
    middle = (start + end) / 2 + (rng.normal(0, 0.12) if bow is None else bow) * (end - start)[::-1] * [-1, 1]
    line = (1 - t) ** 2 * start + 2 * t * (1 - t) * middle + t**2 * end
    height = z_mm * (0.6 + 1.6 * t[:, 0] * (1 - t[:, 0]))
    along = np.gradient(line, axis=0)
    across = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
    left, right = (_px3(lens, line + sign * across * width_mm / 2, height) for sign in (1, -1))
    quads = [np.array([left[k], left[k + 1], right[k + 1], right[k]]) for k in range(len(line) - 1)]
    turn = np.linspace(0, 2 * np.pi, 17)
    caps = [line[k] + width_mm / 2 * np.column_stack([np.cos(turn), np.sin(turn)]) for k in (0, -1)]
    return [*quads, *(_px3(lens, cap, np.full(len(cap), height[k])) for cap, k in zip(caps, (0, -1), strict=True))]


def _px3(lens: Lens3, points_mm: FloatArray, height_mm: FloatArray) -> FloatArray:
    seen = np.column_stack([points_mm, -height_mm]) @ lens.rotation.T + lens.at_mm
    return lens.bent(lens.focal_px * seen[:, :2] / np.maximum(seen[:, 2:], 5.0) + lens.centre)


def _scale(lens: Lens3, truth: TrueBoard) -> float:
    """Pixels a millimetre."""
    box = lens.px(truth.outline_mm)
    return float(
        np.sqrt(cv2.contourArea(box.astype(np.float32)) / cv2.contourArea(truth.outline_mm.astype(np.float32)))
    )


def _drawn(pieces: list[_Piece], shape: tuple[int, int]) -> NDArray[np.bool_]:
    canvas = np.zeros(shape, np.uint8)
    for piece in pieces:
        for outline in piece.outlines_px:
            _fill(canvas, np.clip(outline, -3000, 3000), 1)
    return canvas > 0


def _lay(rng: np.random.Generator, fine: Fine, pieces: list[_Piece], *, warm: bool, scale: float) -> None:
    """Paint the pieces, uneven by a little; a finger leaves warmth about its tip."""
    for piece in pieces:
        mask = _drawn([piece], fine.shape)
        if warm:
            reach = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 3.0 * scale * FINE)
            fine += np.float32(rng.uniform(0.2, 2.0)) * reach
        coarse = rng.normal(0, 0.12 if piece.rise_k < 7 else 0.35, (4, 5)).astype(np.float32)
        uneven = cv2.resize(coarse, fine.shape[::-1], interpolation=cv2.INTER_CUBIC)
        value = piece.rise_k + uneven
        if piece.follows:
            value = value + np.float32(piece.follows) * cv2.GaussianBlur(fine, (0, 0), 3.0 * scale * FINE)
        value = np.float32(piece.through) * fine + np.float32(1 - piece.through) * value
        fine[mask] = value[mask]
