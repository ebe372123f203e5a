"""Which points lie in which shape."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.board import Part

Array = NDArray[np.float64]


def inside_polygon(points: Array, polygon: Array) -> NDArray[np.bool_]:
    """
    Which points lie in a simple polygon, by the crossing-number rule; shape (n,).

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    >>> inside_polygon(np.array([[1.0, 1.0], [3.0, 1.0]]), square).tolist()
    [True, False]
    """
    x, y = points[:, 0], points[:, 1]
    inside = np.zeros(len(points), dtype=bool)
    for (x0, y0), (x1, y1) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        crosses = ((y0 <= y) & (y < y1)) | ((y1 <= y) & (y < y0))
        inside ^= crosses & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return inside


def inside_body(part: Part, points_mm: Array, *, grow_mm: float = 0.0) -> NDArray[np.bool_]:
    """Which points of the board lie under a part's body; shape (n,)."""
    along = np.abs(part.body_from_board(points_mm)) / [part.length_mm / 2 + grow_mm, part.width_mm / 2 + grow_mm]
    reach = np.hypot(along[:, 0], along[:, 1]) if part.round_body else along.max(axis=1)
    result: NDArray[np.bool_] = reach <= 1.0
    return result


def distance_to_polygon(points: Array, polygon: Array) -> Array:
    """Distance of points from a polygon's boundary; shape (n,)."""
    least = np.full(len(points), np.inf)
    for start, end in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        side = end - start
        length2 = float(side @ side)
        along = np.clip((points - start) @ side / length2, 0.0, 1.0) if length2 else np.zeros(len(points))
        gap = points - start - along[:, None] * side
        least = np.minimum(least, np.hypot(gap[:, 0], gap[:, 1]))
    return least


def polygon_area(polygon: Array) -> float:
    """
    Area of a simple polygon.

    Examples
    --------
    >>> polygon_area(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 3.0], [0.0, 3.0]]))
    6.0
    """
    x, y = polygon[:, 0], polygon[:, 1]
    return float(abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2)
