"""How much the frame's edges speak for each of many places at once: for the outline, and for the bodies."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.homography import mapped
from thermscan.registration.placing.bodies import STRAY
from thermscan.registration.placing.edge_odds import EdgeOdds, layer_of
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.own_heights import BELIEVED
from thermscan.registration.placing.sites import Sites

FloatArray = NDArray[np.float64]


def edge_support(
    odds: EdgeOdds, sites: Sites, edges: LayoutEdges, matrices: FloatArray, shift_px: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """
    Log odds of the outline, a piece on average, and of all bodies, by their edges.

    Parameters
    ----------
    odds : EdgeOdds
    sites : Sites
        Along the edges of the layout.
    edges : LayoutEdges
    matrices : ndarray of shape (k, 3, 3)
        Homographies from board to frame.
    shift_px : ndarray of shape (k, m, 2)
        By how much heights displace each edge there.

    Returns
    -------
    outline, bodies : ndarray of shape (k,)

    Notes
    -----
    As `bodies_odds`, at one height of each body instead of all that it may have: a thirtieth of the look-ups. A piece
    or a body may be as warm as what is behind it, or covered: so often (`STRAY`) it tells nothing.
    """
    at, ahead = mapped(matrices, sites.points_mm), mapped(matrices, sites.points_mm + 1e-3 * sites.along_mm)
    way = ahead - at
    layer = layer_of(np.stack([-way[..., 1], way[..., 0]], axis=-1))
    seen_at = at + shift_px[:, sites.edge]
    told = odds.at(seen_at[..., 0], seen_at[..., 1], layer)
    count = np.bincount(sites.edge, minlength=len(edges.part))
    mean = np.zeros((len(sites.edge), len(edges.part)))
    mean[np.arange(len(sites.edge)), sites.edge] = 1 / count[sites.edge]
    by_edge = told @ mean
    outline, seen = edges.part < 0, count > 0
    body = np.zeros((len(edges.part), int(edges.part.max(initial=-1)) + 1))
    body[np.flatnonzero(~outline), edges.part[~outline]] = BELIEVED
    return _mixed(by_edge[:, outline & seen]).mean(axis=1), _mixed(by_edge @ body).sum(axis=1)


def _mixed(told: FloatArray) -> FloatArray:
    result: FloatArray = np.log((1 - STRAY) * np.exp(told) + STRAY)
    return result
