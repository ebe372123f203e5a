"""The last fit of the board's place: on all edges, with what is wrong with heights and bodies fitted too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.registration.evidence import Evidence
from thermscan.registration.geometry.homography import corner_jacobian, homography_from_corners
from thermscan.registration.geometry.plausible import plausible
from thermscan.registration.geometry.relief import U_COMMON_MM, U_OWN_MM, U_OWN_SHARE
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.hidden_edges import hidden_sites
from thermscan.registration.placing.mixed_model import Observed
from thermscan.registration.placing.refinement import FEWEST_EDGES, FEWEST_SITES, HOLD_PX, Refined, look
from thermscan.registration.placing.variance_components import BEFORE, Scatter, estimate

FloatArray = NDArray[np.float64]

# How far to look at each step: the place is right within a pixel or so.
RANGES_PX = (2.0, 1.5, 1.5, 1.5, 1.5, 1.5)
# All bodies may be seen larger or smaller than the layout has them, by about so much: pins, halos, chamfers.
U_SWELL_PX = 0.15
# A lens may bend the view by so many pixels at the frame's corners. It counts as seen from so many standard deviations
# and so many pixels on.
U_BEND_PX, BENT_DEVIATIONS, BENT_PX = 5.0, 4.0, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What is known of the corners besides the frame: coordinates and their weights (1 / variance), of shape (8,)."""

    corners_px: FloatArray
    weights: FloatArray


def final_fit(
    evidence: Evidence,
    edges: LayoutEdges,
    *,
    corners_mm: FloatArray,
    found: Refined,
    free: tuple[bool, bool, bool, bool],
    given: Known | None = None,
) -> Refined | None:
    """
    The place by generalised least squares, with a covariance that the scatter of the edges supports.

    Parameters
    ----------
    evidence : Evidence
    edges : LayoutEdges
    found : Refined
        Right within about a pixel; its relief is where the heights start.
    free : tuple of bool
        As in `refine`.
    given : Known, optional
        Clicks on the corners.

    Returns
    -------
    Refined or None
        None where too few edges are left, or the corners run away.

    Notes
    -----
    Fitted are the corners, the free ones of the relief, and a swelling of all bodies; and for each part its own
    height and swelling, with normal priors. Without the swelling, a body that is drawn too large is taken for one
    of another height, since only sides that face away from the camera move with the height; the board follows.
    """
    corners, relief, scatter = found.corners_px.copy(), found.relief, BEFORE
    px_from_mm, fit = homography_from_corners(corners_mm, corners), None
    for range_px in RANGES_PX:
        if fit is not None:
            corners = corners + fit.step[:8].reshape(4, 2)
            if not np.isfinite(corners).all() or not plausible(corners, corners_mm, found.corners_px):
                return None
            step = np.zeros(4)
            step[list(free)] = fit.step[8:-2]
            relief = relief.moved(step)
            px_from_mm = homography_from_corners(corners_mm, corners)
        held = replace(edges, relief=relief)
        seen = _observed(evidence, held, px_from_mm, corners_mm=corners_mm, range_px=range_px, free=free)
        if not _enough(seen.edge):
            return None
        fit = estimate(_with_given(seen, given, corners), scatter)
        scatter = fit.scatter
        if not _enough(seen.edge[fit.used]):
            return None
    if fit is None:
        return None
    bend_px, left_px = _bend(seen, scatter)
    # Twice: in the middle, which four corners share, half of it is left.
    covariance = fit.covariance[:8, :8] + (2 * left_px) ** 2 * np.eye(8)
    return Refined(
        corners,
        px_from_mm,
        covariance,
        fit.residual_px,
        int(fit.used.sum()),
        len(np.unique(seen.edge[fit.used])),
        held.relief,
        float(np.sqrt(fit.covariance[8 + free[0], 8 + free[0]])) if free[1] else U_COMMON_MM,
        bend_px,
    )


def _bend(seen: Observed, scatter: Scatter) -> tuple[float, float]:
    """How a lens bends the view at the frame's corners, if that shows, and what of it no plane view takes up; in px."""
    more = replace(
        seen,
        shared=np.column_stack([seen.shared, seen.bend]),
        known=np.append(seen.known, 1 / U_BEND_PX**2),
        pull=np.append(seen.pull, 0.0),
    )
    fit = estimate(more, scatter)
    bend_px, u_px = float(fit.step[-1]), float(np.sqrt(fit.covariance[-1, -1]))
    if abs(bend_px) < max(BENT_DEVIATIONS * u_px, BENT_PX):
        return 0.0, 0.0
    taken = seen.shared @ np.linalg.lstsq(seen.shared, seen.bend, rcond=None)[0]
    return bend_px, abs(bend_px) * float(np.sqrt(((seen.bend - taken) ** 2).mean()))


def _observed(
    evidence: Evidence,
    edges: LayoutEdges,
    px_from_mm: FloatArray,
    *,
    corners_mm: FloatArray,
    range_px: float,
    free: tuple[bool, bool, bool, bool],
) -> Observed:
    """The edges that the frame shows, and how their offsets follow what is fitted."""
    looked = look(evidence, edges, px_from_mm, range_px=range_px)
    sites, rise = looked.sites, looked.rise
    counts = np.isfinite(sites.offset_px) & ~hidden_sites(sites, edges, rise, px_from_mm)
    edge, normals = sites.edge[counts], sites.normals_px[counts]
    places = np.einsum("ni,nij->nj", normals, corner_jacobian(px_from_mm, corners_mm, sites.points_mm[counts]))
    slopes = np.einsum("ni,nij->nj", normals, rise.slopes_px[edge])[:, list(free)]
    swell = np.sign((normals * rise.outward_px[edge]).sum(axis=1))
    along = _along_length(edges)[edge]
    own = np.column_stack([(normals * rise.own_px[edge]).sum(axis=1), swell])
    weights = np.concatenate(
        [np.full(8, 1 / HOLD_PX**2), 1 / rise.known[list(free)] ** 2, np.full(2, 1 / U_SWELL_PX**2)]
    )
    apart = np.concatenate([np.zeros(8), edges.relief.from_usual()[list(free)], np.zeros(2)])
    _, numbered = np.unique(edge, return_inverse=True)
    return Observed(
        sites.offset_px[counts],
        sites.u_px[counts],
        numbered,
        # The outline's is the last place.
        edges.part[edge] % (int(edges.part.max()) + 2),
        np.column_stack([places, slopes, swell * along, swell * ~along]),
        own,
        weights,
        weights * apart,
        _own_known_mm(edges),
        (normals * _bent(map_points(px_from_mm, sites.points_mm[counts]), evidence.apparent.shape)).sum(axis=1),
    )


def _along_length(edges: LayoutEdges) -> NDArray[np.bool_]:
    """Sides of bodies in turn: along the length, across it."""
    result: NDArray[np.bool_] = (np.arange(len(edges.part)) - int((edges.part < 0).sum())) % 2 == 0
    return result


def _bent(points_px: FloatArray, shape: Sequence[int]) -> FloatArray:
    """Displacement by a radial distortion of one pixel, outwards, at the frame's corners; shape (n, 2)."""
    rows, cols = shape
    away = (points_px - [(cols - 1) / 2, (rows - 1) / 2]) / (np.hypot(rows, cols) / 2)
    result: FloatArray = away * (away**2).sum(axis=1, keepdims=True)
    return result


def _own_known_mm(edges: LayoutEdges) -> FloatArray:
    height = np.zeros(int(edges.part.max()) + 2)
    height[edges.part] = np.where(np.isnan(edges.height_mm), edges.usual_mm, np.abs(edges.height_mm))
    result: FloatArray = np.hypot(U_OWN_SHARE * height, U_OWN_MM)
    return result


def _with_given(seen: Observed, given: Known | None, corners: FloatArray) -> Observed:
    if given is None:
        return seen
    known, pull = seen.known.copy(), seen.pull.copy()
    known[:8] += given.weights
    pull[:8] += given.weights * (given.corners_px - corners.ravel())
    return replace(seen, known=known, pull=pull)


def _enough(edge: NDArray[np.intp]) -> bool:
    return len(edge) >= FEWEST_SITES and len(np.unique(edge)) >= FEWEST_EDGES
