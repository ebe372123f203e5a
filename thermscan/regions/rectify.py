"""The board's raster in millimetres, drawn out of an oblique frame."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points, pixel_centres, sample_bilinear
from thermscan.layout.board import Board
from thermscan.layout.outline import raster_in_polygon
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.hiding import silhouettes
from thermscan.regions.measurement import Rectified
from thermscan.registration.geometry.homography import local_scale
from thermscan.registration.geometry.parallax import pose_seen
from thermscan.registration.registration import Registration

# A raster finer than the frame shows nothing more; past this many cells it only costs time.
LARGEST_RASTER = 600_000


def rectify_frame(
    image: ThermalImage,
    registration: Registration,
    board: Board,
    *,
    fov_deg: float | None = None,
    covered: NDArray[np.bool_] | None = None,
) -> Rectified:
    """
    The board seen from straight above, at about the frame's own resolution.

    Parameters
    ----------
    image : ThermalImage
    registration : Registration
    board : Board
    fov_deg : float, optional
        The camera's horizontal field of view; else told from the view itself, for the tops of tall parts.
    covered : ndarray of bool, shape of the frame, optional
        Where something lies over the board; the raster is marked there as where bodies lean over it.

    Returns
    -------
    Rectified
        NaN where the frame does not show the board, or a pixel there does not count. Outside the
        outline the raster holds the bench.
    """
    centre = (board.width_mm / 2, board.height_mm / 2)
    px_per_mm = float(np.sqrt(abs(np.linalg.det(local_scale(registration.px_from_mm, [centre])[0]))))
    coarsest_mm = float(np.sqrt(board.width_mm * board.height_mm / LARGEST_RASTER))
    mm_per_px = max(1.0 / px_per_mm, coarsest_mm)
    rows, cols = (max(1, round(side / mm_per_px)) for side in (board.height_mm, board.width_mm))
    points_mm = (pixel_centres((rows, cols)) + 0.5) * mm_per_px
    points_px = map_points(registration.px_from_mm, points_mm)
    values = sample_bilinear(image.apparent_c, points_px)
    standing = _standing_pixels(image.shape, registration, board, fov_deg=fov_deg)
    if covered is not None:
        standing |= covered
    overhung = sample_bilinear(standing.astype(np.float64), points_px)
    across_mm, down_mm = ((np.arange(count) + 0.5) * mm_per_px for count in (cols, rows))
    return Rectified(
        apparent_c=values.reshape(rows, cols),
        mm_per_px=mm_per_px,
        on_board=raster_in_polygon(across_mm, down_mm, board.outline_mm),
        overhung=(overhung > 0).reshape(rows, cols),
    )


def _standing_pixels(
    shape: tuple[int, int], registration: Registration, board: Board, *, fov_deg: float | None
) -> NDArray[np.uint8]:
    """1 where the frame shows, or blends in, a body that stands up from the board; shape (rows, cols)."""
    seen = np.zeros(shape, dtype=np.uint8)
    pose = pose_seen(registration, shape=shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
    for silhouette in silhouettes(board, registration, pose):
        cv2.fillConvexPoly(seen, np.round(silhouette.hull_px).astype(np.int32), 1)
    grown: NDArray[np.uint8] = np.asarray(cv2.dilate(seen, np.ones((3, 3), np.uint8)), dtype=np.uint8)
    return grown
