"""Camera pose from the homography: view angle, and where the top of a tall part appears."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.layout.board import Part
from thermscan.registration.geometry.homography import homographies
from thermscan.registration.registration import Registration
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]

# Horizontal fields of view of the lenses that hand-held cameras have, in degrees: what a focal
# length that is calibrated from one view must stay between, and what is assumed where it cannot be had.
FOV_RANGE_DEG = (12.0, 95.0)
FOV_ASSUMED_DEG = 42.0
# The focal length comes from how parallels converge. Where the scale differs by less than this
# over the board, that is buried in the errors of the corners.
CONVERGENCE_NEEDED = 0.08
# How well the focal length is known before heights are seen, as the standard uncertainty of its logarithm: where the
# camera file states it, and where it is assumed.
U_STATED, U_ASSUMED = 0.03, 0.35
# What converging parallels tell of it rests on the corners' places, and on the principal point, which lies off the
# frame's middle by about this share of its width (small lenses, screwed in; from memory).
U_CORNER_PX, U_PRINCIPAL = 0.3, 0.015


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """
    Where the camera stands over the board.

    Attributes
    ----------
    rotation : ndarray of shape (3, 3)
        Camera axes (x right, y down, z forward) of the board's x, y and of the direction into it.
    position_mm : ndarray of shape (3,)
        The board's origin, in camera axes.
    focal_px : float
    centre_px : ndarray of shape (2,)
        Principal point: the middle of the frame.
    focal_source : str
        ``camera`` (from its field of view), ``view`` (from how parallels converge) or ``assumed``.
    """

    rotation: FloatArray
    position_mm: FloatArray
    focal_px: float
    centre_px: FloatArray
    focal_source: str

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        for name in ("rotation", "position_mm", "centre_px"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def view_angle_deg(self, points_mm: ArrayLike) -> FloatArray:
        """Between the board's normal and the line of sight, at points of the board; shape (n,)."""
        mm = np.asarray(points_mm, dtype=np.float64)
        sight = mm @ self.rotation[:, :2].T + self.position_mm
        cosine = np.abs(sight @ self.rotation[:, 2]) / np.linalg.norm(sight, axis=1)
        result: FloatArray = np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0)))
        return result

    def px(self, points_mm: ArrayLike, height_mm: float | ArrayLike = 0.0) -> FloatArray:
        """Points above the board (``height_mm`` towards the camera) in the frame; shape (n, 2)."""
        mm = np.asarray(points_mm, dtype=np.float64)
        height = np.asarray(height_mm, dtype=np.float64)
        seen = mm @ self.rotation[:, :2].T + (self.position_mm - height[..., None] * self.rotation[:, 2])
        result: FloatArray = self.focal_px * seen[:, :2] / seen[:, 2:] + self.centre_px
        return result


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """
    Where the camera stands in many views: `Pose`, with a first axis of views.

    ``told``, of shape (k,), says where the view itself tells the focal length.
    """

    rotation: FloatArray
    position_mm: FloatArray
    focal_px: FloatArray
    told: NDArray[np.bool_]

    def some(self, which: slice) -> Poses:
        """Those of some of the views."""
        return Poses(self.rotation[which], self.position_mm[which], self.focal_px[which], self.told[which])


def as_views(pose: Pose) -> Poses:
    """One pose as that of many views."""
    told = np.array([pose.focal_source == "view"])
    return Poses(pose.rotation[None], pose.position_mm[None], np.array([pose.focal_px]), told)


def focal_from_fov(fov_deg: float, cols: int) -> float:
    """
    Focal length in pixels from the horizontal field of view.

    Examples
    --------
    >>> round(focal_from_fov(90.0, 320), 6)
    160.0
    """
    return cols / 2 / float(np.tan(np.radians(fov_deg) / 2))


def fov_from_focal(focal_px: float, cols: int) -> float:
    """
    Horizontal field of view in degrees from the focal length.

    Examples
    --------
    >>> round(fov_from_focal(160.0, 320), 6)
    90.0
    """
    return float(2 * np.degrees(np.arctan(cols / 2 / focal_px)))


def pose_from_homography(
    px_from_mm: FloatArray,
    *,
    shape: tuple[int, int],
    corners_mm: FloatArray,
    fov_deg: float | None = None,
) -> Pose:
    """
    The camera's pose over the board.

    Parameters
    ----------
    px_from_mm : ndarray of shape (3, 3)
    shape : tuple of int
        Rows and columns of the frame; the principal point is taken in its middle, pixels are square.
    corners_mm : ndarray of shape (4, 2)
        The board's bounding box.
    fov_deg : float, optional
        Horizontal field of view, where the camera file states it.

    Returns
    -------
    Pose
        With ``focal_source`` saying where the focal length comes from. Near the normal a view does
        not tell it; the angle hardly depends on it there.

    References
    ----------
    .. [1] Z. Zhang, A flexible new technique for camera calibration, IEEE Trans. Pattern Analysis and
       Machine Intelligence 22 (2000) 1330-1334: the two constraints of one homography, sections 2.3, 3.1.

    Examples
    --------
    >>> box = np.array([[-50.0, -50.0], [50.0, -50.0], [50.0, 50.0], [-50.0, 50.0]])
    >>> frontal = np.array([[1.0, 0, 159.5], [0, 1.0, 119.5], [0, 0, 1.0]])
    >>> pose = pose_from_homography(frontal, shape=(240, 320), corners_mm=box)
    >>> pose.focal_source, round(float(pose.view_angle_deg([[0.0, 0.0]])[0]), 6)
    ('assumed', 0.0)
    """
    views = poses_from_homographies(px_from_mm[None], shape=shape, corners_mm=corners_mm, fov_deg=fov_deg)
    source = "camera" if fov_deg is not None else "view" if views.told[0] else "assumed"
    rows, cols = shape
    centre = np.array([(cols - 1) / 2, (rows - 1) / 2])
    return Pose(views.rotation[0], views.position_mm[0], float(views.focal_px[0]), centre, source)


def poses_from_homographies(
    px_from_mm: FloatArray, *, shape: tuple[int, int], corners_mm: FloatArray, fov_deg: float | None = None
) -> Poses:
    """As `pose_from_homography`, for many views at once; ``px_from_mm`` of shape (k, 3, 3)."""
    rows, cols = shape
    centred = np.array([[1, 0, -(cols - 1) / 2], [0, 1, -(rows - 1) / 2], [0, 0, 1]]) @ px_from_mm
    seen = np.full(len(centred), np.nan) if fov_deg is not None else _focals_of_views(centred, corners_mm, cols)
    told = np.isfinite(seen)
    focal = np.where(told, seen, focal_from_fov(FOV_ASSUMED_DEG if fov_deg is None else fov_deg, cols))
    columns = centred / np.stack([focal, focal, np.ones(len(focal))], axis=1)[:, :, None]
    ahead = np.sign(columns[:, 2] @ np.append(corners_mm.mean(axis=0), 1.0))
    size = np.sqrt(np.linalg.norm(columns[:, :, 0], axis=1) * np.linalg.norm(columns[:, :, 1], axis=1))
    columns *= (ahead / size)[:, None, None]
    across, down = columns[:, :, 0], columns[:, :, 1]
    left, _, right = np.linalg.svd(np.stack([across, down, np.cross(across, down)], axis=2))
    return Poses(left @ right, columns[:, :, 2], focal, told)


def u_log_focal(
    px_from_mm: FloatArray, *, shape: tuple[int, int], corners_mm: FloatArray, fov_deg: float | None = None
) -> float:
    """
    How well the focal length of `pose_from_homography` is known: standard uncertainty of its logarithm.

    Where the view tells it, what errors of its corners and of the principal point make of it, by differences.

    Examples
    --------
    >>> box = np.array([[-50.0, -50.0], [50.0, -50.0], [50.0, 50.0], [-50.0, 50.0]])
    >>> u_log_focal(np.diag([1.0, 1.0, 1.0]), shape=(240, 320), corners_mm=box)
    0.35
    """
    if fov_deg is not None:
        return U_STATED
    rows, cols = shape
    centred = np.array([[1, 0, -(cols - 1) / 2], [0, 1, -(rows - 1) / 2], [0, 0, 1.0]]) @ px_from_mm
    here = float(_focals_of_views(centred[None], corners_mm, cols)[0])
    if not np.isfinite(here):
        return U_ASSUMED
    corners_px = map_points(centred, corners_mm)
    errors_px = np.concatenate([np.eye(8) * U_CORNER_PX, np.tile(np.eye(2) * U_PRINCIPAL * cols, 4)])
    told = _focals_of_views(homographies(corners_mm, corners_px + errors_px.reshape(-1, 4, 2)), corners_mm, cols)
    off = np.where(np.isfinite(told), np.log(told / here), U_ASSUMED)
    return float(min(np.hypot.reduce(off), U_ASSUMED))


def view_angle_deg(pose: Pose, corners_mm: FloatArray) -> float:
    """
    Between the board's normal and the line of sight, at the middle of the board.

    Examples
    --------
    >>> box = np.array([[-50.0, -50.0], [50.0, -50.0], [50.0, 50.0], [-50.0, 50.0]])
    >>> pose = Pose(np.eye(3), np.array([0.0, 0.0, 100.0]), 300.0, np.array([159.5, 119.5]), "camera")
    >>> view_angle_deg(pose, box)
    0.0
    """
    return float(pose.view_angle_deg(corners_mm.mean(axis=0, keepdims=True))[0])


def body_corners_px(registration: Registration, part: Part, pose: Pose) -> FloatArray:
    """
    Where the top of a part's body appears in the frame; shape (4, 2).

    The top of a tall part is displaced by parallax. The displacement comes from the pose, the place
    on the board from the homography itself. A part whose ``height_mm`` is not stated counts as flat.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> part = Part("U1", 10.0, 10.0, 0.0, 0.0, 0.0, Surface("plastic", 0.95, 0.02), height_mm=50.0)
    >>> pose = Pose(np.eye(3), np.array([0.0, 0.0, 100.0]), 100.0, np.zeros(2), "camera")
    >>> found = Registration("corners", np.eye(3), np.zeros((4, 2)), np.eye(8), 0.0, 0.0, 0.0)
    >>> body_corners_px(found, part, pose)[0].tolist()
    [-10.0, -10.0]
    """
    corners: FloatArray = bodies_corners_px(registration, [part], np.array([part.height_mm or 0.0]), pose)[0]
    return corners


def bodies_corners_px(
    registration: Registration, parts: Sequence[Part], heights_mm: FloatArray, pose: Pose
) -> FloatArray:
    """As `body_corners_px`, for many parts at once, each as high as is given; shape (n, 4, 2)."""
    corners = np.array([part.corners_mm() for part in parts]).reshape(-1, 2)
    moved = registration.px(corners)
    high = np.repeat(np.asarray(heights_mm) != 0, 4)
    if high.any():
        moved[high] += pose.px(corners[high], np.repeat(heights_mm, 4)[high]) - pose.px(corners[high])
    return moved.reshape(-1, 4, 2)


def _focals_of_views(centred: FloatArray, corners_mm: FloatArray, cols: int) -> FloatArray:
    """
    Least squares of the two constraints r1.r2 = 0 and |r1| = |r2| on one unknown, 1/f^2, of each of many views; (k,).

    NaN where a view does not tell it.
    """
    depth = np.abs(centred[:, 2, :2] @ corners_mm.T + centred[:, 2, 2:])
    seen = centred @ np.append(corners_mm.mean(axis=0), 1.0)
    scale = (centred[:, :2, :2] - (seen[:, :2] / seen[:, 2:])[:, :, None] * centred[:, 2:, :2]) / seen[:, 2, None, None]
    size = np.linalg.norm(scale, axis=(1, 2))[:, None]
    one, two = centred[:, :, 0] / size, centred[:, :, 1] / size
    flat = np.stack([(one * two)[:, :2].sum(axis=1), (one**2 - two**2)[:, :2].sum(axis=1)], axis=1)
    deep = np.stack([one[:, 2] * two[:, 2], one[:, 2] ** 2 - two[:, 2] ** 2], axis=1)
    lowest, highest = (focal_from_fov(fov, cols) for fov in reversed(FOV_RANGE_DEG))
    with np.errstate(divide="ignore", invalid="ignore"):
        focal = np.sqrt(-(deep * flat).sum(axis=1) / (deep**2).sum(axis=1))
        converges = depth.max(axis=1) / depth.min(axis=1) - 1 >= CONVERGENCE_NEEDED
        return np.where(converges & (lowest <= focal) & (focal <= highest), focal, np.nan)
