"""What the camera's rays meet: the board, its parts, the bench, other things, and what they reflect."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from samples.simulator.pose import Pose, carry
from samples.simulator.shapes import Array, inside_body, inside_polygon
from samples.simulator.solver import DEFAULT_HEIGHT_MM, BoardField
from thermscan.layout.board import Board, Part


@dataclass(frozen=True, slots=True)
class WarmThing:
    """Something else in view: an ellipse in pixels; ``in_front`` hides the board (a hand, a probe)."""

    x_px: float
    y_px: float
    half_width_px: float
    half_height_px: float
    temp_c: float
    in_front: bool = False


@dataclass(frozen=True, slots=True)
class Background:
    """
    The bench and the room.

    Attributes
    ----------
    bench_c : float or None
        None: ambient.
    gradient_k : float
        From one side of the frame to the other.
    texture_k : float
        Standard deviation of the bench's slow unevenness.
    operator_c : float or None
        Temperature of an operator whose warm face or chest is reflected in part of the frame.
    operator_at : tuple of float
        Where in the frame, as shares of its width and height.
    operator_spread : float
        How wide, as a share of the frame's width (standard deviation: matt surfaces mirror no outlines).
    """

    bench_c: float | None = None
    gradient_k: float = 0.5
    texture_k: float = 0.1
    things: tuple[WarmThing, ...] = ()
    operator_c: float | None = None
    operator_at: tuple[float, float] = (0.4, 0.3)
    operator_spread: float = 0.2


def seen_scene(
    field: BoardField,
    board: Board,
    pose: Pose,
    *,
    emissivity: Mapping[str, float],
    background: Background,
    rng: np.random.Generator,
    subsamples: int,
    heights: bool,
) -> tuple[Array, Array, Array]:
    """Surface temperature and emissivity that each sub-pixel's ray meets; and where the sub-pixels lie."""
    rows, cols = pose.shape
    x_px = (np.arange(cols * subsamples) + 0.5) / subsamples - 0.5
    y_px = (np.arange(rows * subsamples) + 0.5) / subsamples - 0.5
    points_px = np.column_stack([np.tile(x_px, len(y_px)), np.repeat(y_px, len(x_px))])
    temp_c = _bench(points_px, pose.shape, field.ambient_c, background, rng)
    emits = np.full(len(points_px), 0.95)
    _draw_things(temp_c, emits, points_px, [thing for thing in background.things if not thing.in_front])
    points_mm = carry(np.linalg.inv(pose.px_from_mm), points_px)
    on_board = inside_polygon(points_mm, np.asarray(board.outline_mm))
    temp_c[on_board] = field.board_c(points_mm[on_board])
    emits[on_board] = emissivity[""]
    camera_mm = -pose.rotation.T @ pose.position_mm
    far_first = sorted(board.parts, key=lambda part: -np.hypot(part.x_mm - camera_mm[0], part.y_mm - camera_mm[1]))
    for part in far_first:
        height = (DEFAULT_HEIGHT_MM if part.height_mm is None else part.height_mm) if heights else 0.0
        near = _pixels_near(pose, part, height, x_px, y_px)
        if height:
            base, top = pose.px(part.corners_mm()), pose.px(part.corners_mm(), height_mm=height)
            both = np.vstack([base, top])
            side = near[inside_polygon(points_px[near], both[ConvexHull(both).vertices])]
            temp_c[side], emits[side] = field.body_c[part.ref], emissivity[part.ref]
        top_mm = carry(np.linalg.inv(pose.plane(height)), points_px[near])
        inside = inside_body(part, top_mm)
        temp_c[near[inside]] = field.top_c(part, top_mm[inside])
        emits[near[inside]] = emissivity[part.ref]
    _draw_things(temp_c, emits, points_px, [thing for thing in background.things if thing.in_front])
    return temp_c, emits, points_px


def _pixels_near(pose: Pose, part: Part, height_mm: float, x_px: Array, y_px: Array) -> NDArray[np.intp]:
    """Flat indices of the sub-pixels in the part's bounding box."""
    corners = part.corners_mm()
    seen = np.vstack([pose.px(corners), pose.px(corners, height_mm=height_mm)])
    (left, top), (right, bottom) = seen.min(axis=0), seen.max(axis=0)
    cols = np.arange(*np.searchsorted(x_px, [left, right]))
    rows = np.arange(*np.searchsorted(y_px, [top, bottom]))
    return (rows[:, None] * len(x_px) + cols[None, :]).ravel()


def _bench(
    points_px: Array, shape: tuple[int, int], ambient_c: float, background: Background, rng: np.random.Generator
) -> Array:
    rows, cols = shape
    level = ambient_c if background.bench_c is None else background.bench_c
    direction = rng.uniform(0, 2 * np.pi)
    slope = (points_px[:, 0] / cols - 0.5) * np.cos(direction) + (points_px[:, 1] / rows - 0.5) * np.sin(direction)
    texture = np.zeros(len(points_px))
    for _ in range(6):
        wave = rng.normal(0.0, 2 * np.pi * 2 / cols, 2)
        texture += np.sqrt(2 / 6) * background.texture_k * np.cos(points_px @ wave + rng.uniform(0, 2 * np.pi))
    return level + background.gradient_k * slope + texture


def _draw_things(temp_c: Array, emits: Array, points_px: Array, things: Sequence[WarmThing]) -> None:
    for thing in things:
        x = (points_px[:, 0] - thing.x_px) / thing.half_width_px
        y = (points_px[:, 1] - thing.y_px) / thing.half_height_px
        inside = x**2 + y**2 <= 1
        temp_c[inside], emits[inside] = thing.temp_c, 0.97


def surroundings_c(points_px: Array, shape: tuple[int, int], reflected_c: float, background: Background) -> Array:
    around_c = np.full(len(points_px), reflected_c)
    if background.operator_c is not None:
        rows, cols = shape
        spread = cols * background.operator_spread
        x, y = background.operator_at
        away2 = (points_px[:, 0] - x * cols) ** 2 + (points_px[:, 1] - y * rows) ** 2
        around_c += (background.operator_c - reflected_c) * np.exp(-away2 / (2 * spread**2))
    return around_c
