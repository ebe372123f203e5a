"""Many places at once moved to the outline that is near."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.homography import homographies
from thermscan.registration.placing.own_heights import STRONG, GradientField
from thermscan.registration.placing.quick_fit import FEWEST_SITES, FLOOR_PX, HOLD_PX, TUKEY, Sites, peaks
from thermscan.robust import MAD_TO_SIGMA, biweight

FloatArray = NDArray[np.float64]

# How far from the prediction the outline is looked for, step by step.
RANGES_PX = (7.0, 5.0, 4.0)
# Steps of the robust fit at each range.
REWEIGHTED = 5


def moved_to_outline(field: GradientField, sites: Sites, corners_mm: FloatArray, places_px: FloatArray) -> FloatArray:
    """
    Each place after Gauss-Newton steps on the outline's edges nearby; NaN where the frame shows too few of them.

    Parameters
    ----------
    field : GradientField
    sites : Sites
    corners_mm : ndarray of shape (4, 2)
    places_px : ndarray of shape (k, 4, 2)

    Returns
    -------
    ndarray of shape (k, 4, 2)

    Notes
    -----
    As `quick_fit`, of the outline alone, which lies by itself: from afar bodies' edges would be taken for each other.
    """
    outline = sites.of_outline()
    corners = places_px.astype(np.float64)
    for range_px in RANGES_PX:
        good = np.flatnonzero(np.isfinite(corners).all(axis=(1, 2)))
        if not len(good):
            break
        corners[good] += _steps(field, outline, corners_mm, corners[good], range_px=range_px)
    return corners


def _steps(
    field: GradientField, outline: Sites, corners_mm: FloatArray, corners: FloatArray, *, range_px: float
) -> FloatArray:
    """One robust step of each place's corners; shape (k, 4, 2)."""
    count, sites, edge = len(corners), len(outline.edge), outline.edge
    at, design, normals = _seen(homographies(corners_mm, corners), corners_mm, outline.points_mm, outline.along_mm)
    reach = np.arange(-np.ceil(range_px) - 1, np.ceil(range_px) + 2)
    looked = at[:, :, None] + reach[:, None] * normals[:, :, None]
    strength = field.across(looked, normals[:, :, None]).reshape(count * sites, -1)
    offset, height = (each.reshape(count, sites) for each in peaks(strength, reach, range_px))
    seen = np.isfinite(offset) & (height > STRONG)
    offset = np.where(seen, offset, 0.0)
    # Sites of one edge share what is wrong with that edge: a long one counts less than its length.
    crowd = np.zeros((count, int(edge.max()) + 1))
    np.add.at(crowd, (np.arange(count)[:, None], edge), seen)
    prior: FloatArray = seen / (FLOOR_PX**2 * np.sqrt(np.maximum(crowd[:, edge], 1.0)))
    step, weights = np.zeros((count, 8)), np.zeros_like(prior)
    hold = np.eye(8) / HOLD_PX**2
    for _ in range(REWEIGHTED):
        rest = offset - (design @ step[:, :, None])[..., 0]
        spread = np.maximum(MAD_TO_SIGMA * _medians(np.abs(rest), seen), FLOOR_PX)
        weights = prior * biweight(rest / (TUKEY * spread[:, None]))
        weighted = (design * weights[..., None]).swapaxes(1, 2)
        step = np.asarray(
            np.linalg.solve(weighted @ design + hold, weighted @ offset[..., None])[..., 0], dtype=np.float64
        )
    few = (weights > 0.05 * prior).sum(axis=1) < FEWEST_SITES
    step[few] = np.nan
    return step.reshape(count, 4, 2)


def _medians(values: FloatArray, counts: NDArray[np.bool_]) -> FloatArray:
    """Of the values in each row that count; shape (k,), 0 where none does."""
    ordered = np.sort(np.where(counts, values, np.inf), axis=1)
    middle = np.maximum(counts.sum(axis=1) - 1, 0)
    rows = np.arange(len(values))
    result = (ordered[rows, middle // 2] + ordered[rows, (middle + 1) // 2]) / 2
    return np.where(counts.any(axis=1), result, 0.0)


def _seen(
    matrices: FloatArray, corners_mm: FloatArray, points_mm: FloatArray, along_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sites in the frame, how each moves across its edge when the corners move, and its edge's normal."""
    at, elements = _by_elements(matrices, points_mm)
    _, corners = _by_elements(matrices, corners_mm)
    ahead, _ = _by_elements(matrices, points_mm + 1e-3 * along_mm)
    way = ahead - at
    normals = np.stack([-way[..., 1], way[..., 0]], axis=-1)
    normals /= np.maximum(np.linalg.norm(normals, axis=-1, keepdims=True), 1e-12)
    by_corners = np.linalg.inv(corners.reshape(len(matrices), 8, 8))
    across = (normals[..., None] * elements).sum(axis=2)
    return at, across @ by_corners, normals


def _by_elements(matrices: FloatArray, points_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points in the frame, (k, n, 2), and how they follow the first eight elements, (k, n, 2, 8)."""
    homogeneous = np.column_stack([points_mm, np.ones(len(points_mm))])
    seen = homogeneous @ matrices.swapaxes(1, 2)
    px = seen[..., :2] / seen[..., 2:]
    ray = homogeneous / seen[..., 2:]
    result = np.zeros((*px.shape, 8))
    result[..., 0, 0:3] = ray
    result[..., 1, 3:6] = ray
    result[..., 6:8] = -px[..., None] * ray[..., None, :2]
    return px, result
