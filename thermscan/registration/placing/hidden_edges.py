"""Which of the predicted edges a part that stands nearer to the camera hides."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.homography import local_scale
from thermscan.registration.geometry.rise import Rise
from thermscan.registration.placing.edges import EdgeSites, LayoutEdges

FloatArray = NDArray[np.float64]

# A top that is displaced by less than this hides nothing.
LEAST_RISE_PX = 0.3


def hidden_sites(sites: EdgeSites, edges: LayoutEdges, rise: Rise, px_from_mm: FloatArray) -> NDArray[np.bool_]:
    """
    Sites that lie on the silhouette of a part that stands nearer to the camera.

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
    moves = body & (np.linalg.norm(rise.top_px, axis=1) > LEAST_RISE_PX)
    if not moves.any():
        return hidden
    shift_mm = np.linalg.solve(local_scale(px_from_mm, sites.points_mm), rise.shift_px[sites.edge][:, :, None])
    at_mm = sites.points_mm + shift_mm[:, :, 0]
    # A body's four sides stand one after the other.
    corners = edges.starts_mm[body].reshape(-1, 4, 2)
    middles = corners.mean(axis=1)
    top_px = rise.top_px[body].reshape(-1, 4, 2).mean(axis=1)
    sweeps = np.linalg.solve(local_scale(px_from_mm, middles), top_px[:, :, None])[:, :, 0]
    # Only sites between the silhouette's left and right end need be looked at.
    order = np.argsort(at_mm[:, 0])
    reach = np.minimum(sweeps[:, 0], 0.0), np.maximum(sweeps[:, 0], 0.0)
    first = np.searchsorted(at_mm[order, 0], corners[:, :, 0].min(axis=1) + reach[0])
    last = np.searchsorted(at_mm[order, 0], corners[:, :, 0].max(axis=1) + reach[1], side="right")
    owner, parts = edges.part[sites.edge], edges.part[body][::4]
    for number in np.flatnonzero(moves[body].reshape(-1, 4).any(axis=1)):
        near = order[first[number] : last[number]]
        middle, sweep = middles[number], sweeps[number]
        farther = (sites.points_mm[near] - middle) @ sweep > 0
        others = near[farther & (owner[near] != parts[number]) & ~hidden[near]]
        hidden[others] = _swept(at_mm[others] - middle, corners[number] - middle, sweep)
    return hidden


def _swept(points: FloatArray, corners: FloatArray, sweep: FloatArray) -> NDArray[np.bool_]:
    """Whether points lie in a rectangle swept along a way."""
    sides = [corners[1] - corners[0], corners[3] - corners[0]]
    lengths = np.array([np.linalg.norm(side) for side in sides])
    axes = np.array(sides) / lengths[:, None]
    half = lengths / 2
    seen, way = points @ axes.T, axes @ sweep
    inside = (seen >= -half + np.minimum(way, 0)) & (seen <= half + np.maximum(way, 0))
    across = np.abs((seen[:, 0] - way[0] / 2) * way[1] - (seen[:, 1] - way[1] / 2) * way[0])
    result: NDArray[np.bool_] = inside.all(axis=1) & (across <= half[0] * abs(way[1]) + half[1] * abs(way[0]))
    return result
