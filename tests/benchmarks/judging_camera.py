"""The camera of a judging trial: where it stands, how its lens bends, and a real sensor's errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from samples.simulator import IDEAL, Background, BoardField, Pose, WarmThing, render_frame, sample_pose
from thermscan.layout.board import Board

Array = NDArray[np.float64]

SHAPES = ((120, 160), (192, 256), (240, 320), (480, 640))
NETD_K, BLUR_PX, OFFSET_K = (0.03, 0.08), (0.4, 0.8), 2.0
MOST_TILT_DEG = 50.0
# By how much of itself a point at the frame's corner is moved, outwards or (more often) inwards.
LENS_BEND = (-0.02, 0.006)
# One uncooled camera on a flat scene, nine frames in two minutes, in parts of its white noise of 2.9 counts: from
# frame to frame rows move by 7.8 counts and columns by 1.7 (a frame's own share of that is 1 in the root of 2), and
# the shading from edge to centre is 37. Others are better: a share of this is drawn for each camera.
ROWS, COLUMNS, SHADING = 7.8 / 2.9 / 2**0.5, 1.7 / 2.9 / 2**0.5, 37.0 / 2.9
SEVERITY = (0.2, 1.0)
# Its noise is correlated by 0.44, 0.39 and 0.35 at lags of 1 to 3 pixels: nearly half of the variance is a smooth
# field, exp(-lag^2 / (4 s^2)), which for s = 3.2 falls to 0.8 of itself at a lag of three.
SMOOTH_SHARE, SMOOTH_PX = 0.45, 3.2


@dataclass(frozen=True, slots=True)
class Camera:
    """One camera, the same in all looks at a board."""

    shape: tuple[int, int]
    netd_k: float
    blur_px: float
    offset_k: float
    bend: float
    severity: float


def draw_camera(rng: np.random.Generator, shape: tuple[int, int]) -> Camera:
    """A camera of so many rows and columns."""
    return Camera(
        shape=shape,
        netd_k=float(rng.uniform(*NETD_K)),
        blur_px=float(rng.uniform(*BLUR_PX)),
        offset_k=float(rng.uniform(-OFFSET_K, OFFSET_K)),
        bend=float(rng.uniform(*LENS_BEND)),
        severity=float(rng.uniform(*SEVERITY)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """What the camera saved, and where it stood."""

    apparent_c: Array
    pose: Pose
    camera: Camera

    def px(self, points_mm: Array) -> Array:
        """Where points of the board's plane are seen, bent by the lens; shape (n, 2)."""
        return bent(self.pose.px(points_mm), self.camera)


def take(
    rng: np.random.Generator, camera: Camera, board: Board, field: BoardField, emissivity: dict[str, float]
) -> Shot:
    """One hand-held look."""
    turn_deg = None if rng.random() < 0.2 else 25.0
    pose = sample_pose(rng, board, camera.shape, MOST_TILT_DEG, turn_deg=turn_deg, fill=(0.55, 0.9))
    seen = render_frame(
        field,
        board,
        pose,
        rng=rng,
        netd_k=0.0,
        sensor=IDEAL,
        blur_px=camera.blur_px,
        reflected_c=field.ambient_c + float(rng.normal(0.0, 1.0)),
        # Another unit of the same type is moulded of another batch.
        emissivity={ref: value + float(rng.normal(0.0, 0.004)) for ref, value in emissivity.items()},
        background=_background(rng, camera.shape, field.ambient_c),
        heights=True,
    )
    return Shot(sense(rng, bend_picture(seen.apparent_c, camera), camera), pose, camera)


def bent(points_px: Array, camera: Camera) -> Array:
    """Points of the straight picture in the bent one; shape (n, 2)."""
    rows, cols = camera.shape
    middle = np.array([(cols - 1) / 2, (rows - 1) / 2])
    away = points_px - middle
    reach2 = (away**2).sum(axis=1, keepdims=True) / (middle @ middle)
    return np.asarray(middle + away * (1 + camera.bend * reach2))


def bend_picture(straight_c: Array, camera: Camera) -> Array:
    """The picture that the lens makes of a straight one."""
    rows, cols = straight_c.shape
    y, x = np.indices(straight_c.shape, dtype=float)
    wanted = np.column_stack([x.ravel(), y.ravel()])
    source = wanted.copy()
    for _ in range(5):
        source += wanted - bent(source, camera)
    picture = map_coordinates(straight_c, [source[:, 1], source[:, 0]], order=3, mode="nearest")
    return np.asarray(picture.reshape(rows, cols))


def sense(rng: np.random.Generator, scene_c: Array, camera: Camera) -> Array:
    """With white and smooth noise, rows and columns that wander, and shading."""
    rows, cols = scene_c.shape
    smooth = gaussian_filter(rng.normal(size=scene_c.shape), SMOOTH_PX, mode="wrap")
    noise = np.sqrt(SMOOTH_SHARE) * smooth / smooth.std() + np.sqrt(1 - SMOOTH_SHARE) * rng.normal(size=scene_c.shape)
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    middle = rng.uniform(-0.3, 0.3, 2)
    # One from the centre to the middle of an edge.
    shading = (x - middle[0]) ** 2 + (y - middle[1]) ** 2
    wander = ROWS * rng.normal(size=(rows, 1)) + COLUMNS * rng.normal(size=(1, cols))
    pattern = wander + SHADING * float(rng.choice([-1.0, 1.0])) * (shading - shading.mean())
    return np.asarray(scene_c + camera.offset_k + camera.netd_k * (noise + camera.severity * pattern))


def _background(rng: np.random.Generator, shape: tuple[int, int], ambient_c: float) -> Background:
    rows, cols = shape
    things: tuple[WarmThing, ...] = ()
    if rng.random() < 0.25:
        # A supply or a lamp beside the board; what the board covers is hidden by it.
        place = float(rng.uniform(0, cols)), float(rng.choice([0.02, 0.98])) * rows
        things = (WarmThing(*place, 0.12 * cols, 0.15 * rows, ambient_c + float(rng.uniform(3.0, 15.0))),)
    operator_c = 31.0 if rng.random() < 0.15 else None
    return Background(
        bench_c=ambient_c + float(rng.normal(0.0, 0.5)), gradient_k=float(rng.uniform(0.0, 1.0)), things=things,
        operator_c=operator_c,
    )  # fmt: skip
