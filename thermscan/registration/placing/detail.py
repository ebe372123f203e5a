"""The picture's detail on a raster over the board, and what bodies look like there."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass
from thermscan.layout.board import Board

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

# Around the board's longer side the raster has so much of it.
MARGIN = 0.05
# Samples a raster pixel and direction, for what share of it a body covers.
FINE = 4
# What a place may be wrong by, in raster pixels: everything is blurred by this. What is broader than the other is
# warmth that spreads over the board and tells of no body.
TOLERANCE, BROAD = 0.8, 2.4
# The outline and what is so near to it, in raster pixels, tells of no body.
INSET = 2
# Far from all that is asked for the blur finds nothing of it; no quotient is taken below this.
LEAST_SHARE = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """Where a board is sampled: points in millimetres, row by row, of shape (n, 2); its shape, margin and pixel."""

    points_mm: FloatArray
    shape: tuple[int, int]
    margin_mm: float
    pixel_mm: float

    def cells(self, points_mm: FloatArray) -> FloatArray:
        """Points of the board in pixels of the raster, from its corner."""
        result: FloatArray = (points_mm + self.margin_mm) / self.pixel_mm
        return result


def raster_of(board: Board, samples: int) -> Raster:
    """A raster of so many pixels along the board's longer side, and the margin."""
    size = max(board.width_mm, board.height_mm)
    margin, pixel = MARGIN * size, size / samples
    rows, cols = (int(np.ceil((each + 2 * margin) / pixel)) for each in (board.height_mm, board.width_mm))
    row, col = np.indices((rows, cols), dtype=np.float64)
    points = np.column_stack([(col.ravel() + 0.5) * pixel, (row.ravel() + 0.5) * pixel]) - margin
    return Raster(points, (rows, cols), margin, pixel)


def compressed(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """
    A monotonic function of temperature in which one very hot part does not outweigh all others.

    Examples
    --------
    >>> compressed(np.array([[20.0, 21.0, 22.0, 23.0, 120.0]], np.float32)).round(1)
    array([[-0.9, -0.5,  0. ,  0.5,  4.6]], dtype=float32)
    """
    middle = float(np.median(picture))
    spread = float(np.median(np.abs(picture - middle)))
    result: NDArray[np.float32] = np.arcsinh((picture - middle) / max(2 * spread, 0.2)).astype(np.float32)
    return result


def seen_detail(
    picture: Float32Array, raster: Raster, matrix: FloatArray, where: Float32Array
) -> tuple[Float32Array, float]:
    """The picture's detail on a raster, 0 where it is not asked for or the frame ends; and what share of it is seen."""
    px = map_points(matrix, raster.points_mm)
    rows, cols = picture.shape
    at = np.where(np.isfinite(px), px, -1e6).astype(np.float32).reshape(*raster.shape, 2)
    seen = (at >= 0).all(axis=2) & (at[..., 0] <= cols - 1) & (at[..., 1] <= rows - 1)
    values = cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return without_broad(cv2.GaussianBlur(values, (0, 0), TOLERANCE), where * seen), float(seen.mean())


def without_broad(raster: cv2.typing.MatLike, weight: Float32Array) -> Float32Array:
    """Without what is broad, from the pixels given alone; 0 elsewhere."""
    share = np.maximum(broad(weight), LEAST_SHARE)
    return np.asarray((raster - broad(raster * weight) / share) * weight, dtype=np.float32)


def broad(raster: cv2.typing.MatLike) -> Float32Array:
    """What is broad, with nothing beyond the raster."""
    return np.asarray(cv2.GaussianBlur(raster, (0, 0), BROAD, borderType=cv2.BORDER_CONSTANT), dtype=np.float32)


def covered(polygon_px: FloatArray, shape: tuple[int, int]) -> Float32Array:
    """Share of each raster pixel that a polygon covers, blurred like the samples; shape (rows, cols)."""
    result = np.zeros(shape, np.float32)
    low = np.clip(np.floor(polygon_px.min(axis=0)).astype(int) - 4, 0, shape[::-1])
    high = np.clip(np.ceil(polygon_px.max(axis=0)).astype(int) + 4, 0, shape[::-1])
    size = high - low
    if (size <= 0).any():
        return result
    result[low[1] : high[1], low[0] : high[0]] = painted(polygon_px - low, (int(size[1]), int(size[0])))
    return result


def painted(polygon_px: FloatArray, shape: tuple[int, int]) -> Float32Array:
    """The same on a raster that is hardly larger than the polygon."""
    rows, cols = shape
    fine = np.zeros((rows * FINE, cols * FINE), np.float32)
    # fillPoly takes whole numbers with so many binary places.
    cv2.fillPoly(fine, [np.rint((polygon_px * FINE - 0.5) * 16).astype(np.int32)], 1.0, shift=4)
    coarse = cv2.resize(fine, (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(coarse, (0, 0), TOLERANCE), dtype=np.float32)
