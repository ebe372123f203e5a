"""Where a hand-held camera stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from samples.simulator.shapes import Array
from thermscan.layout.board import Board


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
        return carry(self.plane(height_mm), points_mm)

    def cos_to_normal(self, points_mm: Array) -> Array:
        """Cosine of the angle between the board's normal and the ray from each point; shape (n,)."""
        camera_mm = -self.rotation.T @ self.position_mm
        ray = camera_mm - np.column_stack([points_mm, np.zeros(len(points_mm))])
        result: Array = -ray[:, 2] / np.linalg.norm(ray, axis=1)
        return result


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


def carry(homography: Array, points: Array) -> Array:
    """Points carried through a plane homography; shape (n, 2)."""
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
