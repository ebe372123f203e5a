"""How much the frame's edges speak for each of many places at once: for the outline, and for the bodies."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.pose import Pose
from thermscan.registration.placing.bodies import STRAY
from thermscan.registration.placing.edge_odds import EdgeOdds, layer_of
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.own_heights import BELIEVED
from thermscan.registration.placing.quick_fit import Sites

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
    told = odds.at(at + shift_px[:, sites.edge], layer)
    count = np.bincount(sites.edge, minlength=len(edges.part))
    mean = np.zeros((len(sites.edge), len(edges.part)))
    mean[np.arange(len(sites.edge)), sites.edge] = 1 / count[sites.edge]
    by_edge = told @ mean
    outline, seen = edges.part < 0, count > 0
    body = np.zeros((len(edges.part), int(edges.part.max(initial=-1)) + 1))
    body[np.flatnonzero(~outline), edges.part[~outline]] = BELIEVED
    return _mixed(by_edge[:, outline & seen]).mean(axis=1), _mixed(by_edge @ body).sum(axis=1)


def shift_by_height(
    poses: Sequence[Pose], matrices: FloatArray, edges: LayoutEdges, heights_mm: FloatArray
) -> FloatArray:
    """
    By how much heights displace each edge in the frame, at each of many places; shape (k, m, 2).

    As `edge_rise`: a side that faces the camera is seen at its foot, others at their top.
    """
    middle = (edges.starts_mm + edges.ends_mm) / 2
    body = edges.part >= 0
    height = np.where(body, heights_mm[edges.part] if len(heights_mm) else 0.0, 0.0)
    rotation, position = (np.array([getattr(pose, name) for pose in poses]) for name in ("rotation", "position_mm"))
    focal = np.array([pose.focal_px for pose in poses])[:, None, None]
    foot = middle @ rotation[:, :, :2].swapaxes(1, 2) + position[:, None]
    top = foot - height[:, None] * rotation[:, None, :, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        moved = focal * (top[..., :2] / top[..., 2:] - foot[..., :2] / foot[..., 2:])
    outward = mapped(matrices, middle + 1e-3 * edges.outward_mm) - mapped(matrices, middle)
    along = mapped(matrices, edges.ends_mm) - mapped(matrices, edges.starts_mm)
    normal = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    normal *= np.sign((normal * outward).sum(axis=-1, keepdims=True))
    away = (moved * normal).sum(axis=-1, keepdims=True) > 0
    return np.where(away & np.isfinite(moved) & body[:, None], moved, 0.0)


def mapped(matrices: FloatArray, points_mm: FloatArray) -> FloatArray:
    """Points through each of many homographies; shape (k, n, 2)."""
    homogeneous = np.column_stack([points_mm, np.ones(len(points_mm))])
    seen = homogeneous @ matrices.swapaxes(1, 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        result: FloatArray = seen[..., :2] / seen[..., 2:]
    return result


def _mixed(told: FloatArray) -> FloatArray:
    result: FloatArray = np.log((1 - STRAY) * np.exp(told) + STRAY)
    return result
