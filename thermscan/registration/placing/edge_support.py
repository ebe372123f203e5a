"""How much the frame's edges speak for each of many places at once: for the outline, and for the bodies."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.homography import mapped
from thermscan.registration.placing.edge_odds import STRAY, EdgeOdds, layer_of
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
        By how much its body's middle height displaces each edge there.

    Returns
    -------
    outline, bodies : ndarray of shape (k,)

    Notes
    -----
    As `bodies_stand_out`, at one height of each body instead of all that it may have (with three heights 386 of 400
    views looked at are right where 387, and of 450 others as many). A piece or a body may be as warm as what is behind
    it, or covered: so often (`STRAY`) it tells nothing.
    """
    at, ahead = mapped(matrices, sites.points_mm), mapped(matrices, sites.points_mm + 1e-3 * sites.along_mm)
    way = ahead - at
    layer = layer_of(np.stack([-way[..., 1], way[..., 0]], axis=-1))
    outline = sites.outline
    told, _ = by_owner(odds.at(at[:, outline, 0], at[:, outline, 1], layer[:, outline]), sites.edge[outline])
    body = sites.edge[~outline]
    if not len(body):
        return mixed(told).mean(axis=1), np.zeros(len(matrices))
    top = at[:, ~outline] + shift_px[:, body]
    by_edge, edge = by_owner(odds.at(top[..., 0], top[..., 1], layer[:, ~outline]), body)
    by_body, _ = by_owner(by_edge, edges.part[edge], mean=False)
    return mixed(told).mean(axis=1), mixed(BELIEVED * by_body).sum(axis=1)


def by_owner(
    told: NDArray[np.floating], owner: NDArray[np.intp], *, mean: bool = True, axis: int = -1
) -> tuple[FloatArray, NDArray[np.intp]]:
    """Means, or sums, along an axis of what has one owner and stands side by side; and the owners."""
    first = np.flatnonzero(np.diff(owner, prepend=-1))
    sums = np.add.reduceat(told, first, axis=axis)
    if mean:
        shape = [1] * told.ndim
        shape[axis] = -1
        sums = sums / np.diff(first, append=len(owner)).reshape(shape)
    return sums, owner[first]


def mixed(told: FloatArray) -> FloatArray:
    """Log odds of what may tell nothing."""
    result: FloatArray = np.log((1 - STRAY) * np.exp(told) + STRAY)
    return result
