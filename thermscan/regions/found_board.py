"""The board's corners in the frame, and its proportions, where no layout gives them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.layout.outline import polygon_area
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.geometry.pose import FOV_ASSUMED_DEG, focal_from_fov

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

UNIT_SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
# A board with a corner cut away or a notch still fills this much of its bounding box.
LEAST_FILL = 0.75
# Pixels of the outline within this distance of a side belong to it; rounded corners are left out.
SIDE_WITHIN_PX = 2.5
CORNER_SHARE = 0.1
# Lenses of hand-held cameras, narrow and wide: what the height would be with either.
FOV_USUAL_DEG = (25.0, 55.0)
# A height that would differ by more than this share between those lenses cannot be told from the picture.
HEIGHT_DOUBT = 0.04


def board_corners_px(board: Mask) -> FloatArray | None:
    """
    Corners of the four-sided figure around a board's pixels.

    Parameters
    ----------
    board : ndarray of bool, shape (rows, cols)

    Returns
    -------
    ndarray of shape (4, 2) or None
        Clockwise as seen, from the corner nearest to the frame's top left; None where the pixels fill no such
        figure.

    Examples
    --------
    >>> board = np.zeros((60, 80), dtype=bool)
    >>> board[10:50, 20:70] = True
    >>> board_corners_px(board).round(6).tolist()
    [[19.5, 9.5], [69.5, 9.5], [69.5, 49.5], [19.5, 49.5]]
    """
    contours, _ = cv2.findContours(board.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    contour = max(contours, key=cv2.contourArea)
    hull = cv2.convexHull(contour)
    if len(hull) < 4:
        return None
    quad = cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 2).astype(np.float64)
    if len(quad) != 4:
        return None
    quad = _clockwise_from_top_left(quad)
    corners = _meet_sides(quad, contour.reshape(-1, 2).astype(np.float64))
    if corners is None or board.sum() < LEAST_FILL * abs(cv2.contourArea(corners.astype(np.float32))):
        return None
    return corners


def height_of_board_mm(
    corners_px: FloatArray, width_mm: float, *, shape: tuple[int, int], fov_deg: float | None = None
) -> float | None:
    """
    A board's height from its width and how its rectangle appears; None where the view leaves it open.

    Parameters
    ----------
    corners_px : ndarray of shape (4, 2)
        Top left, top right, bottom right, bottom left.
    width_mm : float
    shape : tuple of int
        Rows and columns of the frame.
    fov_deg : float, optional
        Horizontal field of view, where the camera file states it.

    Notes
    -----
    Seen at a slant, the proportions depend on the lens. Without a stated field of view the height is only told
    where the usual lenses agree on it.

    References
    ----------
    .. [1] Z. Zhang, L.-W. He, Whiteboard scanning and image enhancement, Digital Signal Processing 17 (2007)
       414-432: the aspect ratio of a rectangle from one view, section 3.

    Examples
    --------
    >>> corners = np.array([[60.0, 60.0], [260.0, 60.0], [260.0, 180.0], [60.0, 180.0]])
    >>> round(height_of_board_mm(corners, 100.0, shape=(240, 320)), 6)
    60.0
    """
    rows, cols = shape
    centred = corners_px - [(cols - 1) / 2, (rows - 1) / 2]
    square = homography_from_corners(UNIT_SQUARE, centred)

    def height_with(fov: float) -> float:
        focal = focal_from_fov(fov, cols)
        across, down = (np.linalg.norm(square[:, k] / [focal, focal, 1.0]) for k in (0, 1))
        return float(width_mm * down / across)

    if fov_deg is not None:
        return height_with(fov_deg)
    narrow, wide = (height_with(fov) for fov in FOV_USUAL_DEG)
    height_mm = height_with(FOV_ASSUMED_DEG)
    return height_mm if abs(wide - narrow) <= HEIGHT_DOUBT * height_mm else None


def board_mask(corners_px: FloatArray, shape: tuple[int, int]) -> Mask:
    """
    Pixels whose centres lie within four corners.

    Examples
    --------
    >>> int(board_mask(np.array([[0.5, 0.5], [3.5, 0.5], [3.5, 2.5], [0.5, 2.5]]), (5, 6)).sum())
    6
    """
    rows, cols = np.indices(shape, dtype=np.float64)
    points = np.column_stack([cols.ravel(), rows.ravel()])
    square = map_points(np.linalg.inv(homography_from_corners(UNIT_SQUARE, corners_px)), points)
    inside: Mask = ((square >= 0.0) & (square <= 1.0)).all(axis=1).reshape(shape)
    return inside


def _clockwise_from_top_left(quad: FloatArray) -> FloatArray:
    if polygon_area(quad) < 0:
        quad = quad[::-1]
    return np.roll(quad, -int(np.argmin(quad.sum(axis=1))), axis=0)


def _meet_sides(quad: FloatArray, outline: FloatArray) -> FloatArray | None:
    """The corners again, where lines through the outline's pixels along each side meet."""
    lines = []
    for start, end in zip(quad, np.roll(quad, -1, axis=0), strict=True):
        along = (end - start) / np.linalg.norm(end - start)
        normal = np.array([along[1], -along[0]])  # outwards, as the corners run clockwise
        position = (outline - start) @ along / np.linalg.norm(end - start)
        near = np.abs((outline - start) @ normal) < SIDE_WITHIN_PX
        near &= (position > CORNER_SHARE) & (position < 1 - CORNER_SHARE)
        if near.sum() < 8:
            return None
        middle = outline[near].mean(axis=0)
        _, _, axes = np.linalg.svd(outline[near] - middle, full_matrices=False)
        fitted = axes[1] if axes[1] @ normal > 0 else -axes[1]
        # The outline runs through pixel centres; the board reaches half a pixel further.
        lines.append(np.append(fitted, fitted @ middle + 0.5 * np.abs(fitted).max()))
    table = np.array(lines)
    before = np.roll(table, 1, axis=0)
    return np.array(
        [np.linalg.solve(np.stack([a[:2], b[:2]]), [a[2], b[2]]) for a, b in zip(before, table, strict=True)]
    )
