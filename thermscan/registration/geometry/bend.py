"""A lens that bends the view: one number beside the pinhole."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.radiometry.camera import Lens

FloatArray = NDArray[np.float64]

# A usual lens without a camera file displaces the frame's corners by up to 3 % of their distance from the middle.
U_BEND = 0.015


def unit_bend(points_px: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """
    Displacement by a radial bend of one pixel, outwards, at the frame's corners; shape (n, 2).

    Examples
    --------
    >>> unit_bend(np.array([[1.5, 1.5], [4.0, 1.5]]), (4, 4)).round(3).tolist()
    [[0.0, 0.0], [0.691, 0.0]]
    """
    rows, cols = shape
    away = (points_px - [(cols - 1) / 2, (rows - 1) / 2]) / (np.hypot(rows, cols) / 2)
    result: FloatArray = away * (away**2).sum(axis=1, keepdims=True)
    return result


def lens_of_bend(bend_px: float, focal_px: float, shape: tuple[int, int]) -> Lens:
    """
    The lens of one coefficient that bends so.

    Examples
    --------
    >>> from thermscan.radiometry.lens import bend_points
    >>> lens = lens_of_bend(-2.0, 300.0, (240, 320))
    >>> away = np.hypot(240, 320) / 2 / np.hypot(160, 120) * np.array([160.0, 120.0])
    >>> seen = bend_points(away[None] + [lens.cx_px, lens.cy_px], lens)[0] - [lens.cx_px, lens.cy_px]
    >>> round(float(np.hypot(*seen) - 200.0), 6)
    -2.0
    """
    rows, cols = shape
    half = float(np.hypot(rows, cols) / 2)
    return Lens(focal_px, focal_px, (cols - 1) / 2, (rows - 1) / 2, k1=bend_px / half * (focal_px / half) ** 2)
