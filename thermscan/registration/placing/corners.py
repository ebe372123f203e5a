"""The four corners as a person clicked them: can they be those of a board?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import Fault, InputError
from thermscan.registration.registration import CORNER_NAMES

FloatArray = NDArray[np.float64]

ORDER = "give top left, top right, bottom right, bottom left of the board"
# How well a person points at a corner, one coordinate, in pixels.
CLICK_PX = 1.0
# A corner may lie outside the frame, but not by more than the frame itself.
FARTHEST_FRAMES = 1.0
# A board of fewer pixels than this across has no part with 3 x 3 pixels.
LEAST_SIDE_PX = 12.0


def checked_corners(corners_px: ArrayLike | Sequence[Sequence[float]], *, shape: tuple[int, int]) -> FloatArray:
    """
    Corners that can be those of a board seen from its component side.

    Parameters
    ----------
    corners_px : array_like of shape (4, 2)
        Top left, top right, bottom right, bottom left of the board, wherever these lie in the frame.
    shape : tuple of int
        Rows and columns of the frame.

    Returns
    -------
    ndarray of shape (4, 2)

    Raises
    ------
    InputError
        Not four pairs of finite numbers, far outside the frame, crossed, mirrored, not convex, or too small.

    Examples
    --------
    >>> checked_corners([[10, 10], [100, 12], [90, 80], [12, 76]], shape=(120, 160)).shape
    (4, 2)
    >>> crossed = [[10, 10], [90, 80], [100, 12], [12, 76]]
    >>> checked_corners(crossed, shape=(120, 160))  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    thermscan.errors.InputError: corners_px: the corners are crossed: ...
    """
    try:
        corners = np.array(corners_px, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError("these are not pairs of numbers", where="corners_px", fix=ORDER) from error
    if corners.shape != (4, 2):
        raise InputError(f"{_seen(corners)} instead of four pairs x, y", where="corners_px", fix=ORDER)
    rows, cols = shape
    faults = []
    for name, corner in zip(CORNER_NAMES, corners, strict=True):
        if not np.isfinite(corner).all():
            faults.append(Fault(f"the {name} corner is not a finite number", "corners_px", ORDER))
            continue
        beyond = np.maximum(-corner, corner - [cols, rows]) / [cols, rows]
        if beyond.max() > FARTHEST_FRAMES:
            at = f"({corner[0]:g}, {corner[1]:g})"
            what = f"the {name} corner {at} lies far outside the frame of {cols} x {rows} pixels"
            faults.append(Fault(what, "corners_px", "give pixels: x to the right, y down, from the top left"))
    if faults:
        raise InputError.from_faults(faults)
    _check_order(corners)
    return corners


def _check_order(corners: FloatArray) -> None:
    sides = np.roll(corners, -1, axis=0) - corners
    turns = sides[:, 0] * np.roll(sides, -1, axis=0)[:, 1] - sides[:, 1] * np.roll(sides, -1, axis=0)[:, 0]
    lengths = np.linalg.norm(sides, axis=1)
    small = np.abs(turns) <= 1e-9 * lengths.max() ** 2
    if lengths.min() < LEAST_SIDE_PX:
        short = int(lengths.argmin())
        what = (
            f"the side from {CORNER_NAMES[short]} to {CORNER_NAMES[(short + 1) % 4]} is {lengths[short]:.1f} pixels"
            f" long, fewer than {LEAST_SIDE_PX:g}"
        )
        raise InputError(what, where="corners_px", fix="check the corners, or take the frame from nearer")
    if small.any():
        raise InputError("three corners lie on one line", where="corners_px", fix=ORDER)
    clockwise = int((turns > 0).sum())
    if clockwise == 2:
        raise InputError(
            "the corners are crossed: two sides of the board cut each other", where="corners_px", fix=ORDER
        )
    if clockwise == 0:
        what = "the corners run anticlockwise, which shows the board mirrored"
        raise InputError(what, where="corners_px", fix=ORDER)
    if clockwise in (1, 3):
        odd = int((turns > 0).argmax() if clockwise == 1 else (turns < 0).argmax())
        what = f"the {CORNER_NAMES[(odd + 1) % 4]} corner lies inside the triangle of the other three"
        raise InputError(what, where="corners_px", fix=ORDER)


def _seen(corners: FloatArray) -> str:
    return f"{corners.shape[0]} points" if corners.ndim == 2 and corners.shape[1] == 2 else f"shape {corners.shape}"
