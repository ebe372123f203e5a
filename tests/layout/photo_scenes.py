"""Photos of boards with corners that are known: pictures laid on a ground and seen by a pinhole camera."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import skimage.data

from thermscan.layout.board import Board, Part
from thermscan.layout.surfaces import surface_named

SHAPE = (660, 880)


@dataclass(frozen=True)
class Scene:
    """A photo (blue first) and where the board's corners are in it."""

    pixels: np.ndarray
    corners_px: np.ndarray


def board_of(width_mm: float, height_mm: float, parts: tuple[Part, ...] = (), **more: object) -> Board:
    outline = [[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]]
    return Board("b", None, outline, 1.6, surface_named("solder-mask"), parts, **more)


def bundled(name: str) -> np.ndarray:
    """A picture that comes with scikit-image, blue first."""
    picture = getattr(skimage.data, name)()
    code = cv2.COLOR_GRAY2BGR if picture.ndim == 2 else cv2.COLOR_RGB2BGR
    return cv2.cvtColor(picture if picture.ndim == 2 else np.ascontiguousarray(picture[..., :3]), code)


def board_for(face: np.ndarray, width_mm: float = 160.0) -> Board:
    return board_of(width_mm, width_mm * face.shape[0] / face.shape[1])


def corners_seen(
    size_mm: tuple[float, float], *, tilt_deg: float, towards_deg: float, roll_deg: float, fill: float = 0.75,
    focal: float = 1.2, shape: tuple[int, int] = SHAPE,
) -> np.ndarray:  # fmt: skip
    """Where a pinhole camera sees the corners of a rectangle, its axis through the photo's middle."""
    rows, cols = shape
    axis = np.array([np.cos(np.deg2rad(towards_deg)), np.sin(np.deg2rad(towards_deg)), 0.0])
    tilt, _ = cv2.Rodrigues(axis * np.deg2rad(tilt_deg))
    roll, _ = cv2.Rodrigues(np.array([0.0, 0.0, np.deg2rad(roll_deg)]))
    w, h = size_mm
    focal_px = focal * max(shape)
    box = np.array([[-w, -h, 0.0], [w, -h, 0.0], [w, h, 0.0], [-w, h, 0.0]]) / 2
    seen = box @ (tilt @ roll).T + [0.0, 0.0, focal_px * max(w / cols, h / rows) / fill]
    return seen[:, :2] / seen[:, 2:] * focal_px + [(cols - 1) / 2, (rows - 1) / 2]


def scene(
    face: np.ndarray, corners_px: np.ndarray, *, noise: float = 3.0, seed: int = 1,
    ground: tuple[float, float, float] | np.ndarray = (175.0, 185.0, 195.0),
) -> Scene:  # fmt: skip
    """The face laid on the ground with its outer edges at those corners, lit from one side, blurred, with grain."""
    rows, cols = face.shape[:2]
    start = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]], np.float32) - np.float32(0.5)
    matrix = cv2.getPerspectiveTransform(start, corners_px.astype(np.float32))
    drawn = cv2.warpPerspective(face, matrix, SHAPE[::-1], flags=cv2.INTER_LINEAR).astype(np.float64)
    cover = cv2.warpPerspective(np.ones((rows, cols), np.float32), matrix, SHAPE[::-1], flags=cv2.INTER_LINEAR)[
        ..., None
    ]
    light = np.linspace(0.8, 1.05, SHAPE[1])[None, :, None]
    whole = cv2.GaussianBlur((np.broadcast_to(ground, drawn.shape) * (1 - cover) + drawn * cover) * light, (0, 0), 0.8)
    grain = np.random.default_rng(seed).normal(0.0, noise, whole.shape)
    return Scene(np.clip(np.round(whole + grain), 0, 255).astype(np.uint8), corners_px)


def drawn_board(parts: int = 24, *, seed: int = 4, px_per_mm: int = 8) -> tuple[Board, np.ndarray]:
    """A green board of 150 x 100 mm with dark bodies here and there, and its face."""
    rng = np.random.default_rng(seed)
    plastic = surface_named("plastic")
    bodies = []
    for index in range(parts):
        row, col = divmod(index, 6)
        length, width = rng.uniform(8, 20), rng.uniform(5, 12)
        x, y = 14 + 24 * col + rng.uniform(-2, 2), 15 + 23 * row + rng.uniform(-3, 3)
        bodies.append(Part(f"U{index + 1}", float(length), float(width), float(x), float(y), 0.0, plastic))
    board = board_of(150.0, 100.0, tuple(bodies))
    face = np.full((100 * px_per_mm, 150 * px_per_mm, 3), (60, 105, 35), np.uint8)
    for part in bodies:
        cv2.fillConvexPoly(face, np.round(part.corners_mm() * px_per_mm).astype(np.int32), (45, 42, 40))
    return board, face
