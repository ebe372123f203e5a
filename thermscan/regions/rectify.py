"""The board's raster in millimetres, drawn out of an oblique frame."""

from __future__ import annotations

import numpy as np
from skimage.draw import polygon2mask

from thermscan.coordinates import map_points, sample_bilinear
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.measurement import Rectified
from thermscan.registration.homography import local_scale
from thermscan.registration.registration import Registration

# A raster finer than the frame shows nothing more; past this many cells it only costs time.
LARGEST_RASTER = 600_000


def rectify_frame(image: ThermalImage, registration: Registration, board: Board) -> Rectified:
    """
    The board seen from straight above, at about the frame's own resolution.

    Parameters
    ----------
    image : ThermalImage
    registration : Registration
    board : Board

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
    row, col = np.indices((rows, cols), dtype=np.float64)
    points_mm = np.column_stack([(col.ravel() + 0.5) * mm_per_px, (row.ravel() + 0.5) * mm_per_px])
    values = sample_bilinear(image.apparent_c, map_points(registration.px_from_mm, points_mm))
    outline_rc = board.outline_mm[:, ::-1] / mm_per_px - 0.5
    return Rectified(
        apparent_c=values.reshape(rows, cols),
        mm_per_px=mm_per_px,
        on_board=polygon2mask((rows, cols), outline_rc),
    )
