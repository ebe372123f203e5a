"""Move the four corners until the layout's edges lie on the frame's, and say how well that is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.homography import corner_jacobian, homography_from_corners
from thermscan.registration.geometry.plausible import plausible
from thermscan.registration.geometry.relief import AS_STATED, U_COMMON_MM, Relief, Rise, edge_rise
from thermscan.registration.placing.edges import EdgeSites, LayoutEdges, find_edges
from thermscan.registration.placing.mixed_model import weighted_median
from thermscan.registration.placing.variance_components import TUKEY

FloatArray = NDArray[np.float64]

# How far from the prediction to look, step by step, in pixels.
FROM_ROUGH_PX = (7.0, 5.0, 4.0, 3.0, 2.5, 2.0, 2.0, 1.5, 1.5)
FROM_NEAR_PX = (3.0, 2.5, 2.0, 2.0, 1.5, 1.5)
# While looking further than this, the outline goes alone if it can: nothing else lies near it.
OUTLINE_FIRST_PX = 3.5
# What a body's edge differs from the layout's even where the frame has no noise, in pixels.
MODEL_FLOOR_PX = 0.12
# Fewer pieces of evidence than this cannot carry eight numbers and a check.
FEWEST_SITES, FEWEST_EDGES = 24, 8
NOTHING_FREE = (False, False, False, False)
# A very weak pull towards where the corners were, so that what no edge fixes stays where it was: px.
HOLD_PX = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """
    A registration improved on the image.

    Attributes
    ----------
    corners_px : ndarray of shape (4, 2)
    px_from_mm : ndarray of shape (3, 3)
    corner_covariance_px2 : ndarray of shape (8, 8)
    residual_px : float
        Root mean square offset of the edges that were used.
    sites, edges : int
        Sites and distinct edges used.
    relief : Relief
        How high the parts were held to be, or found to be.
    u_common_mm : float
        Standard uncertainty of the common height; of no meaning where it was not fitted.
    bend_px : float
        How far a lens seems to bend the view outwards at the frame's corners; 0 where that does not show.
    """

    corners_px: FloatArray
    px_from_mm: FloatArray
    corner_covariance_px2: FloatArray
    residual_px: float
    sites: int
    edges: int
    relief: Relief = AS_STATED
    u_common_mm: float = U_COMMON_MM
    bend_px: float = 0.0


def refine(
    evidence: Evidence,
    edges: LayoutEdges,
    *,
    corners_mm: FloatArray,
    corners_px: FloatArray,
    ranges_px: Sequence[float] = FROM_ROUGH_PX,
    free: tuple[bool, bool, bool, bool] = NOTHING_FREE,
) -> Refined | None:
    """
    Gauss-Newton on the offsets of edges, with outliers refused.

    Parameters
    ----------
    evidence : Evidence
        The frame.
    corners_px : ndarray of shape (4, 2)
        Where to start; within about the first of ``ranges_px``.
    ranges_px : sequence of float
        How far to look, in each step.
    free : tuple of bool
        Whether the parts' heights are fitted as well: the factor on the stated ones, one height for
        the others, where their near sides are seen, and the focal length (the four of `Relief`).

    Returns
    -------
    Refined or None
        None where the frame shows too few of the predicted edges, or the corners run away.

    References
    ----------
    .. [1] T. Drummond, R. Cipolla, Real-time visual tracking of complex structures, IEEE Trans. Pattern
       Analysis and Machine Intelligence 24 (2002) 932-946: robust least squares on normal offsets.
    """
    corners = corners_px.astype(np.float64)
    outline = edges.part < 0
    for range_px in ranges_px:
        px_from_mm = homography_from_corners(corners_mm, corners)
        solved = None
        if range_px > OUTLINE_FIRST_PX:
            sites = look(evidence, edges, px_from_mm, range_px=range_px, only=outline)
            solved = _solve(sites, px_from_mm, corners_mm)
        if solved is None:
            sites = look(evidence, edges, px_from_mm, range_px=range_px)
            solved = _solve(sites, px_from_mm, corners_mm, held=edges.relief, free=free)
        if solved is None:
            return None
        corners = corners + solved.step_px.reshape(4, 2)
        edges = replace(edges, relief=edges.relief.moved(solved.relief_step))
        if not np.isfinite(corners).all() or not plausible(corners, corners_mm, corners_px):
            return None
    px_from_mm = homography_from_corners(corners_mm, corners)
    sites = look(evidence, edges, px_from_mm, range_px=ranges_px[-1])
    solved = _solve(sites, px_from_mm, corners_mm, held=edges.relief, free=free)
    if solved is None:
        return None
    return Refined(
        corners,
        px_from_mm,
        solved.covariance_px2,
        solved.residual_px,
        solved.sites,
        solved.edges,
        edges.relief,
        solved.u_common_mm,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """Sites of edges, and how the heights of parts displaced them."""

    sites: EdgeSites
    rise: Rise


def look(
    evidence: Evidence,
    edges: LayoutEdges,
    px_from_mm: FloatArray,
    *,
    range_px: float,
    only: NDArray[np.bool_] | None = None,
) -> Looked:
    """Where the frame shows the layout's edges, as `find_edges`, with the parts as high as they are held to be."""
    rise = edge_rise(px_from_mm, edges, edges.relief, shape=evidence.apparent.shape, fov_deg=evidence.fov_deg)
    sites = find_edges(
        evidence.apparent,
        px_from_mm,
        edges,
        range_px=range_px,
        noise_k=evidence.noise_k,
        blur_px=evidence.blur_px,
        shift_px=rise.shift_px if rise.shift_px.any() else None,
        only=only,
    )
    return Looked(sites, rise)


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    step_px: FloatArray
    relief_step: FloatArray
    covariance_px2: FloatArray
    residual_px: float
    sites: int
    edges: int
    u_common_mm: float


def _solve(
    looked: Looked,
    px_from_mm: FloatArray,
    corners_mm: FloatArray,
    *,
    held: Relief = AS_STATED,
    free: tuple[bool, bool, bool, bool] = NOTHING_FREE,
) -> _Solved | None:
    """One robust least-squares step from the offsets seen, with the covariance of the corners."""
    sites, rise = looked.sites, looked.rise
    seen = np.isfinite(sites.offset_px)
    owner = sites.edge[seen]
    if seen.sum() < FEWEST_SITES or len(np.unique(owner)) < FEWEST_EDGES:
        return None
    offset = sites.offset_px[seen]
    normals = sites.normals_px[seen]
    design = np.einsum("ni,nij->nj", normals, corner_jacobian(px_from_mm, corners_mm, sites.points_mm[seen]))
    # The heights: what is known of them before is one more observation each.
    slopes = np.einsum("ni,nij->nj", normals, rise.slopes_px[owner])[:, list(free)]
    known, apart = 1 / rise.known[list(free)] ** 2, held.from_usual()[list(free)]
    design = np.hstack([design, slopes])
    hold = np.concatenate([np.full(8, 1 / HOLD_PX**2), known])
    pull = np.concatenate([np.zeros(8), known * apart])
    # Sites of one edge share what is wrong with that edge: a long one counts less than its length.
    crowd = np.sqrt(np.bincount(owner)[owner].astype(np.float64))
    prior = 1.0 / (sites.u_px[seen] ** 2 + MODEL_FLOOR_PX**2 * crowd)
    step = np.zeros(design.shape[1])
    weights = prior
    spread = 1.0
    for _ in range(12):
        rest = offset - design @ step
        spread = max(1.4826 * float(weighted_median(np.abs(rest), prior)), MODEL_FLOOR_PX)
        weights = prior * np.clip(1 - (rest / (TUKEY * spread)) ** 2, 0.0, None) ** 2
        normal = design.T @ (design * weights[:, None]) + np.diag(hold)
        new = np.linalg.solve(normal, design.T @ (weights * offset) + pull)
        done = np.abs(new - step).max() < 1e-3
        step = new
        if done:
            break
    rest = offset - design @ step
    used = weights > 0.05 * prior
    if used.sum() < FEWEST_SITES or len(np.unique(owner[used])) < FEWEST_EDGES:
        return None
    covariance = _covariance(design, rest, weights, owner, normal, known=np.append(np.zeros(8), known))
    residual = float(np.sqrt(np.average(rest[used] ** 2, weights=weights[used])))
    relief_step = np.zeros(4)
    relief_step[list(free)] = step[8:]
    return _Solved(
        step[:8],
        relief_step,
        covariance[:8, :8],
        residual,
        int(used.sum()),
        len(np.unique(owner[used])),
        float(np.sqrt(covariance[8 + free[0], 8 + free[0]])) if free[1] else U_COMMON_MM,
    )


def _covariance(
    design: FloatArray,
    rest: FloatArray,
    weights: FloatArray,
    owner: NDArray[np.intp],
    normal: FloatArray,
    *,
    known: FloatArray,
) -> FloatArray:
    """
    Covariance of the step, in which the sites of one edge are wrong together.

    Two variance components, of edges and of sites in an edge, from the scatter of the residuals
    (method of moments), put through the normal equations; ``known`` is the weight of what was known before.
    """
    edges, index = np.unique(owner, return_inverse=True)
    total = np.bincount(index, weights)
    good = total > 0
    mean = np.bincount(index, weights * rest) / np.where(good, total, 1.0)
    within = np.average((rest - mean[index]) ** 2, weights=weights)
    freedom = max(len(edges[good]) / max(good.sum() - 8, 1), 1.0)
    between = np.average(mean[good] ** 2, weights=total[good]) * min(freedom, 4.0)
    pulled = np.zeros((len(edges), design.shape[1]))
    np.add.at(pulled, index, design * weights[:, None])
    scatter = between * pulled.T @ pulled + within * (design * weights[:, None] ** 2).T @ design
    inverse = np.linalg.inv(normal)
    result: FloatArray = inverse @ (scatter + np.diag(known)) @ inverse
    return result


def place_error_px(one: FloatArray, other: FloatArray, points_mm: FloatArray) -> float:
    """
    Root mean square distance between what two homographies make of points, in pixels.

    Examples
    --------
    >>> place_error_px(np.eye(3), np.diag([1.0, 1.0, 1.0]), np.ones((2, 2)))
    0.0
    """
    apart = map_points(one, points_mm) - map_points(other, points_mm)
    return float(np.sqrt((apart**2).sum(axis=1).mean()))
