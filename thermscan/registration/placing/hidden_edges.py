"""Which of the predicted edges a part that stands nearer to the camera hides."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.homography import local_scale
from thermscan.registration.geometry.rise import Rise
from thermscan.registration.placing.edges import EdgeSites, LayoutEdges

FloatArray = NDArray[np.float64]

# An edge so near to what hides its neighbourhood is not told from the hiding part's own, in pixels.
BESIDE_PX = 0.0
# A top that is displaced by less than this hides nothing.
LEAST_RISE_PX = 0.3


def hidden_sites(sites: EdgeSites, edges: LayoutEdges, rise: Rise, px_from_mm: FloatArray) -> NDArray[np.bool_]:
    """
    Sites that lie on, or just beside, the silhouette of a part that stands nearer to the camera.

    Parameters
    ----------
    sites : EdgeSites
    edges : LayoutEdges
    rise : Rise
    px_from_mm : ndarray of shape (3, 3)

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    A silhouette is the body's rectangle swept along the displacement of its top: a hexagon, taken on the
    board's plane with the scale at the part.
    """
    hidden = np.zeros(len(sites.edge), dtype=bool)
    body = edges.part >= 0
    if not body.any():
        return hidden
    moved_px = np.linalg.norm(rise.top_px, axis=1)
    shift_mm = np.linalg.solve(local_scale(px_from_mm, sites.points_mm), rise.shift_px[sites.edge][:, :, None])
    at_mm = sites.points_mm + shift_mm[:, :, 0]
    for part in np.unique(edges.part[body & (moved_px > LEAST_RISE_PX)]):
        own = np.flatnonzero(edges.part == part)
        corners = edges.starts_mm[own]
        middle = corners.mean(axis=0)
        scale = local_scale(px_from_mm, middle[None])[0]
        sweep = np.linalg.solve(scale, rise.top_px[own].mean(axis=0))
        beside = BESIDE_PX / float(np.sqrt(abs(np.linalg.det(scale))))
        farther = (sites.points_mm - middle) @ sweep > 0
        others = np.flatnonzero(farther & (edges.part[sites.edge] != part) & ~hidden)
        hidden[others] = _swept(at_mm[others] - middle, corners - middle, sweep, beside)
    return hidden


def _swept(points: FloatArray, corners: FloatArray, sweep: FloatArray, beside: float) -> NDArray[np.bool_]:
    """Whether points lie in a rectangle swept along a way, or within a margin around that."""
    sides = [corners[1] - corners[0], corners[3] - corners[0]]
    lengths = np.array([np.linalg.norm(side) for side in sides])
    axes = np.array(sides) / lengths[:, None]
    half = lengths / 2 + beside
    seen, way = points @ axes.T, axes @ sweep
    inside = (seen >= -half + np.minimum(way, 0)) & (seen <= half + np.maximum(way, 0))
    across = np.abs((seen[:, 0] - way[0] / 2) * way[1] - (seen[:, 1] - way[1] / 2) * way[0])
    result: NDArray[np.bool_] = inside.all(axis=1) & (across <= half[0] * abs(way[1]) + half[1] * abs(way[0]))
    return result
