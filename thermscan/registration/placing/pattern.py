"""How well the layout explains a frame at a given place: the test of a candidate and of its orientation."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.layout.board import Board
from thermscan.registration.geometry.homography import homography_from_corners

FloatArray = NDArray[np.float64]

# The board is compared on a raster of so many pixels along its longer side, with a margin around it in
# which the bench shows: enough for a body of 2 % of the board, and quick.
RASTER = 72
MARGIN = 0.07
FINE = 4  # samples a raster pixel and direction, for what share of it a body covers
# What a candidate may be wrong by before it is refined, in raster pixels: everything is blurred by this.
TOLERANCE = 1.0
# Warmth that spreads over the board is smooth; so many cosines each way stand for it.
SMOOTH = 7
# Bodies that are hidden or alike make the basis singular; directions below this share of power are dropped.
SINGULAR = 1e-4
# Where a part of the raster is hidden the basis is no longer orthogonal; this keeps its equations sound.
RIDGE = 0.02
# Where less than this share is hidden, it is made up from what is next to it.
NEGLECTED = 0.04
# Where less than this share of the raster lies in the frame, the candidate cannot be told.
LEAST_SEEN = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class LayoutPattern:
    """
    What the layout lets one expect of the rectified frame: an orthonormal basis, fixed for a board.

    Attributes
    ----------
    points_mm : ndarray of shape (n, 2)
        Centres of the raster, row by row.
    shape : tuple of int
        Rows and columns of the raster.
    basis : ndarray of shape (n, s + p)
        Orthonormal: slow changes that any scene may show, then board and bodies with what is slow
        taken out.
    smooth_count : int
        How many of its columns are slow changes.
    """

    points_mm: FloatArray
    shape: tuple[int, int]
    basis: FloatArray
    smooth_count: int


@dataclass(frozen=True, slots=True, eq=False)
class BoardRaster:
    """
    A raster over the board and its margin.

    Attributes
    ----------
    points_mm : ndarray of shape (n, 2)
        Centres of its pixels, row by row.
    shape : tuple of int
        Rows and columns.
    margin_mm, mm_per_px : float
    """

    points_mm: FloatArray
    shape: tuple[int, int]
    margin_mm: float
    mm_per_px: float


def board_raster(board: Board, longest: int) -> BoardRaster:
    """
    The raster with so many pixels along the board's longer side.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> outline = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> board_raster(Board("b", None, outline, 1.6, Surface("plastic", 0.95, 0.02), ()), 100).shape
    (64, 114)
    """
    size = max(board.width_mm, board.height_mm)
    margin, mm_per_px = MARGIN * size, size / longest
    rows = int(np.ceil((board.height_mm + 2 * margin) / mm_per_px))
    cols = int(np.ceil((board.width_mm + 2 * margin) / mm_per_px))
    row, col = np.indices((rows, cols), dtype=np.float64)
    points = np.column_stack([(col.ravel() + 0.5) * mm_per_px, (row.ravel() + 0.5) * mm_per_px]) - margin
    return BoardRaster(points, (rows, cols), margin, mm_per_px)


def layout_pattern(board: Board) -> LayoutPattern:
    """
    The pattern of a board's layout.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> surface = Surface("plastic", 0.95, 0.02)
    >>> outline = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> board = Board("b", None, outline, 1.6, surface, (Part("U1", 8.0, 4.0, 10.0, 8.0, 0.0, surface),))
    >>> pattern = layout_pattern(board)
    >>> pattern.basis.shape[1] - pattern.smooth_count
    2
    """
    raster = board_raster(board, RASTER)
    shapes = [board.outline_mm] + [part.corners_mm() for part in board.parts]
    covers = np.column_stack([cover(shape, raster) for shape in shapes])
    smooth, _ = np.linalg.qr(_cosines(*raster.shape))
    detail = covers - smooth @ (smooth.T @ covers)
    size = np.linalg.norm(detail, axis=0)
    detail /= np.where(size > 1e-9, size, 1.0)
    power, turn = np.linalg.eigh(detail.T @ detail)
    sound = power > SINGULAR * power[-1]
    bodies = detail @ (turn[:, sound] / np.sqrt(power[sound]))
    basis = np.hstack([smooth, bodies])
    return LayoutPattern(raster.points_mm, raster.shape, basis, smooth.shape[1])


@dataclass(frozen=True, slots=True)
class Match:
    """
    How the layout fits at a place.

    Attributes
    ----------
    explained : float
        Share of the detail (what is not smooth) that the board and its bodies explain, 0 to 1.
    unexplained : float
        What is left of it, in the frame's units squared, a raster pixel.
    seen : float
        Share of the raster that lies in the frame.
    """

    explained: float
    unexplained: float
    seen: float


NO_MATCH = Match(0.0, float("inf"), 0.0)


def match_layout(
    picture: NDArray[np.float32], pattern: LayoutPattern, *, corners_mm: FloatArray, corners_px: FloatArray
) -> Match:
    """
    How well the layout explains the picture if the board's corners lie at given pixels.

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, cols)
        Any monotonic function of temperature; no NaN.
    """
    px = map_points(homography_from_corners(corners_mm, corners_px), pattern.points_mm)
    return match_values(_sampled(picture, px, pattern.shape), pattern)


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


def match_values(values: FloatArray, pattern: LayoutPattern) -> Match:
    """
    How well the layout explains values on its own raster; NaN where the frame shows nothing.

    The projection is by a basis that is fixed where all is seen, and by least squares over what is seen
    where something is not.
    """
    seen = np.isfinite(values)
    share = float(seen.mean())
    if share < LEAST_SEEN:
        return NO_MATCH
    values = np.where(seen, values, 0.0)
    whole = float(values @ values)
    basis = pattern.basis
    loose = pattern.smooth_count
    aimed = basis.T @ values
    if share < 1:
        hidden = basis[~seen]
        normal = np.eye(basis.shape[1]) * (1 + RIDGE) - hidden.T @ hidden
        slow = float(aimed[:loose] @ np.linalg.solve(normal[:loose, :loose], aimed[:loose]))
        told = float(aimed @ np.linalg.solve(normal, aimed))
    else:
        slow, told = float(aimed[:loose] @ aimed[:loose]), float(aimed @ aimed)
    detail = max(whole - slow, 0.0)
    count = max(int(seen.sum()) - basis.shape[1], 1)
    explained = (told - slow) / detail if detail > 0 else 0.0
    return Match(float(np.clip(explained, 0.0, 1.0)), max(whole - told, 0.0) / count, share)


def _sampled(picture: NDArray[np.float32], px: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """The picture on the raster, smoothed by the tolerance; NaN outside the frame."""
    at = np.where(np.isfinite(px), px, -1e6).astype(np.float32).reshape(*shape, 2)
    values = cv2.remap(
        picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan")
    )
    outside = ~np.isfinite(values)
    if outside.mean() < NEGLECTED:
        # So little is missing that the nearest pixel does, and the quick projection holds.
        values = cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return cv2.GaussianBlur(values, (0, 0), TOLERANCE).astype(np.float64).ravel()
    weight = cv2.GaussianBlur((~outside).astype(np.float32), (0, 0), TOLERANCE)
    values = cv2.GaussianBlur(np.where(outside, 0, values).astype(np.float32), (0, 0), TOLERANCE)
    values = values / np.maximum(weight, 1e-6)
    result: FloatArray = np.where(outside, np.nan, values).astype(np.float64).ravel()
    return result


def cover(polygon_mm: FloatArray, raster: BoardRaster) -> FloatArray:
    """
    Share of each raster pixel that a polygon covers, blurred like the samples; shape (rows * cols,).

    Examples
    --------
    >>> raster = BoardRaster(np.zeros((400, 2)), (20, 20), 0.0, 1.0)
    >>> round(float(cover(np.array([[5.0, 5.0], [15.0, 5.0], [15.0, 15.0], [5.0, 15.0]]), raster).sum()))
    105
    """
    fine = np.zeros((raster.shape[0] * FINE, raster.shape[1] * FINE), np.float32)
    corners = (polygon_mm + raster.margin_mm) / raster.mm_per_px * FINE - 0.5
    # fillPoly takes whole numbers with so many binary places.
    cv2.fillPoly(fine, [np.round(corners * 16).astype(np.int32)], 1.0, shift=4)
    coarse = cv2.resize(fine, raster.shape[::-1], interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(coarse, (0, 0), TOLERANCE).astype(np.float64).ravel()


def _cosines(rows: int, cols: int) -> FloatArray:
    y = (np.arange(rows) + 0.5) / rows
    x = (np.arange(cols) + 0.5) / cols
    down = [np.cos(np.pi * k * y) for k in range(SMOOTH)]
    across = [np.cos(np.pi * k * x) for k in range(SMOOTH)]
    return np.column_stack([np.outer(a, b).ravel() for a in down for b in across])
