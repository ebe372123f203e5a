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
    there = np.flatnonzero(moves[body].reshape(-1, 4).any(axis=1))
    counts = (last - first)[there]
    number = np.repeat(there, counts)
    within = np.arange(len(number)) - np.repeat(np.cumsum(counts) - counts, counts)
    site = order[first[number] + within]
    farther = ((sites.points_mm[site] - middles[number]) * sweeps[number]).sum(axis=1) > 0
    others = farther & (owner[site] != parts[number])
    site, number = site[others], number[others]
    hidden[site[_swept(at_mm[site] - middles[number], corners - middles[:, None], sweeps, number)]] = True
    return hidden


def _swept(points: FloatArray, corners: FloatArray, sweeps: FloatArray, number: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether each point lies in the rectangle of its number, swept along a way."""
    sides = np.stack([corners[:, 1] - corners[:, 0], corners[:, 3] - corners[:, 0]], axis=1)
    lengths = np.linalg.norm(sides, axis=2)
    axes, half = sides / lengths[:, :, None], lengths[number] / 2
    seen = np.einsum("nj,nij->ni", points, axes[number])
    way = np.einsum("pij,pj->pi", axes, sweeps)[number]
    inside = (seen >= -half + np.minimum(way, 0)) & (seen <= half + np.maximum(way, 0))
    across = np.abs((seen[:, 0] - way[:, 0] / 2) * way[:, 1] - (seen[:, 1] - way[:, 1] / 2) * way[:, 0])
    reach = half[:, 0] * np.abs(way[:, 1]) + half[:, 1] * np.abs(way[:, 0])
    result: NDArray[np.bool_] = inside.all(axis=1) & (across <= reach)
    return result
