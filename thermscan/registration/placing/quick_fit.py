"""A place improved on the frame's gradient: cheap, for several candidates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.registration.geometry.homography import corner_jacobian, homography_from_corners, local_scale
from thermscan.registration.geometry.plausible import plausible
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.own_heights import STRONG, GradientField
from thermscan.robust import MAD_TO_SIGMA, biweight

FloatArray = NDArray[np.float64]

# A site so often along an edge, as a share of the board's longer side; no more than so many sites in all.
SPACING, MOST_SITES = 1 / 45, 700
# What an edge differs from the layout's even where nothing is wrong, in pixels of the search.
FLOOR_PX = 0.35
# Tukey's biweight rejects beyond this many robust standard deviations (95 % efficient at normal errors).
TUKEY = 4.685
FEWEST_SITES = 24
HOLD_PX = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Sites:
    """Places along the layout's edges: in millimetres, with the edges' direction there, and their edge."""

    points_mm: FloatArray
    along_mm: FloatArray
    edge: NDArray[np.intp]
    outline: NDArray[np.bool_]

    def of_outline(self) -> Sites:
        """Those of the outline alone."""
        which = self.outline
        return Sites(self.points_mm[which], self.along_mm[which], self.edge[which], self.outline[which])


def sites_of(edges: LayoutEdges) -> Sites:
    """Sites for a search, spread evenly along all edges."""
    way = edges.ends_mm - edges.starts_mm
    length = np.linalg.norm(way, axis=1)
    outline = edges.part < 0
    size = float(np.ptp(edges.starts_mm[outline], axis=0).max())
    counts = np.maximum(np.round(length / (SPACING * size)), 1).astype(int)
    owner = np.repeat(np.arange(len(counts)), counts)
    order = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = (order + 0.5) / counts[owner]
    sites = Sites(edges.starts_mm[owner] + share[:, None] * way[owner], way[owner], owner, outline[owner])
    inner = np.flatnonzero(~sites.outline)
    if len(inner) <= MOST_SITES:
        return sites
    kept = np.sort(np.concatenate([np.flatnonzero(sites.outline), inner[:: int(np.ceil(len(inner) / MOST_SITES))]]))
    return Sites(sites.points_mm[kept], sites.along_mm[kept], sites.edge[kept], sites.outline[kept])


@dataclass(frozen=True, slots=True, eq=False)
class Risen:
    """By how much each edge is displaced by its part's usual height, in the frame, and how uncertain that is."""

    shift_px: FloatArray
    u_px: FloatArray


def quick_fit(
    field: GradientField,
    sites: Sites,
    corners_mm: FloatArray,
    corners_px: FloatArray,
    *,
    risen: Risen,
    ranges_px: tuple[float, ...],
) -> FloatArray | None:
    """
    Gauss-Newton on where the gradient is strongest along the normals of the layout's edges, outliers refused.

    Parameters
    ----------
    ranges_px : tuple of float
        How far from the prediction to look, step by step.

    Returns
    -------
    ndarray of shape (4, 2) or None
        None where the frame shows too few of the predicted edges, or the corners run away.

    References
    ----------
    .. [1] T. Drummond, R. Cipolla, Real-time visual tracking of complex structures, IEEE Trans. Pattern
       Analysis and Machine Intelligence 24 (2002) 932-946: robust least squares on normal offsets.
    """
    corners = corners_px.astype(np.float64)
    for range_px in ranges_px:
        step = _step(field, sites, corners_mm, corners, risen=risen, range_px=range_px)
        if step is None:
            return None
        corners = corners + step
        if not np.isfinite(corners).all() or not plausible(corners, corners_mm, corners_px):
            return None
    return corners


def _step(
    field: GradientField,
    sites: Sites,
    corners_mm: FloatArray,
    corners: FloatArray,
    *,
    risen: Risen,
    range_px: float,
) -> FloatArray | None:
    """One robust step of the corners."""
    points, edge = sites.points_mm, sites.edge
    matrix = homography_from_corners(corners_mm, corners)
    at, normals = placed(matrix, points, sites.along_mm)
    at = at + risen.shift_px[edge]
    u = np.abs((normals * risen.u_px[edge]).sum(axis=1))
    along = np.arange(-np.ceil(range_px) - 1, np.ceil(range_px) + 2)
    strength = field.across(at[:, None] + along[:, None] * normals[:, None], normals[:, None])
    offset, height = peaks(strength, along, range_px)
    seen = np.isfinite(offset) & (height > STRONG)
    if seen.sum() < FEWEST_SITES:
        return None
    offset, edge, u, normals = offset[seen], edge[seen], u[seen], normals[seen]
    design = np.einsum("ni,nij->nj", normals, corner_jacobian(matrix, corners_mm, points[seen]))
    # Sites of one edge share what is wrong with that edge: a long one counts less than its length.
    crowd = np.sqrt(np.bincount(edge)[edge].astype(np.float64))
    prior = 1.0 / ((FLOOR_PX**2 + u**2) * crowd)
    step = np.zeros(8)
    weights = prior
    hold = np.eye(8) / HOLD_PX**2
    for _ in range(6):
        rest = offset - design @ step
        spread = max(MAD_TO_SIGMA * float(np.median(np.abs(rest))), FLOOR_PX)
        weights = prior * biweight(rest / (TUKEY * np.hypot(spread, u)))
        step = np.linalg.solve(design.T @ (design * weights[:, None]) + hold, design.T @ (weights * offset))
    if (weights > 0.05 * prior).sum() < FEWEST_SITES:
        return None
    result: FloatArray = step.reshape(4, 2)
    return result


def placed(matrix: FloatArray, points_mm: FloatArray, along_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points in the frame, and the unit normals of edges through them."""
    tangent = np.einsum("nij,nj->ni", local_scale(matrix, points_mm), along_mm)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    return map_points(matrix, points_mm), normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)


def peaks(strength: FloatArray, along: FloatArray, range_px: float) -> tuple[FloatArray, FloatArray]:
    """Place and height of the strongest ridge near the prediction."""
    preferred = strength * np.exp(-0.5 * (along / range_px) ** 2)
    inner = preferred[:, 1:-1]
    peak = (strength[:, 1:-1] >= strength[:, :-2]) & (strength[:, 1:-1] >= strength[:, 2:])
    best = np.where(peak, inner, -1.0).argmax(axis=1)
    rows = np.arange(len(strength))
    before, here, after = (strength[rows, best + k] for k in range(3))
    bend = before - 2 * here + after
    with np.errstate(divide="ignore", invalid="ignore"):
        fine = np.where(bend < 0, (before - after) / 2 / bend, 0.0)
    return np.where(peak[rows, best], along[best + 1] + np.clip(fine, -1, 1), np.nan), here
