"""Many places at once moved to the layout's edges nearby."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.homography import corner_jacobian, homographies, mapped
from thermscan.registration.geometry.plausible import plausible
from thermscan.registration.placing.own_heights import STRONG, GradientField
from thermscan.registration.placing.sites import Sites
from thermscan.robust import MAD_TO_SIGMA, biweight

FloatArray = NDArray[np.float64]

# What an edge differs from the layout's even where nothing is wrong, in pixels of the search.
FLOOR_PX = 0.35
# Tukey's biweight rejects beyond this many robust standard deviations (95 % efficient at normal errors).
TUKEY = 4.685
FEWEST_SITES = 24
HOLD_PX = 30.0
# Steps of the robust fit at each range.
REWEIGHTED = 6


def moved_to_edges(
    field: GradientField,
    sites: Sites,
    corners_mm: FloatArray,
    places_px: FloatArray,
    *,
    ranges_px: tuple[float, ...],
    shift_px: FloatArray | None = None,
    u_px: FloatArray | None = None,
) -> FloatArray:
    """
    Each place after Gauss-Newton steps on where the gradient is strongest along the normals of the layout's edges.

    Parameters
    ----------
    field : GradientField
    sites : Sites
        Along the edges to use.
    corners_mm : ndarray of shape (4, 2)
    places_px : ndarray of shape (k, 4, 2)
    ranges_px : tuple of float
        How far from the prediction to look, step by step.
    shift_px, u_px : ndarray of shape (k, m, 2), optional
        By how much heights displace each edge, and how uncertain that is.

    Returns
    -------
    ndarray of shape (k, 4, 2)
        NaN where the frame shows too few of the predicted edges, or the corners run away.

    References
    ----------
    .. [1] T. Drummond, R. Cipolla, Real-time visual tracking of complex structures, IEEE Trans. Pattern
       Analysis and Machine Intelligence 24 (2002) 932-946: robust least squares on normal offsets.
    """
    corners = places_px.astype(np.float64)
    nothing = np.zeros((len(corners), int(sites.edge.max(initial=0)) + 1, 2))
    shift, u = (nothing if each is None else each for each in (shift_px, u_px))
    for range_px in ranges_px:
        good = np.flatnonzero(np.isfinite(corners).all(axis=(1, 2)))
        if not len(good):
            break
        moved = corners[good] + _steps(
            field, sites, corners_mm, corners[good], shift=shift[good], u=u[good], range_px=range_px
        )
        corners[good] = np.where(plausible(moved, corners_mm, places_px[good])[:, None, None], moved, np.nan)
    return corners


def _steps(
    field: GradientField,
    sites: Sites,
    corners_mm: FloatArray,
    corners: FloatArray,
    *,
    shift: FloatArray,
    u: FloatArray,
    range_px: float,
) -> FloatArray:
    """One robust step of each place's corners; shape (k, 4, 2)."""
    count, edge = len(corners), sites.edge
    at, design, normals = _seen(homographies(corners_mm, corners), corners_mm, sites.points_mm, sites.along_mm)
    at = at + shift[:, edge]
    own_u = np.abs((normals * u[:, edge]).sum(axis=2))
    reach = np.arange(-np.ceil(range_px) - 1, np.ceil(range_px) + 2)
    looked = at[:, :, None] + reach[:, None] * normals[:, :, None]
    strength = field.across(looked, normals[:, :, None]).reshape(count * len(edge), -1)
    offset, height = (each.reshape(count, len(edge)) for each in _peaks(strength, reach, range_px))
    seen = np.isfinite(offset) & (height > STRONG)
    offset = np.where(seen, offset, 0.0)
    # Sites of one edge share what is wrong with that edge: a long one counts less than its length.
    crowd = np.zeros((count, int(edge.max()) + 1))
    np.add.at(crowd, (np.arange(count)[:, None], edge), seen)
    prior: FloatArray = seen / ((FLOOR_PX**2 + own_u**2) * np.sqrt(np.maximum(crowd[:, edge], 1.0)))
    step, weights = np.zeros((count, 8)), np.zeros_like(prior)
    hold = np.eye(8) / HOLD_PX**2
    for _ in range(REWEIGHTED):
        rest = offset - (design @ step[:, :, None])[..., 0]
        spread = np.maximum(MAD_TO_SIGMA * _medians(np.abs(rest), seen), FLOOR_PX)[:, None]
        weights = prior * biweight(rest / (TUKEY * np.hypot(spread, own_u)))
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


def _peaks(strength: FloatArray, along: FloatArray, range_px: float) -> tuple[FloatArray, FloatArray]:
    """Place and height of the strongest ridge near the prediction; rows of ``strength`` are sites."""
    preferred = strength[:, 1:-1] * np.exp(-0.5 * (along[1:-1] / range_px) ** 2)
    peak = (strength[:, 1:-1] >= strength[:, :-2]) & (strength[:, 1:-1] >= strength[:, 2:])
    best = np.where(peak, preferred, -1.0).argmax(axis=1)
    rows = np.arange(len(strength))
    before, here, after = (strength[rows, best + k] for k in range(3))
    bend = before - 2 * here + after
    with np.errstate(divide="ignore", invalid="ignore"):
        fine = np.where(bend < 0, (before - after) / 2 / bend, 0.0)
    return np.where(peak[rows, best], along[best + 1] + np.clip(fine, -1, 1), np.nan), here


def _seen(
    matrices: FloatArray, corners_mm: FloatArray, points_mm: FloatArray, along_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sites in the frame, how each moves across its edge when the corners move, and its edge's normal."""
    at = mapped(matrices, points_mm)
    way = mapped(matrices, points_mm + 1e-3 * along_mm) - at
    normals = np.stack([-way[..., 1], way[..., 0]], axis=-1)
    normals /= np.maximum(np.linalg.norm(normals, axis=-1, keepdims=True), 1e-12)
    across = (normals[..., None] * corner_jacobian(matrices, corners_mm, points_mm)).sum(axis=2)
    return at, across, normals
