"""
Views of made-up boards, painted polygon by polygon from far to near through a lens that bends.

Nothing is shared with `samples/simulator` nor the analysis: heat spreads by a kernel, bodies are prisms of their own
true heights with walls between board and top in temperature, pins and copper show, a cable or a hand may lie over them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, rfft2

from tests.benchmarks.scene_boards import TrueBoard, true_board
from thermscan.layout.board import Board, Part
from thermscan.radiometry.thermal_image import ThermalImage

FloatArray = NDArray[np.float64]

SHAPES = {160: (120, 160), 320: (240, 320), 640: (480, 640)}
FINE = 3
RASTER_MM = 0.5


@dataclass(frozen=True)
class Lens3:
    """A pinhole with a pose, and a radial bend."""

    rotation: FloatArray
    at_mm: FloatArray
    focal_px: float
    shape: tuple[int, int]
    bend: float  # displacement at the frame's corner as a share of its distance from the middle; below 0: barrel

    @property
    def centre(self) -> FloatArray:
        """Principal point."""
        return np.array([(self.shape[1] - 1) / 2, (self.shape[0] - 1) / 2])

    def straight(self, points_mm: FloatArray, height_mm: float = 0.0) -> FloatArray:
        """Without the bend."""
        up = np.full(len(points_mm), -height_mm)
        seen = np.column_stack([points_mm, up]) @ self.rotation.T + self.at_mm
        return self.focal_px * seen[:, :2] / seen[:, 2:] + self.centre

    def bent(self, points_px: FloatArray) -> FloatArray:
        """With it."""
        away = points_px - self.centre
        r2 = (away**2).sum(axis=-1, keepdims=True) / (np.hypot(*self.shape) / 2) ** 2
        return self.centre + away * (1 + self.bend * r2)

    def px(self, points_mm: FloatArray, height_mm: float = 0.0) -> FloatArray:
        """Where points above the board are seen."""
        return self.bent(self.straight(points_mm, height_mm))

    @property
    def px_from_mm(self) -> FloatArray:
        """The plane's homography, without the bend."""
        camera = np.array([[self.focal_px, 0, self.centre[0]], [0, self.focal_px, self.centre[1]], [0, 0, 1]])
        matrix = camera @ np.column_stack([self.rotation[:, 0], self.rotation[:, 1], self.at_mm])
        return matrix / matrix[2, 2]


@dataclass(frozen=True)
class Scene:
    """One frame with its truth."""

    seed: int
    image: ThermalImage
    truth: TrueBoard
    lens: Lens3
    tilt_deg: float
    cool: bool
    covered: FloatArray  # share of each part's top that a cable or hand hides
    behind: FloatArray  # share that other parts hide

    @property
    def board(self) -> Board:
        """The layout."""
        return self.truth.layout

    @property
    def fov_deg(self) -> float:
        """Horizontal field of view."""
        return float(np.degrees(2 * np.arctan(self.lens.shape[1] / 2 / self.lens.focal_px)))

    def centres_px(self, *, top: bool) -> FloatArray:
        """Where layout centres (feet), or true tops, are seen; shape (parts, 2)."""
        if not top:
            return self.lens.px(np.array([[part.x_mm, part.y_mm] for part in self.board.parts]))
        each = [self.lens.px(np.array([[part.x_mm, part.y_mm]]), part.height_mm or 0.0) for part in self.truth.parts]
        return np.vstack(each)

    def corners_px(self) -> FloatArray:
        """Of the layout's bounding box."""
        return self.lens.px(self.board.corners_mm)


def scene(
    seed: int,
    *,
    cols: int,
    heights: str = "unstated",
    covers: bool | None = None,
    bend: bool | None = None,
    max_tilt_deg: float = 55.0,
    parts: int | None = None,
) -> Scene:
    """
    A view by its number.

    Parameters
    ----------
    heights : str
        As `true_board`.
    covers, bend : bool, optional
        Whether something lies over the board, whether the lens bends by 1 to 3 %; None: a fifth, half of them.
    """
    rng = np.random.default_rng([seed, cols, 77])
    truth = true_board(rng, heights=heights, parts=parts)
    shape = SHAPES[cols]
    share = 0.0
    if bend or (bend is None and rng.random() < 0.5):
        share = float(rng.uniform(0.01, 0.03) * rng.choice([-1, -1, 1]))
    lens, tilt = pose_at(rng, truth, shape, share, max_tilt_deg)
    temps = Temps(rng, truth, cool=bool(rng.random() < 0.5))
    return taken(rng, truth, lens, temps, seed=seed, tilt_deg=tilt, covers=covers)


def taken(
    rng: np.random.Generator,
    truth: TrueBoard,
    lens: Lens3,
    temps: Temps,
    *,
    seed: int,
    tilt_deg: float,
    covers: bool | None = None,
) -> Scene:
    """One frame of a board from one place."""
    shape = lens.shape
    fine, owner = _paint(rng, truth, lens, temps)
    whole = np.array([_top_area(lens, part) for part in truth.parts])
    clear = np.bincount(owner[owner >= 0], minlength=len(whole)) / np.maximum(whole, 1)
    if covers or (covers is None and rng.random() < 0.2):
        _cover(rng, (fine, owner), truth, lens, temps)
    seen = np.bincount(owner[owner >= 0], minlength=len(whole)) / np.maximum(whole, 1)
    netd, blur = float(rng.uniform(0.03, 0.09)), float(rng.uniform(0.4, 0.85))
    fine = cv2.GaussianBlur(fine, (0, 0), blur * FINE)
    frame = cv2.resize(fine, shape[::-1], interpolation=cv2.INTER_AREA).astype(np.float64)
    frame += rng.normal(0, netd, shape) + rng.normal(0, rng.uniform(0, 0.6) * netd, (shape[0], 1))
    frame += rng.normal(0, rng.uniform(0, 0.6) * netd, (1, shape[1]))
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    frame += rng.uniform(-0.4, 0.4) * (x**2 + y**2)
    said = float(np.hypot(blur, 0.29) * rng.uniform(0.8, 1.25))
    image = ThermalImage(frame + rng.normal(0, 1), netd, 1.0, (8.0, 14.0), said)
    hidden, behind = np.clip(clear - seen, 0, 1), np.clip(1 - clear, 0, 1)
    return Scene(seed, image, truth, lens, tilt_deg, temps.cool, hidden, behind)


def pose_at(
    rng: np.random.Generator,
    truth: TrueBoard,
    shape: tuple[int, int],
    bend: float,
    max_tilt_deg: float,
    *,
    extent: tuple[float, float] = (0.6, 0.97),
    margin_px: float = 2.0,
) -> tuple[Lens3, float]:
    """The board wholly in view, unless its extent and margin are other ones; a quarter at any turn."""
    rows, cols = shape
    middle = truth.layout.corners_mm.mean(axis=0)
    any_turn = rng.random() < 0.25
    for _ in range(2000):
        tilt, way = np.radians(rng.uniform(0, max_tilt_deg)), rng.uniform(0, 2 * np.pi)
        turn = rng.uniform(0, 2 * np.pi) if any_turn else rng.normal(0, 0.15) + np.pi * (rng.random() < 0.12)
        rotation = (
            cv2.Rodrigues(np.array([np.cos(way), np.sin(way), 0.0]) * tilt)[0]
            @ cv2.Rodrigues(np.array([0.0, 0.0, turn]))[0]
        )
        focal = cols / 2 / np.tan(np.radians(rng.uniform(20, 58)) / 2)
        distance = focal * np.ptp(truth.outline_mm, axis=0).max() / cols * rng.uniform(0.7, 2.2)
        aim = rng.normal(0, 0.05, 2) * [cols, rows] / focal * distance
        at = np.array([aim[0], aim[1], distance]) - rotation[:, :2] @ middle
        lens = Lens3(rotation, at, focal, shape, bend)
        corners = lens.px(truth.outline_mm)
        filled = (np.ptp(corners, axis=0) / [cols, rows]).max()
        margin = min(corners.min(), (np.array([cols - 1, rows - 1]) - corners.max(axis=0)).min())
        nearest = (lens.rotation[2, :2] @ truth.outline_mm.T + at[2]).min()
        if extent[0] < filled < extent[1] and margin > margin_px and nearest > 20:
            return lens, float(np.degrees(tilt))
    raise RuntimeError("no pose found")


class Temps:
    """Rise of bare board, of each top and of each wall, seen by the camera."""

    def __init__(
        self, rng: np.random.Generator, truth: TrueBoard, *, cool: bool, times: FloatArray | float = 1.0
    ) -> None:
        """``times``: what each part's power is of what the numbers drawn give it."""
        self.cool = cool
        w, h = truth.outline_mm.max(axis=0)
        self.shape = int(np.ceil(h / RASTER_MM)) + 1, int(np.ceil(w / RASTER_MM)) + 1
        source = np.zeros(self.shape)
        watts = np.where(rng.random(len(truth.parts)) < 0.75, rng.exponential(0.25, len(truth.parts)), 0.0) * times
        for part, power in zip(truth.parts, watts, strict=True):
            mask = np.zeros(self.shape, np.uint8)
            cv2.fillPoly(mask, [np.round(part.corners_mm() / RASTER_MM).astype(np.int32)], 1)
            source[mask > 0] += power / max(mask.sum(), 1)
        spread = rng.uniform(8, 25)
        y, x = np.indices((2 * self.shape[0], 2 * self.shape[1]))
        y, x = np.minimum(y, 2 * self.shape[0] - y), np.minimum(x, 2 * self.shape[1] - x)
        r = np.hypot(x, y) * RASTER_MM
        kernel = np.exp(-r / spread) / (r + 2.0)
        padded = np.zeros(r.shape)
        padded[: self.shape[0], : self.shape[1]] = source
        board = irfft2(rfft2(padded) * rfft2(kernel), s=r.shape)[: self.shape[0], : self.shape[1]] * 60
        board += rng.uniform(0.5, 3.0)
        board *= rng.uniform(1.0, 4.5) / board.mean() if cool else rng.uniform(0.8, 1.5)
        step = watts * rng.uniform(3, 14, len(watts)) * (rng.uniform(0.1, 0.4) if cool else 1.0)
        step = np.minimum(step * np.minimum(1.0, 120 / np.array([p.length_mm * p.width_mm for p in truth.parts])), 45)
        emits = np.array([0.94 if part.surface.name == "plastic" else 0.2 for part in truth.parts])
        emits = emits + rng.normal(0, 0.015, len(watts))
        level = np.array([self._at(board, part) for part in truth.parts])
        # A tall part that makes no heat is cooler than the board below it.
        cooler = np.where(truth.heights_mm > 6, rng.uniform(0.4, 0.9, len(watts)), rng.uniform(0.8, 1.05, len(watts)))
        self.tops = emits * (level * cooler + step)
        self.walls = self.tops + rng.uniform(0, 1, len(watts)) * (0.9 * level - self.tops)
        self._copper(rng, board, w, h)
        self.board = (0.91 * board).astype(np.float32)
        self.bench = float(rng.normal(0, 0.7))
        self.hand = float(rng.uniform(8, 12))

    @staticmethod
    def _at(board: FloatArray, part: Part) -> float:
        row, col = int(part.y_mm / RASTER_MM), int(part.x_mm / RASTER_MM)
        return float(board[np.clip(row, 0, board.shape[0] - 1), np.clip(col, 0, board.shape[1] - 1)])

    @staticmethod
    def _copper(rng: np.random.Generator, board: FloatArray, w: float, h: float) -> None:
        """Traces, planes and printing that emit a little differently, and bare pads that hardly do."""
        for _ in range(int(rng.integers(4, 25))):
            x, y = rng.uniform(0, w), rng.uniform(0, h)
            across, down = rng.uniform(1, 25), rng.uniform(0.6, 6)
            if rng.random() < 0.5:
                across, down = down, across
            rows = slice(int(y / RASTER_MM), int((y + down) / RASTER_MM) + 1)
            cols = slice(int(x / RASTER_MM), int((x + across) / RASTER_MM) + 1)
            board[rows, cols] *= rng.uniform(0.25, 0.5) if rng.random() < 0.15 else rng.uniform(0.93, 1.04)


def _paint(
    rng: np.random.Generator, truth: TrueBoard, lens: Lens3, temps: Temps
) -> tuple[NDArray[np.float32], NDArray[np.int16]]:
    """The scene at ``FINE`` samples a pixel, and whose top each sample shows (-1: none)."""
    rows, cols = lens.shape
    fine = _bench(rng, lens, temps)
    owner = np.full(fine.shape, -1, np.int16)
    # Board: the raster, sampled where each fine pixel's ray meets the plane; the bend is smooth, so a coarse map does.
    gx, gy = np.meshgrid(np.linspace(-0.5, cols - 0.5, 97), np.linspace(-0.5, rows - 0.5, 73))
    seen = np.column_stack([gx.ravel(), gy.ravel()])
    straight = seen.copy()
    for _ in range(8):
        straight += seen - lens.bent(straight)
    homogeneous = np.column_stack([straight, np.ones(len(straight))]) @ np.linalg.inv(lens.px_from_mm).T
    size = fine.shape[::-1]
    big = [_spread(channel.reshape(gx.shape).astype(np.float32), size) for channel in homogeneous.T]
    at = [((channel / big[2]) / RASTER_MM).astype(np.float32) for channel in big[:2]]
    on_board = np.zeros(fine.shape, np.uint8)
    _fill(on_board, lens.px(_dense(truth.outline_mm)), 1)
    board = cv2.remap(temps.board, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    fine[on_board > 0] = board[on_board > 0]
    eye = -lens.rotation.T @ lens.at_mm
    far_first = sorted(
        range(len(truth.parts)), key=lambda k: -np.hypot(truth.parts[k].x_mm - eye[0], truth.parts[k].y_mm - eye[1])
    )
    pins = rng.random() < 0.6
    for k in far_first:
        part = truth.parts[k]
        height = part.height_mm or 0.0
        foot, top = lens.px(_contour(part)), lens.px(_contour(part), height)
        if pins and (part.package or "").startswith("DIP"):
            _fill(fine, lens.px(_dense(_wider(part))), float(0.6 * temps.walls[k]))
        hull = cv2.convexHull(np.vstack([foot, top]).astype(np.float32))[:, 0]
        _fill(fine, hull, float(temps.walls[k]))
        _fill(owner, hull, -1)
        _fill(fine, top, float(temps.tops[k]))
        _fill(owner, top, k)
        if rng.random() < 0.1:  # a label or a dimple
            middle = top.mean(axis=0)
            _fill(fine, middle + (top - middle) * rng.uniform(0.2, 0.5), float(temps.tops[k]) * rng.uniform(0.93, 1.0))
    return fine, owner


def _bench(rng: np.random.Generator, lens: Lens3, temps: Temps) -> NDArray[np.float32]:
    """Uneven, with things on it: paper with straight sides, warm or cold blobs, cables."""
    rows, cols = lens.shape
    coarse = (temps.bench + rng.normal(0, 0.25, (4, 5))).astype(np.float32)
    fine = cv2.resize(coarse, (cols * FINE, rows * FINE), interpolation=cv2.INTER_CUBIC)
    if rng.random() < 0.3:
        quad = (
            rng.uniform(-0.2, 1.2, 2) * [cols, rows]
            + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
            * rng.uniform(0.1, 0.6, 2)
            * [cols, rows]
            @ cv2.getRotationMatrix2D((0, 0), rng.uniform(0, 90), 1)[:, :2]
        )
        _fill(fine, quad, temps.bench + rng.choice([-1, 1]) * rng.uniform(0.4, 3.0))
    for _ in range(int(rng.integers(0, 3))):
        x, y = rng.uniform(0, cols), rng.choice([0.02, 0.98]) * rows
        blob = cv2.ellipse2Poly((0, 0), (100, int(rng.integers(30, 100))), int(rng.integers(0, 180)), 0, 360, 10)
        _fill(fine, np.array([x, y]) + blob * rng.uniform(0.03, 0.1) * cols / 100, temps.bench + rng.uniform(-2, 12))
    return fine


def _cover(
    rng: np.random.Generator,
    painted: tuple[NDArray[np.float32], NDArray[np.int16]],
    truth: TrueBoard,
    lens: Lens3,
    temps: Temps,
) -> None:
    """One or two cables, or fingers, or a label, over the board."""
    fine, owner = painted
    box = lens.px(truth.outline_mm)
    low, high = box.min(axis=0), box.max(axis=0)
    scale = float(np.sqrt(np.prod(high - low) / np.prod(np.ptp(truth.outline_mm, axis=0))))
    kind = rng.choice(["cable", "cable", "hand", "label"])
    if kind == "cable":
        for _ in range(int(rng.integers(1, 3))):
            ends = rng.uniform(low, high)
            start = np.where(rng.random(2) < 0.5, low, high) + rng.normal(0, 30, 2) * scale / 3
            middle = (start + ends) / 2 + rng.normal(0, 0.15, 2) * (high - low)
            if rng.random() < 0.6:
                ends = ends + (ends - middle) * 1.5
            t = np.linspace(0, 1, 60)[:, None]
            line = (1 - t) ** 2 * start + 2 * t * (1 - t) * middle + t**2 * ends
            width = rng.uniform(2.0, 7.0) * scale
            temp = temps.bench + rng.uniform(-0.3, 1.5)
            for canvas, value in ((fine, temp), (owner, -1)):
                points = np.round(((line + 0.5) * FINE - 0.5) * 16).astype(np.int32)
                cv2.polylines(canvas, [points], False, value, max(round(float(width * FINE)), 2), shift=4)
    elif kind == "hand":
        side = rng.uniform(0, 2 * np.pi)
        way = np.array([np.cos(side), np.sin(side)])
        tip = (low + high) / 2 + way * (high - low) * rng.uniform(0.1, 0.4)
        for k in range(int(rng.integers(1, 4))):
            at = tip + np.array([-way[1], way[0]]) * (k * 17 * scale) + way * rng.normal(0, 6) * scale
            line = np.array([at, at + way * 220 * scale])
            for canvas, value in ((fine, temps.hand + rng.normal(0, 0.4)), (owner, -1)):
                points = np.round(((line + 0.5) * FINE - 0.5) * 16).astype(np.int32)
                cv2.polylines(canvas, [points], False, value, max(round(15 * scale * FINE), 2), shift=4)
    else:
        at = rng.uniform(low + 0.2 * (high - low), high - 0.2 * (high - low))
        size = rng.uniform([12, 8], [40, 25]) * scale
        quad = at + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size / 2
        _fill(fine, quad, float(np.median(temps.board)) * rng.uniform(0.75, 0.95))
        _fill(owner, quad, -1)


def _contour(part: Part) -> FloatArray:
    if part.round_body:
        turn = np.linspace(0, 2 * np.pi, 33)[:-1]
        return np.array([part.x_mm, part.y_mm]) + part.length_mm / 2 * np.column_stack([np.cos(turn), np.sin(turn)])
    return _dense(part.corners_mm())


def _wider(part: Part) -> FloatArray:
    from dataclasses import replace

    return replace(part, width_mm=part.width_mm + 1.6, length_mm=part.length_mm - 1.5).corners_mm()


def _dense(polygon: FloatArray, pieces: int = 12) -> FloatArray:
    t = np.linspace(0, 1, pieces, endpoint=False)[:, None]
    return np.vstack([a + t * (b - a) for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True)])


def _fill(canvas: NDArray[np.generic], polygon_px: FloatArray, value: float) -> None:
    points = np.round(((np.asarray(polygon_px, dtype=np.float64) + 0.5) * FINE - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(canvas, [points], value, shift=4)  # type: ignore[call-overload]


def _spread(channel: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """Values on a grid whose border is the frame's, at each fine pixel."""
    rows, cols = channel.shape
    x = (np.arange(size[0], dtype=np.float32) + 0.5) / size[0] * (cols - 1)
    y = (np.arange(size[1], dtype=np.float32) + 0.5) / size[1] * (rows - 1)
    grid = np.meshgrid(x, y)
    return cv2.remap(channel, grid[0], grid[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def _top_area(lens: Lens3, part: Part) -> float:
    canvas_polygon = (lens.px(_contour(part), part.height_mm or 0.0) + 0.5) * FINE
    return float(cv2.contourArea(canvas_polygon.astype(np.float32)))
