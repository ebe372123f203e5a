"""A hand-held thermal camera: where it stands, and what it makes of a board."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.spatial import ConvexHull

from samples.simulator.planck import radiance_of, temperature_of
from samples.simulator.shapes import Array, inside_body, inside_polygon
from samples.simulator.solver import DEFAULT_HEIGHT_MM, BoardField, PartTruth
from thermscan.layout.board import Board, Part

# Refractive index of the dielectric whose emissivity falls at a slant; 1.5 suits plastics and varnish.
REFRACTIVE_INDEX = 1.5
METAL_BELOW = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """
    Where the camera stands. ``px_from_mm`` is the truth that a registration should find.

    Attributes
    ----------
    intrinsic : ndarray of shape (3, 3)
    rotation : ndarray of shape (3, 3)
        From board axes (x right, y down, z away from the component side) to the camera's.
    position_mm : ndarray of shape (3,)
        The board's origin in the camera's axes.
    """

    intrinsic: Array
    rotation: Array
    position_mm: Array
    shape: tuple[int, int]
    tilt_deg: float
    turn_deg: float
    fov_deg: float

    @property
    def px_from_mm(self) -> Array:
        """Homography from the board's plane to pixels, last element 1."""
        return self.plane(0.0)

    def plane(self, height_mm: float) -> Array:
        """Homography from the plane at a height above the board to pixels."""
        lifted = self.position_mm - height_mm * self.rotation[:, 2]
        h = self.intrinsic @ np.column_stack([self.rotation[:, 0], self.rotation[:, 1], lifted])
        result: Array = h / h[2, 2]
        return result

    def px(self, points_mm: Array, *, height_mm: float = 0.0) -> Array:
        """Points of the board in the frame; shape (n, 2)."""
        return _carry(self.plane(height_mm), points_mm)

    def cos_to_normal(self, points_mm: Array) -> Array:
        """Cosine of the angle between the board's normal and the ray from each point; shape (n,)."""
        camera_mm = -self.rotation.T @ self.position_mm
        ray = camera_mm - np.column_stack([points_mm, np.zeros(len(points_mm))])
        result: Array = -ray[:, 2] / np.linalg.norm(ray, axis=1)
        return result


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
    """

    bench_c: float | None = None
    gradient_k: float = 0.5
    texture_k: float = 0.1
    things: tuple[WarmThing, ...] = ()
    operator_c: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """What the camera read, and the truth behind it."""

    apparent_c: Array
    pose: Pose
    truth: dict[str, PartTruth]
    emissivity: dict[str, float]
    offset_k: float
    dead: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((0, 0), dtype=bool))


def place_camera(
    board: Board,
    shape: tuple[int, int],
    *,
    tilt_deg: float,
    azimuth_deg: float = 0.0,
    turn_deg: float = 0.0,
    fill: float = 0.75,
    fov_deg: float = 40.0,
    shift: tuple[float, float] = (0.5, 0.5),
) -> Pose:
    """
    A camera that looks at the board's middle from a given slant.

    Parameters
    ----------
    azimuth_deg : float
        Direction in the board's plane towards which the camera is tilted.
    turn_deg : float
        In-plane rotation of the picture.
    fill : float
        Part of the frame's width or height, whichever is tighter, that the board takes.
    fov_deg : float
        Horizontal field of view.
    shift : tuple of float
        Where the board lies in the room that is left over: 0 at the left (top) edge, 1 at the right (bottom).
    """
    rows, cols = shape
    focal = (cols / 2) / np.tan(np.deg2rad(fov_deg) / 2)
    intrinsic = np.array([[focal, 0, (cols - 1) / 2], [0, focal, (rows - 1) / 2], [0, 0, 1.0]])
    turn, azimuth = np.deg2rad(turn_deg), np.deg2rad(azimuth_deg)
    rotation = _about(2, turn) @ _about(2, azimuth) @ _about(1, np.deg2rad(tilt_deg)) @ _about(2, -azimuth)
    middle = np.array([board.width_mm / 2, board.height_mm / 2, 0.0])
    outline = np.asarray(board.outline_mm)
    size = np.array([cols, rows], dtype=float)

    def pose_at(distance_mm: float, aside_px: Array) -> Pose:
        aim = np.array([*(aside_px / focal * distance_mm), distance_mm])
        return Pose(intrinsic, rotation, aim - rotation @ middle, shape, tilt_deg, turn_deg, fov_deg)

    aside = np.zeros(2)
    near, far = float(np.hypot(board.width_mm, board.height_mm)) * 0.52, 1e4
    for _ in range(3):
        low, high = near, far
        for _ in range(50):
            distance = np.sqrt(low * high)
            span = np.ptp(pose_at(distance, aside).px(outline), axis=0)
            low, high = (distance, high) if (span / size).max() > fill else (low, distance)
        seen = pose_at(high, aside).px(outline)
        spare = size - 1 - np.ptp(seen, axis=0)
        aside = aside + np.asarray(shift) * spare - seen.min(axis=0)
    return pose_at(high, aside)


def sample_pose(
    rng: np.random.Generator,
    board: Board,
    shape: tuple[int, int],
    max_tilt_deg: float = 50.0,
    *,
    turn_deg: float | None = 25.0,
    fill: tuple[float, float] = (0.55, 0.9),
) -> Pose:
    """A random hand-held view; ``turn_deg`` bounds the in-plane rotation, None lets it be any."""
    largest = 180.0 if turn_deg is None else turn_deg
    return place_camera(
        board,
        shape,
        tilt_deg=float(rng.uniform(0.0, max_tilt_deg)),
        azimuth_deg=float(rng.uniform(0.0, 360.0)),
        turn_deg=float(rng.uniform(-largest, largest)),
        fill=float(rng.uniform(*fill)),
        fov_deg=float(rng.uniform(25.0, 55.0)),
        shift=(float(rng.uniform(0.2, 0.8)), float(rng.uniform(0.2, 0.8))),
    )


def render_frame(
    field: BoardField,
    board: Board,
    pose: Pose,
    *,
    rng: np.random.Generator,
    netd_k: float = 0.05,
    offset_k: float = 0.0,
    blur_px: float = 0.6,
    reflected_c: float | None = None,
    emissivity: Mapping[str, float] | None = None,
    emissivity_spread: float = 0.0,
    stripes_k: float = 0.0,
    shading_k: float = 0.0,
    dead_pixels: int = 0,
    background: Background | None = None,
    heights: bool = False,
    slant: bool = True,
    band_um: tuple[float, float] = (8.0, 14.0),
    subsamples: int = 3,
) -> Rendered:
    """
    What the camera reads of a board, set to emissivity 1.

    Parameters
    ----------
    blur_px : float
        Standard deviation of the optics' point spread; the pixel's own area comes on top.
    reflected_c : float, optional
        Apparent temperature of the surroundings; default ambient.
    emissivity : mapping, optional
        True emissivity by ref, and of the bare board under ``""``, where it is not the layout's.
    emissivity_spread : float
        How many of the surface's standard uncertainties true emissivities deviate by, at random.
    stripes_k, shading_k : float
        Standard deviation of a column pattern; amplitude of a slow unevenness over the frame.
    heights : bool
        Draw parts as boxes, so that a slanted view displaces their tops.
    slant : bool
        Let emissivity fall at a slant as a smooth dielectric's does.
    """
    background = background or Background()
    reflected_c = field.ambient_c if reflected_c is None else reflected_c
    true_emissivity = _draw_emissivity(rng, board, emissivity or {}, emissivity_spread)
    scene_c, scene_e, points_px = _scene(
        field,
        board,
        pose,
        emissivity=true_emissivity,
        background=background,
        rng=rng,
        subsamples=subsamples,
        heights=heights,
    )
    if slant:
        points_mm = _carry(np.linalg.inv(pose.px_from_mm), points_px)
        scene_e = np.where(scene_e > METAL_BELOW, scene_e * _slant_factor(pose.cos_to_normal(points_mm)), scene_e)
    around_c = _surroundings(points_px, pose.shape, reflected_c, background)
    emitted = scene_e * radiance_of(scene_c, band_um=band_um)
    radiance = emitted + (1 - scene_e) * radiance_of(around_c, band_um=band_um)
    rows, cols = pose.shape
    fine = radiance.reshape(rows * subsamples, cols * subsamples)
    fine = gaussian_filter(fine, blur_px * subsamples, mode="nearest") if blur_px > 0 else fine
    mean = fine.reshape(rows, subsamples, cols, subsamples).mean(axis=(1, 3))
    # Noise is the detector's: the same in radiance everywhere, stated at 30 degrees.
    per_k = float(radiance_of(30.5, band_um=band_um) - radiance_of(29.5, band_um=band_um))
    apparent_c = temperature_of(mean + rng.normal(0.0, netd_k * per_k, mean.shape), band_um=band_um) + offset_k
    apparent_c += rng.normal(0.0, stripes_k, cols) if stripes_k else 0.0
    if shading_k:
        y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
        apparent_c += shading_k * ((x**2 + y**2) / 2 - 1 / 3)
    dead = np.zeros(pose.shape, dtype=bool)
    if dead_pixels:
        dead.ravel()[rng.choice(dead.size, dead_pixels, replace=False)] = True
        apparent_c[dead] = rng.choice([field.ambient_c - 15.0, field.ambient_c + 60.0], dead_pixels)
    truth = {part.ref: field.truth(part) for part in board.parts}
    return Rendered(apparent_c, pose, truth, true_emissivity, offset_k, dead)


def _draw_emissivity(
    rng: np.random.Generator, board: Board, given: Mapping[str, float], spread: float
) -> dict[str, float]:
    """By ref; the bare board under the empty name. Deviations are half the surface's and half the part's own."""
    by_surface = {part.surface.name: rng.normal() for part in board.parts}
    drawn = {"": board.surface.emissivity + spread * board.surface.u_emissivity * rng.normal()}
    for part in board.parts:
        deviation = np.sqrt(0.5) * (by_surface[part.surface.name] + rng.normal())
        drawn[part.ref] = part.surface.emissivity + spread * part.surface.u_emissivity * deviation
    return {ref: float(np.clip(value, 0.02, 0.99)) for ref, value in (drawn | dict(given)).items()}


def _scene(
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
    points_mm = _carry(np.linalg.inv(pose.px_from_mm), points_px)
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
        top_mm = _carry(np.linalg.inv(pose.plane(height)), points_px[near])
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


def _surroundings(points_px: Array, shape: tuple[int, int], reflected_c: float, background: Background) -> Array:
    around_c = np.full(len(points_px), reflected_c)
    if background.operator_c is not None:
        rows, cols = shape
        spread = cols / 5
        away2 = (points_px[:, 0] - 0.4 * cols) ** 2 + (points_px[:, 1] - 0.3 * rows) ** 2
        around_c += (background.operator_c - reflected_c) * np.exp(-away2 / (2 * spread**2))
    return around_c


def _slant_factor(cosine: Array) -> Array:
    """
    Emissivity of a smooth dielectric at a slant, relative to that along the normal (Fresnel, unpolarised).

    Examples
    --------
    >>> bool(abs(_slant_factor(np.array([0.5]))[0] - 0.9108 / 0.96) < 1e-4)
    True
    """
    n = REFRACTIVE_INDEX
    cos_in = np.clip(np.abs(cosine), 1e-3, 1.0)
    cos_out = np.sqrt(1 - (1 - cos_in**2) / n**2)
    across = ((cos_in - n * cos_out) / (cos_in + n * cos_out)) ** 2
    along = ((n * cos_in - cos_out) / (n * cos_in + cos_out)) ** 2
    result: Array = (1 - (across + along) / 2) / (1 - ((n - 1) / (n + 1)) ** 2)
    return result


def _carry(homography: Array, points: Array) -> Array:
    h = homography
    x, y = points[:, 0], points[:, 1]
    depth = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    return np.column_stack(
        [(h[0, 0] * x + h[0, 1] * y + h[0, 2]) / depth, (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / depth]
    )


def _about(axis: int, angle_rad: float) -> Array:
    """Rotation about one axis."""
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    turn = np.eye(3)
    i, j = [(1, 2), (2, 0), (0, 1)][axis]
    turn[i, i] = turn[j, j] = cos
    turn[i, j], turn[j, i] = -sin, sin
    return turn
