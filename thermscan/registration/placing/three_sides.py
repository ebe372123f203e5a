"""Quadrilaterals of three of the frame's lines: where the fourth side does not show, a camera's view tells it."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.pose import FOV_RANGE_DEG, focal_from_fov

FloatArray = NDArray[np.float64]

# The focal length is tried at so many values where it is not stated: three sides and another focal length, within a
# factor of 1.3, put the fourth side off by no more than the first steps of a fit reach.
FOCALS = 5
# Opposite sides of a board seen at up to 60 degrees converge by less than this, and neighbours meet at more than that.
MOST_CONVERGENCE_DEG, LEAST_CORNER_DEG = 60.0, 30.0
# A side is no shorter than this share of the frame's shorter side, and its corners lie within so much of the frame.
LEAST_SIDE, REACH = 0.15, 0.75


def three_sided_quads(
    lines: FloatArray, shape: tuple[int, ...], corners_mm: FloatArray, *, fov_deg: float | None
) -> FloatArray:
    """
    For any two lines as opposite sides and a third as the one between, the rectangle that a camera sees there.

    Parameters
    ----------
    lines : ndarray of shape (n, 3)
        As (nx, ny, d): nx x + ny y = d.
    corners_mm : ndarray of shape (4, 2)
        Of the board's box, for its proportions: both ways round are tried.
    fov_deg : float or None

    Returns
    -------
    ndarray of shape (k, 4, 2)

    Notes
    -----
    With centred pixels over the focal length as rays, the vanishing point of the two sides is their direction v; the
    third line's own is in the plane through it and at right angles to v. Both span the board's plane, on which the
    third side has a length, and the two sides one that the proportions tell ([1], section 8.6).

    References
    ----------
    .. [1] R. Hartley, A. Zisserman, Multiple View Geometry in Computer Vision, 2nd ed. 2004.
    """
    rows, cols = shape
    if len(lines) < 3:
        return np.zeros((0, 4, 2))
    middle = np.array([(cols - 1) / 2, (rows - 1) / 2])
    line = np.column_stack([lines[:, :2], lines[:, :2] @ middle - lines[:, 2]])
    pairs = np.array(list(combinations(range(len(line)), 2)))
    one, two = np.repeat(pairs, len(line), axis=0).T
    third = np.tile(np.arange(len(line)), len(pairs))
    turned = np.abs(line[:, :2] @ line[:, :2].T)
    meets = np.cos(np.radians(LEAST_CORNER_DEG))
    fine = (one != third) & (two != third) & (turned[one, two] > np.cos(np.radians(MOST_CONVERGENCE_DEG)))
    fine &= (turned[one, third] < meets) & (turned[two, third] < meets)
    one, two, third = one[fine], two[fine], third[fine]
    start, end = _meet(line[one], line[third]), _meet(line[two], line[third])
    limit = REACH * np.array([cols, rows])
    inside = (np.abs(start) < limit).all(axis=1) & (np.abs(end) < limit).all(axis=1)
    inside &= np.linalg.norm(end - start, axis=1) > LEAST_SIDE * min(rows, cols)
    one, two, third, start, end = one[inside], two[inside], third[inside], start[inside], end[inside]
    width, height = np.ptp(corners_mm, axis=0)
    focals = [focal_from_fov(fov_deg, cols)] if fov_deg is not None else _usual_focals(cols)
    found = [
        _rectangles(line[one], line[two], line[third], start, end, focal=focal, ratio=ratio) + middle
        for focal in focals
        for ratio in (height / width, width / height, -height / width, -width / height)
    ]
    quads = np.concatenate(found)
    result: FloatArray = quads[np.isfinite(quads).all(axis=(1, 2))]
    return result


def _usual_focals(cols: int) -> list[float]:
    narrow, wide = (focal_from_fov(each, cols) for each in FOV_RANGE_DEG)
    return [float(each) for each in np.geomspace(wide, narrow, FOCALS)]


def _rectangles(
    one: FloatArray,
    two: FloatArray,
    third: FloatArray,
    start: FloatArray,
    end: FloatArray,
    *,
    focal: float,
    ratio: float,
) -> FloatArray:
    """Third side, then the two corners that are ``ratio`` times its length away along the sides; shape (k, 4, 2)."""
    to_rays = np.array([1 / focal, 1 / focal, 1.0])
    along = _unit(np.cross(one, two) * to_rays)
    across = _unit(np.cross(along, third / to_rays))
    normal = np.cross(along, across)
    rays = [np.column_stack([each / focal, np.ones(len(each))]) for each in (start, end)]
    with np.errstate(divide="ignore", invalid="ignore"):
        near, far = (ray / np.abs((normal * ray).sum(axis=1, keepdims=True)) for ray in rays)
        side = ratio * np.linalg.norm(far - near, axis=1, keepdims=True) * along
        corners = np.stack([near, far, far + side, near + side], axis=1)
        seen: FloatArray = focal * corners[..., :2] / corners[..., 2:]
    seen[np.any(corners[..., 2] <= 0, axis=1)] = np.nan
    return seen


def _meet(one: FloatArray, other: FloatArray) -> FloatArray:
    point = np.cross(one, other)
    with np.errstate(divide="ignore", invalid="ignore"):
        result: FloatArray = point[:, :2] / point[:, 2:]
    return np.where(np.isfinite(result), result, np.inf)


def _unit(vectors: FloatArray) -> FloatArray:
    result: FloatArray = vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-300)
    return result
