"""
A small renderer of boards seen by a thermal camera, independent of samples/simulator.

It solves the fin equation on a rectangular raster by cosine transform, adds a step over each body, and
samples the result through a pinhole camera. Physics enough to test where the board is, no more.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import dctn, idctn

from thermscan.coordinates import map_points, pixel_centres
from thermscan.layout.board import Board, Part, Surface
from thermscan.radiometry.thermal_image import ThermalImage

FloatArray = NDArray[np.float64]

PLASTIC = Surface("plastic", 0.94, 0.02)
MASK = Surface("solder-mask", 0.91, 0.02)
METAL = Surface("metal", 0.12, 0.05)
BODIES_MM = [
    (51.0, 13.6),
    (36.0, 13.6),
    (26.0, 6.4),
    (20.0, 6.4),
    (10.0, 6.4),
    (16.6, 16.6),
    (10.0, 10.0),
    (8.0, 4.0),
    (5.0, 3.0),
]
SHAPES = {160: (120, 160), 320: (240, 320), 640: (480, 640)}


@dataclass(frozen=True)
class View:
    """A rendered frame and where the board really is."""

    image: ThermalImage
    board: Board
    px_from_mm: FloatArray
    tilt_deg: float
    fov_deg: float

    def error_px(self, px_from_mm: FloatArray) -> FloatArray:
        """Distance between true and found part centres, in pixels."""
        centres = np.array([[part.x_mm, part.y_mm] for part in self.board.parts])
        return np.linalg.norm(map_points(px_from_mm, centres) - map_points(self.px_from_mm, centres), axis=1)


def random_board(rng: np.random.Generator, *, outline: str = "rectangle") -> Board:
    """Rows of like parts and odd ones between, none overlapping."""
    width, height = rng.uniform(70, 230), rng.uniform(50, 170)
    parts: list[Part] = []
    taken: list[tuple[float, float, float, float]] = []
    wanted = int(rng.integers(15, 90))
    for _ in range(40 * wanted):
        if len(parts) >= wanted:
            break
        length, breadth = BODIES_MM[rng.integers(len(BODIES_MM))]
        turned = rng.random() < 0.35
        w, h = (breadth, length) if turned else (length, breadth)
        x, y = (
            rng.uniform(3 + w / 2, max(width - 3 - w / 2, 3 + w / 2)),
            rng.uniform(3 + h / 2, max(height - 3 - h / 2, 3 + h / 2)),
        )
        repeat = int(rng.integers(1, 7)) if rng.random() < 0.4 else 1
        for k in range(repeat):
            cx, cy = (x + k * (w + 3), y) if turned else (x, y + k * (h + 4))
            inside = cx - w / 2 > 1 and cx + w / 2 < width - 1 and cy - h / 2 > 1 and cy + h / 2 < height - 1
            clear = all(abs(cx - a) > (w + c) / 2 + 1 or abs(cy - b) > (h + d) / 2 + 1 for a, b, c, d in taken)
            if inside and clear:
                taken.append((cx, cy, w, h))
                surface = METAL if rng.random() < 0.06 else PLASTIC
                parts.append(Part(f"U{len(parts) + 1}", length, breadth, cx, cy, 90.0 if turned else 0.0, surface))
    outline_mm = np.array([[0, 0], [width, 0], [width, height], [0, height]])
    if outline == "notched":
        cut_x, cut_y = width * rng.uniform(0.1, 0.3), height * rng.uniform(0.1, 0.3)
        outline_mm = np.array(
            [[0, 0], [width - cut_x, 0], [width - cut_x, cut_y], [width, cut_y], [width, height], [0, height]]
        )
        parts = [p for p in parts if p.x_mm + p.length_mm < width - cut_x or p.y_mm - p.length_mm > cut_y]
    return Board("made for a test", None, outline_mm, 1.6, MASK, tuple(parts))


def rise_raster(
    board: Board, rng: np.random.Generator, *, mm_per_px: float, level: float = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Temperature rise and emissivity of the board on a raster."""
    rows, cols = int(np.ceil(board.height_mm / mm_per_px)), int(np.ceil(board.width_mm / mm_per_px))
    source, step = np.zeros((rows, cols)), np.zeros((rows, cols))
    emissivity = np.full((rows, cols), board.surface.emissivity)
    y, x = np.indices((rows, cols))
    centres = np.stack([(x + 0.5) * mm_per_px, (y + 0.5) * mm_per_px], axis=-1)
    for part in board.parts:
        # Looked for around it only: in the whole raster that takes most of the drawing's time.
        reach_mm = np.hypot(part.length_mm, part.width_mm) / 2 + mm_per_px
        near = tuple(
            slice(max(int((at - reach_mm) / mm_per_px), 0), int((at + reach_mm) / mm_per_px) + 2)
            for at in (part.y_mm, part.x_mm)
        )
        around = part.body_from_board(centres[near].reshape(-1, 2)).reshape(*centres[near].shape)
        body = np.zeros((rows, cols), dtype=np.bool_)
        body[near] = (np.abs(around) <= [part.length_mm / 2, part.width_mm / 2]).all(axis=-1)
        watts = rng.exponential(0.25) * level if rng.random() < 0.8 else 0.0
        source[body] += watts / max(body.sum() * mm_per_px**2, 1.0)
        step[body] += watts * rng.uniform(5, 20) * min(1.0, 100 / (part.length_mm * part.width_mm))
        emissivity[body] = part.surface.emissivity
    decay = rng.uniform(8, 30)
    conductance = rng.uniform(0.006, 0.025)  # k t, W/K
    kx = (2 - 2 * np.cos(np.pi * np.arange(cols) / cols)) / mm_per_px**2
    ky = (2 - 2 * np.cos(np.pi * np.arange(rows) / rows)) / mm_per_px**2
    spectrum = dctn(source / conductance, norm="ortho") / (ky[:, None] + kx + decay**-2)
    return idctn(spectrum, norm="ortho") + step, emissivity


def random_pose(
    rng: np.random.Generator,
    board: Board,
    shape: tuple[int, int],
    *,
    tilt_deg: float,
    any_turn: bool,
    fill: tuple[float, float] = (0.6, 0.95),
) -> tuple[FloatArray, float]:
    """A homography that puts the board inside the frame, and the horizontal field of view."""
    rows, cols = shape
    box = board.corners_mm - board.corners_mm.mean(axis=0)
    for _ in range(500):
        fov = rng.uniform(24, 56)
        focal = cols / 2 / np.tan(np.radians(fov) / 2)
        way, tilt = rng.uniform(0, 2 * np.pi), np.radians(tilt_deg)
        turn = (
            rng.uniform(0, 2 * np.pi) if any_turn else np.radians(rng.normal(0, 8) + (180 if rng.random() < 0.1 else 0))
        )
        about = cv2.Rodrigues(np.array([np.cos(way), np.sin(way), 0.0]) * tilt)[0]
        rotation = about @ cv2.Rodrigues(np.array([0.0, 0.0, turn]))[0]
        distance = focal * max(board.width_mm, board.height_mm) / cols * rng.uniform(0.7, 2.5)
        centre = np.array([(cols - 1) / 2, (rows - 1) / 2]) + rng.normal(0, 0.04, 2) * [cols, rows]
        camera = np.array([[focal, 0, (cols - 1) / 2], [0, focal, (rows - 1) / 2], [0, 0, 1]])
        at = np.linalg.solve(camera, [centre[0], centre[1], 1.0]) * distance
        matrix = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], at])
        matrix = matrix @ np.array(
            [[1, 0, -board.corners_mm[2, 0] / 2], [0, 1, -board.corners_mm[2, 1] / 2], [0, 0, 1]]
        )
        corners = map_points(matrix, board.corners_mm)
        extent = np.ptp(corners, axis=0) / [cols, rows]
        margin = np.min([corners.min(axis=0), [cols - 1, rows - 1] - corners.max(axis=0)])
        depth = (rotation @ np.column_stack([box, np.zeros(4)]).T).T[:, 2] + at[2]
        if depth.min() > 10 and margin > 2 and fill[0] < extent.max() < fill[1]:
            return matrix / matrix[2, 2], fov
    raise RuntimeError("no pose found")


def render(
    board: Board,
    px_from_mm: FloatArray,
    rise: FloatArray,
    emissivity: FloatArray,
    rng: np.random.Generator,
    *,
    shape: tuple[int, int],
    noise_k: float = 0.05,
    blur_px: float = 0.6,
    ambient_c: float = 23.0,
    bench: FloatArray | None = None,
) -> ThermalImage:
    """The frame: nearest raster sample at 3 x 3 points a pixel, blurred, with noise."""
    fine = 3
    rows, cols = shape
    mm_per_px = max(board.width_mm, board.height_mm) / max(rise.shape)
    points = (pixel_centres((rows * fine, cols * fine)) - (fine - 1) / 2) / fine
    mm = map_points(np.linalg.inv(px_from_mm), points)
    inside = cv2_inside(board.outline_mm, mm)
    at = np.clip((mm / mm_per_px).astype(int), 0, [rise.shape[1] - 1, rise.shape[0] - 1])
    seen = rise[at[:, 1], at[:, 0]] * emissivity[at[:, 1], at[:, 0]]
    ground = np.zeros(shape) if bench is None else bench
    ground = cv2.resize(ground, (cols * fine, rows * fine), interpolation=cv2.INTER_LINEAR).ravel()
    field = np.where(inside, seen, ground).reshape(rows * fine, cols * fine)
    field = cv2.GaussianBlur(field, (0, 0), blur_px * fine)
    field = cv2.resize(field, (cols, rows), interpolation=cv2.INTER_AREA)
    return ThermalImage(
        ambient_c + field + rng.normal(0, noise_k, shape), noise_k, 2.0, (8.0, 14.0), float(np.hypot(blur_px, 0.29))
    )


def cv2_inside(polygon: FloatArray, points: FloatArray) -> NDArray[np.bool_]:
    """Even-odd rule."""
    inside = np.zeros(len(points), bool)
    for (x0, y0), (x1, y1) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if y0 != y1:
            inside ^= ((y0 > points[:, 1]) != (y1 > points[:, 1])) & (
                points[:, 0] < (x1 - x0) * (points[:, 1] - y0) / (y1 - y0) + x0
            )
    return inside


def random_view(
    seed: int,
    *,
    cols: int = 320,
    max_tilt_deg: float = 50.0,
    any_turn: bool = False,
    outline: str = "rectangle",
    cool: bool = False,
) -> View:
    """One board, one pose, one frame."""
    rng = np.random.default_rng(seed)
    board = random_board(rng, outline=outline)
    rise, emissivity = rise_raster(board, rng, mm_per_px=max(board.width_mm, board.height_mm) / 900)
    if cool:
        rise *= rng.uniform(1.5, 5.0) / max(float(np.median(rise)), 0.1)
        rise = np.minimum(rise, 60)
    shape = SHAPES[cols]
    tilt = rng.uniform(0, max_tilt_deg)
    matrix, fov = random_pose(rng, board, shape, tilt_deg=tilt, any_turn=any_turn)
    coarse = rng.normal(0, 0.3, (4, 5))
    bench = cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    image = render(
        board,
        matrix,
        rise,
        emissivity,
        rng,
        shape=shape,
        noise_k=rng.uniform(0.03, 0.08),
        blur_px=rng.uniform(0.4, 0.8),
        bench=bench,
    )
    return View(image, board, matrix, tilt, fov)
