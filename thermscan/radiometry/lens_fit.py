"""A lens's distortion from frames of a warmed plate with a regular grid of holes or squares."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import CannotJudge, InputError
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.radiometry.camera import Lens
from thermscan.radiometry.lens import straighten_points
from thermscan.scales import read_only

GRIDS = ("holes", "squares")
# Small frames are enlarged before the grid is sought: finders expect features of some ten pixels.
_SOUGHT_WIDTH_PX = 640
# With fewer views the focal length and the distortion cannot be told apart, unless the field of view is known.
_LEAST_VIEWS = 3
# A grid that is met worse than this was not found right. A pixel is generous: thermal edges are soft.
_WORST_RESIDUAL_PX = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class LensFit:
    """
    A lens with the evidence for it.

    Attributes
    ----------
    lens : Lens
    residual_px : float
        Root mean square distance between the grid found and the grid as the lens would show it.
    u_k1, u_k2 : float
        Standard uncertainties of the radial coefficients.
    largest_shift_px : float
        How far distortion moves a point of the frame, at most.
    used : tuple of int
        Which of the frames, counted from 0, showed the whole grid.
    points_px : ndarray of shape (views, n, 2)
        The grid as found.
    """

    lens: Lens
    residual_px: float
    u_k1: float
    u_k2: float
    largest_shift_px: float
    used: tuple[int, ...]
    points_px: NDArray[np.float64]

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "points_px", read_only(self.points_px))


def fit_lens(
    frames: Sequence[ArrayLike],
    *,
    grid: tuple[int, int],
    pitch_mm: float,
    kind: str = "holes",
    fov_deg: tuple[float, float] | None = None,
) -> LensFit:
    """
    Distortion of a lens from views of one grid.

    Parameters
    ----------
    frames : sequence of array_like of shape (rows, cols)
        Views of the plate, tilted differently; the whole grid in each.
    grid : tuple of int
        Columns and rows: of holes, or of the inner corners between squares.
    pitch_mm : float
        Distance between neighbours.
    kind : str
        ``holes`` or ``squares``.
    fov_deg : tuple of float, optional
        Field of view. With fewer than three views the focal length is taken from it.

    Returns
    -------
    LensFit

    Raises
    ------
    InputError
        An impossible grid, or frames of different sizes.
    CannotJudge
        The grid is found in too few of the frames, or is met too badly.

    Notes
    -----
    k3 is kept 0: the corners of a small frame do not tell it.

    References
    ----------
    .. [1] Z. Zhang, IEEE Trans. Pattern Analysis and Machine Intelligence 22 (2000) 1330-1334.
    """
    _check_grid(grid, pitch_mm, kind)
    views = [np.asarray(frame, dtype=np.float64) for frame in frames]
    if not views or len({view.shape for view in views}) != 1:
        raise InputError(
            f"{len(views)} frames of unlike sizes, or none", where="frames", fix="give frames of one camera"
        )
    rows, cols = views[0].shape
    found = {i: points for i, view in enumerate(views) if (points := find_grid(view, grid=grid, kind=kind)) is not None}
    known_focus = fov_deg is not None and len(found) < _LEAST_VIEWS
    if not found or (len(found) < _LEAST_VIEWS and not known_focus):
        raise CannotJudge(
            f"the grid of {grid[0]} x {grid[1]} {kind} is found in {len(found)} of {len(views)} frames, of which "
            f"{_LEAST_VIEWS} are needed",
            fix="warm the plate more, tilt it differently in each frame, or state the field of view in the camera file",
        )
    plate = np.zeros((grid[0] * grid[1], 3), np.float32)
    plate[:, :2] = pitch_mm * np.mgrid[: grid[0], : grid[1]].T.reshape(-1, 2)
    start, flags = _start(fov_deg, (rows, cols), known_focus=known_focus)
    result = cv2.calibrateCameraExtended(
        [plate] * len(found),
        [points.astype(np.float32) for points in found.values()],
        (cols, rows),
        start,
        np.zeros(5),
        flags=flags,
    )
    residual_px, matrix, distortion, spread = float(result[0]), result[1], np.ravel(result[2]), np.ravel(result[5])
    if not np.isfinite(residual_px) or residual_px > _WORST_RESIDUAL_PX:
        raise CannotJudge(
            f"the lens meets the grid only to {residual_px:.2g} px",
            fix="check --grid and the plate's flatness, and take frames with the grid sharp",
        )
    k1, k2, p1, p2, k3 = (float(value) for value in distortion[:5])
    lens = Lens(float(matrix[0, 0]), float(matrix[1, 1]), float(matrix[0, 2]), float(matrix[1, 2]), k1, k2, p1, p2, k3)
    return LensFit(
        lens=lens,
        residual_px=residual_px,
        u_k1=float(spread[4]),
        u_k2=float(spread[5]),
        largest_shift_px=_largest_shift_px(lens, (rows, cols)),
        used=tuple(found),
        points_px=np.stack(list(found.values())),
    )


def find_grid(frame: ArrayLike, *, grid: tuple[int, int], kind: str = "holes") -> NDArray[np.float64] | None:
    """
    Places of a grid's holes, or of the corners between its squares, in reading order of the plate.

    Parameters
    ----------
    frame : array_like of shape (rows, cols)
        Warm on cold or cold on warm. NaN is taken as the frame's median.
    grid : tuple of int
        Columns and rows.
    kind : str
        ``holes`` or ``squares``.

    Returns
    -------
    ndarray of shape (columns * rows, 2) or None
        Pixels; None where the whole grid is not seen.
    """
    values = np.asarray(frame, dtype=np.float64)
    good = np.isfinite(values)
    if not good.any():
        return None
    low, high = np.percentile(values[good], [1.0, 99.0])
    if high <= low:
        return None
    level = np.clip((np.where(good, values, np.median(values[good])) - low) / (high - low), 0.0, 1.0)
    factor = max(1, round(_SOUGHT_WIDTH_PX / values.shape[1]))
    size = (values.shape[1] * factor, values.shape[0] * factor)
    large = cv2.resize((255 * level).astype(np.uint8), size, interpolation=cv2.INTER_CUBIC)
    for picture in (large, 255 - large):
        seen, points = _seek(picture, grid, kind)
        if seen:
            # Enlarging keeps the outer edges of the outer pixels in place, not their centres.
            centres: NDArray[np.float64] = (points.reshape(-1, 2) + 0.5) / factor - 0.5
            return centres
    return None


def _seek(picture: NDArray[np.uint8], grid: tuple[int, int], kind: str) -> tuple[bool, NDArray[np.float64]]:
    if kind == "squares":
        seen, points = cv2.findChessboardCornersSB(picture, grid, flags=cv2.CALIB_CB_ACCURACY)
        return bool(seen), np.asarray(points, dtype=np.float64)
    settings = cv2.SimpleBlobDetector.Params()
    settings.minThreshold, settings.maxThreshold, settings.thresholdStep = 20.0, 235.0, 10.0
    settings.filterByArea, settings.minArea = True, 20.0
    settings.maxArea = float(picture.size) / (grid[0] * grid[1])
    settings.filterByColor, settings.blobColor = True, 0
    settings.filterByCircularity, settings.filterByConvexity, settings.filterByInertia = False, True, True
    settings.minConvexity, settings.minInertiaRatio = 0.8, 0.1
    settings.minDistBetweenBlobs = 5.0
    detector = cv2.SimpleBlobDetector.create(settings)
    flags = cv2.CALIB_CB_SYMMETRIC_GRID | cv2.CALIB_CB_CLUSTERING
    seen, points = cv2.findCirclesGrid(picture, grid, flags=flags, blobDetector=detector)
    return bool(seen), np.asarray(points, dtype=np.float64)


def _check_grid(grid: tuple[int, int], pitch_mm: float, kind: str) -> None:
    if kind not in GRIDS:
        raise InputError(f'"{kind}" is no grid', where="kind", fix="write holes or squares")
    if min(grid) < 3:
        raise InputError(
            f"a grid of {grid[0]} x {grid[1]} tells no distortion", where="grid", fix="give columns x rows, such as 7x5"
        )
    if not (np.isfinite(pitch_mm) and pitch_mm > 0):
        raise InputError(
            f"{pitch_mm:g} mm is no distance", where="pitch_mm", fix="give the distance between neighbours"
        )


def _start(
    fov_deg: tuple[float, float] | None, shape: tuple[int, int], *, known_focus: bool
) -> tuple[NDArray[np.float64], int]:
    """The camera matrix to start from, and what of it stays fixed."""
    rows, cols = shape
    across, down = fov_deg if fov_deg is not None else (50.0, 50.0 * rows / cols)
    fx, fy = cols / 2 / np.tan(np.deg2rad(across) / 2), rows / 2 / np.tan(np.deg2rad(down) / 2)
    matrix = np.array([[fx, 0.0, (cols - 1) / 2], [0.0, fy, (rows - 1) / 2], [0.0, 0.0, 1.0]])
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_K3
    if known_focus:
        flags |= cv2.CALIB_FIX_FOCAL_LENGTH | cv2.CALIB_FIX_PRINCIPAL_POINT | cv2.CALIB_ZERO_TANGENT_DIST
        flags |= cv2.CALIB_FIX_K2
    return matrix, flags


def _largest_shift_px(lens: Lens, shape: tuple[int, int]) -> float:
    """Between where the lens shows a point and where a pinhole would, over the frame's border."""
    rows, cols = shape
    x, y = np.meshgrid(np.linspace(0, cols - 1, 33), np.linspace(0, rows - 1, 25))
    seen = np.column_stack([x.ravel(), y.ravel()])
    shifts = np.linalg.norm(straighten_points(seen, lens) - seen, axis=1)
    return float(np.max(shifts[np.isfinite(shifts)], initial=0.0))
