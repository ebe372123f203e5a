"""Geometry of outlines and bodies: polygons, oriented rectangles, and where they meet."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.layout.board import Part

# Points nearer than this are one point: far below what a ruler or a photo tells.
SAME_POINT_MM = 1e-6
# Bodies that are held against an outline together: an outline may have thousands of points.
AT_ONCE = 64


def polygon_area(points_mm: ArrayLike) -> float:
    """
    Signed area of a polygon: positive where the points run clockwise as seen (y down).

    Examples
    --------
    >>> polygon_area([[0, 0], [2, 0], [2, 1], [0, 1]])
    2.0
    """
    return float(polygon_areas(points_mm))


def polygon_areas(points_mm: ArrayLike) -> NDArray[np.float64]:
    """
    Signed areas of many polygons of as many points each, of shape (..., n, 2).

    Examples
    --------
    >>> polygon_areas([[[0, 0], [2, 0], [2, 1]], [[0, 0], [0, 1], [1, 0]]]).tolist()
    [1.0, -0.5]
    """
    points = np.asarray(points_mm, dtype=np.float64)
    x, y = points[..., 0], points[..., 1]
    areas: NDArray[np.float64] = (x * np.roll(y, -1, axis=-1) - y * np.roll(x, -1, axis=-1)).sum(axis=-1) / 2
    return areas


def tidy_polygon(points_mm: ArrayLike) -> NDArray[np.float64]:
    """
    The polygon clockwise as seen, without points that repeat their predecessor; shape (n, 2).

    Examples
    --------
    >>> tidy_polygon([[0, 0], [0, 1], [1, 1], [1, 1], [0, 0]]).tolist()
    [[0.0, 0.0], [1.0, 1.0], [0.0, 1.0]]
    """
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    fresh = np.hypot(*(points - np.roll(points, 1, axis=0)).T) > SAME_POINT_MM
    # The first point stays: where the last repeats it, the last goes.
    if len(points) and not fresh[0]:
        fresh = np.hypot(*(points - np.roll(points, -1, axis=0)).T) > SAME_POINT_MM
    points = points[fresh]
    if len(points) >= 3 and polygon_area(points) < 0:
        points = np.vstack([points[:1], points[:0:-1]])
    return points


def crossing_sides(points_mm: ArrayLike) -> tuple[int, int] | None:
    """
    Two sides of a polygon that cross or touch, by their number from 0, or None.

    Examples
    --------
    >>> crossing_sides([[0, 0], [1, 1], [1, 0], [0, 1]])
    (0, 2)
    >>> crossing_sides([[0, 0], [1, 0], [1, 1], [0, 1]]) is None
    True
    """
    start = np.asarray(points_mm, dtype=np.float64)
    end = np.roll(start, -1, axis=0)
    count = len(start)
    for i in range(count - 2):
        others = np.arange(i + 2, count - (1 if i == 0 else 0))
        if not len(others):
            continue
        a, b, c, d = start[i], end[i], start[others], end[others]
        on_c, on_d = _side(a, b, c), _side(a, b, d)
        on_a, on_b = _side(c, d, a), _side(c, d, b)
        boxes_meet = np.all((np.minimum(a, b) <= np.maximum(c, d)) & (np.minimum(c, d) <= np.maximum(a, b)), axis=1)
        hit = (on_c * on_d <= 0) & (on_a * on_b <= 0) & boxes_meet
        if hit.any():
            return i, int(others[np.argmax(hit)])
    return None


def inside_polygon(points_mm: ArrayLike, polygon_mm: ArrayLike) -> NDArray[np.bool_]:
    """
    Which points lie inside a polygon; its edge counts either way.

    Parameters
    ----------
    points_mm : array_like of shape (n, 2)
    polygon_mm : array_like of shape (m, 2)

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> inside_polygon([[0.5, 0.5], [2.0, 0.5]], [[0, 0], [1, 0], [1, 1], [0, 1]]).tolist()
    [True, False]
    """
    points = np.asarray(points_mm, dtype=np.float64)
    start = np.asarray(polygon_mm, dtype=np.float64)
    end = np.roll(start, -1, axis=0)
    x, y = points[:, :1], points[:, 1:]
    spans = (start[:, 1] > y) != (end[:, 1] > y)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        cut = start[:, 0] + (y - start[:, 1]) * (end[:, 0] - start[:, 0]) / (end[:, 1] - start[:, 1])
    result: NDArray[np.bool_] = np.count_nonzero(spans & (x < cut), axis=1) % 2 == 1
    return result


def raster_in_polygon(x_mm: ArrayLike, y_mm: ArrayLike, polygon_mm: ArrayLike) -> NDArray[np.bool_]:
    """
    Which pixels of an upright raster lie inside a polygon; its edge counts either way.

    Parameters
    ----------
    x_mm : array_like of shape (cols,)
    y_mm : array_like of shape (rows,)
    polygon_mm : array_like of shape (m, 2)

    Returns
    -------
    ndarray of bool, shape (rows, cols)

    Examples
    --------
    >>> raster_in_polygon([0.5, 1.5], [0.5], [[0, 0], [1, 0], [1, 1], [0, 1]]).tolist()
    [[True, False]]
    """
    x, y = np.asarray(x_mm, dtype=np.float64), np.asarray(y_mm, dtype=np.float64)[:, None]
    corners = np.asarray(polygon_mm, dtype=np.float64)
    inside = np.zeros((len(y), len(x)), dtype=bool)
    for (x0, y0), (x1, y1) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if y0 != y1:
            crosses = (y >= min(y0, y1)) & (y < max(y0, y1))
            inside ^= crosses & (x < x0 + (y - y0) * (x1 - x0) / (y1 - y0))
    return inside


def outsides_mm(parts: Sequence[Part], polygon_mm: ArrayLike) -> list[float]:
    """
    How far each body reaches beyond an outline, in millimetres; 0 where it does not.

    Corners and middles of the bodies' sides are looked at.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> part = Part("J1", 6.0, 2.0, 1.0, 5.0, 0.0, surface_named("plastic"))
    >>> outsides_mm([part], [[0, 0], [10, 0], [10, 10], [0, 10]])
    [2.0]
    """
    beyond: list[float] = []
    for first in range(0, len(parts), AT_ONCE):
        corners = np.array([part.corners_mm() for part in parts[first : first + AT_ONCE]])
        points = np.concatenate([corners, (corners + np.roll(corners, -1, axis=1)) / 2], axis=1)
        out = ~inside_polygon(points.reshape(-1, 2), polygon_mm).reshape(points.shape[:2])
        beyond += [
            float(distance_to_polygon(own[left], polygon_mm).max()) if left.any() else 0.0
            for own, left in zip(points, out, strict=True)
        ]
    return beyond


def meets_polygon(part: Part, polygon_mm: ArrayLike) -> bool:
    """
    Whether any of a body lies on the board, looked at on a grid of 9 x 9 points and at the outline's corners.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> part = Part("J1", 6.0, 2.0, -4.0, 5.0, 0.0, surface_named("plastic"))
    >>> meets_polygon(part, [[0, 0], [10, 0], [10, 10], [0, 10]])
    False
    """
    steps = np.linspace(-0.5, 0.5, 9)
    x, y = np.meshgrid(steps * part.length_mm, steps * part.width_mm)
    grid = part.board_from_body(np.column_stack([x.ravel(), y.ravel()]))
    corners = np.abs(part.body_from_board(np.asarray(polygon_mm, dtype=np.float64)))
    within = np.all(corners <= [part.length_mm / 2, part.width_mm / 2], axis=1)
    return bool(inside_polygon(grid, polygon_mm).any() or within.any())


def distance_to_polygon(points_mm: ArrayLike, polygon_mm: ArrayLike) -> NDArray[np.float64]:
    """
    Distance of points to the nearest side of a polygon; shape (n,).

    Examples
    --------
    >>> distance_to_polygon([[0.5, 0.25]], [[0, 0], [1, 0], [1, 1], [0, 1]]).tolist()
    [0.25]
    """
    points = np.asarray(points_mm, dtype=np.float64)[:, None, :]
    start = np.asarray(polygon_mm, dtype=np.float64)
    along = np.roll(start, -1, axis=0) - start
    share = np.sum((points - start) * along, axis=2) / np.maximum(np.sum(along**2, axis=1), SAME_POINT_MM**2)
    nearest = start + np.clip(share, 0.0, 1.0)[..., None] * along
    result: NDArray[np.float64] = np.hypot(*np.moveaxis(points - nearest, -1, 0)).min(axis=1)
    return result


def overlaps(parts: Sequence[Part], *, deeper_than_mm: float, most: int | None = None) -> list[tuple[int, int, float]]:
    """
    Pairs of bodies that lie over one another: two indices and how deep, in millimetres.

    With ``most`` no more pairs are given, and no more looked at than twice as many. The depth is the shortest way
    to push the two apart (separating axes). Round bodies count as round.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> plastic = surface_named("plastic")
    >>> row = [Part(f"U{i}", 10.0, 4.0, 8.0 * i, 0.0, 0.0, plastic) for i in range(3)]
    >>> overlaps(row, deeper_than_mm=0.5)
    [(0, 1, 2.0), (1, 2, 2.0)]
    """
    if len(parts) < 2:
        return []
    centres = np.array([[part.x_mm, part.y_mm] for part in parts])
    reach = np.array([np.hypot(part.length_mm, part.width_mm) / 2 for part in parts])
    corners = [_hull(part) for part in parts]
    found: list[tuple[int, int, float]] = []
    looked_at = 0
    for i in range(len(parts) - 1):
        if most is not None and (len(found) >= most or looked_at >= 2 * most):
            break
        near = np.hypot(*(centres[i + 1 :] - centres[i]).T) < reach[i + 1 :] + reach[i]
        looked_at += int(np.count_nonzero(near))
        for j in np.flatnonzero(near) + i + 1:
            depth = _depth(corners[i], corners[j])
            if depth > deeper_than_mm:
                found.append((i, int(j), round(depth, 6)))
    return found


def _hull(part: Part) -> NDArray[np.float64]:
    if not part.round_body:
        return part.corners_mm()
    turn = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    return part.board_from_body(unit * [part.length_mm / 2, part.width_mm / 2])


def _depth(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    sides = np.vstack([np.roll(one, -1, axis=0) - one, np.roll(other, -1, axis=0) - other])
    axes = np.column_stack([-sides[:, 1], sides[:, 0]]) / np.hypot(*sides.T)[:, None]
    a, b = axes @ one.T, axes @ other.T
    return float(np.minimum(a.max(axis=1) - b.min(axis=1), b.max(axis=1) - a.min(axis=1)).min())


def _side(a: NDArray[np.float64], b: NDArray[np.float64], p: NDArray[np.float64]) -> NDArray[np.float64]:
    along, to = b - a, p - a
    return np.sign(along[..., 0] * to[..., 1] - along[..., 1] * to[..., 0])
