"""How much of the detail a layout's bodies explain at thousands of places at once: coarse, to choose among them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Board
from thermscan.registration.placing.detail import detail_operator, detail_pattern

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

# The board's longer side in raster pixels: a place that is off by a few hundredths of it still shows its bodies.
RASTER = 24


@dataclass(frozen=True, slots=True, eq=False)
class CoarsePattern:
    """
    A layout on a coarse raster, for many places in one product.

    Attributes
    ----------
    points_mm : ndarray of shape (n, 2)
    detail : ndarray of float32, shape (n, n)
        From samples to their detail.
    told : ndarray of float32, shape (n, p)
        From samples to how much of each direction of outline and bodies they hold.
    mm_per_px : float
    """

    points_mm: FloatArray
    detail: Float32Array
    told: Float32Array
    mm_per_px: float


def coarse_pattern(board: Board) -> CoarsePattern:
    """The coarse pattern of a board's layout."""
    pattern = detail_pattern(board, raster=RASTER)
    detail = detail_operator(pattern.shape)
    size = max(board.width_mm, board.height_mm)
    return CoarsePattern(pattern.points_mm, detail, detail @ pattern.whole, size / RASTER)


def coarsely_explained(picture: Float32Array, pattern: CoarsePattern, matrices: FloatArray) -> FloatArray:
    """
    Share of the detail that outline and bodies explain, at each of many places; shape (k,).

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, cols)
        Any monotonic function of temperature; no NaN.
    pattern : CoarsePattern
    matrices : ndarray of shape (k, 3, 3)
        Homographies from board to picture.
    """
    if not len(matrices):
        return np.zeros(0)
    x_mm, y_mm = pattern.points_mm.T.astype(np.float32)
    m = matrices.astype(np.float32)[:, :, :, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        x, y = (m[:, k, 0] * x_mm + m[:, k, 1] * y_mm + m[:, k, 2] for k in (0, 1))
        depth = m[:, 2, 0] * x_mm + m[:, 2, 1] * y_mm + m[:, 2, 2]
        x, y = x / depth, y / depth
    rows, cols = picture.shape
    seen = (x >= 0) & (y >= 0) & (x <= cols - 1) & (y <= rows - 1)
    # A raster pixel stands for what lies about it, at the size that places have as a rule.
    px_per_mm = float(np.median(np.sqrt(np.abs(np.linalg.det(matrices)))))
    smooth = cv2.GaussianBlur(picture, (0, 0), max(0.5 * pattern.mm_per_px * px_per_mm, 0.5))
    column = np.clip(np.nan_to_num(np.rint(x)), 0, cols - 1).astype(np.intp)
    row = np.clip(np.nan_to_num(np.rint(y)), 0, rows - 1).astype(np.intp)
    samples = smooth.ravel()[row * cols + column]
    power = ((samples @ pattern.detail) ** 2).sum(axis=1)
    told = ((samples @ pattern.told) ** 2).sum(axis=1)
    good = (seen.mean(axis=1) > 0.5) & (power > 0)
    result: FloatArray = np.where(good, told / np.where(power > 0, power, 1.0), 0.0).astype(np.float64)
    return result
