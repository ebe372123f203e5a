"""A place moved to where bodies' edges and the outline speak loudest, by some pixels at most."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.registration.geometry.homography import corner_jacobian, homography_from_corners, mapped
from thermscan.registration.placing.edge_odds import EdgeOdds, layer_of
from thermscan.registration.placing.edge_support import by_owner, mixed, over_heights
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.sites import Sites

FloatArray = NDArray[np.float64]

# What each body tells is asked so many pixels to either side: three of the first steps.
REACH = 6
# A corner lies about so far from where it is begun (one coordinate, normal): proposals are so far apart. Else the board
# would go where the frame is full of edges (an earlier version: of 46 views looked
# at 4 to 8 left 45 where they belong, none left 38).
HELD_PX = 8.0
# The steps' sizes, at first and at last.
STEPS_PX = (2.0, 0.3)
# So many places are tried at once (an earlier version: from 7 pixels off 300
# led back in 38 of 40 views looked at, 600 in all).
TRIED = 600
# How four corners move together: shift, stretch, shear and taper.
TOGETHER = np.array([[1, 1, 1, 1], [1, -1, -1, 1], [1, 1, -1, -1], [1, -1, 1, -1]], dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Nearby:
    """
    What each body, and each piece of the outline, tells if it lies a little beside a place.

    Attributes
    ----------
    corners_px : ndarray of shape (4, 2)
        The place.
    follow : ndarray of shape (8, n, 2)
        How the middle of each moves with the corners, in pixels.
    told : ndarray of float32, shape (n, (2 `REACH` + 1)²)
        Log odds by how many pixels down and to the right.
    """

    corners_px: FloatArray
    follow: NDArray[np.float32]
    told: NDArray[np.float32]

    def support(self, places_px: FloatArray) -> FloatArray:
        """What all of them tell at many places nearby, of shape (k, 4, 2); shape (k,)."""
        steps = np.clip(np.rint(self._moved(places_px)), -REACH, REACH).astype(np.intp) + REACH
        side = 2 * REACH + 1
        at = (np.arange(len(self.told)) * side + steps[..., 1]) * side + steps[..., 0]
        result: FloatArray = self.told.ravel().take(at).sum(axis=1, dtype=np.float64)
        return result

    def left(self, place_px: FloatArray) -> bool:
        """Whether a place lies so far off that other edges are near."""
        return bool(np.median(np.abs(self._moved(place_px[None])).max(axis=2)) > REACH / 2)

    def _moved(self, places_px: FloatArray) -> NDArray[np.float32]:
        """Each middle's way from the place, in pixels; shape (k, n, 2)."""
        away = (places_px - self.corners_px).reshape(len(places_px), 8).astype(np.float32)
        return (away @ self.follow.reshape(8, -1)).reshape(len(places_px), -1, 2)


def nearby(
    odds: EdgeOdds,
    sites: Sites,
    edges: LayoutEdges,
    *,
    corners_mm: FloatArray,
    corners_px: FloatArray,
    shift_px: FloatArray,
    worth: tuple[float, float],
) -> Nearby:
    """
    What is told around a place, as if each body moved without turning or growing.

    Parameters
    ----------
    corners_mm, corners_px : ndarray of shape (4, 2)
    shift_px : ndarray of shape (h, m, 2)
        By how much each of a few equally likely heights displaces each edge there.
    worth : tuple of float
        Weight of a body's log odds, and of the outline's mean.
    """
    matrix = homography_from_corners(corners_mm, corners_px)
    at = mapped(matrix[None], sites.points_mm)[0]
    way = mapped(matrix[None], sites.points_mm + 1e-3 * sites.along_mm)[0] - at
    layer = layer_of(np.stack([-way[:, 1], way[:, 0]], axis=-1))
    line = np.arange(-REACH, REACH + 1)
    outline = sites.outline

    def looked(at_px: FloatArray, which: NDArray[np.bool_]) -> NDArray[np.float32]:
        """(…, sites, raster)"""
        return odds.around(at_px[..., 0], at_px[..., 1], layer[which], line)

    told, piece = by_owner(looked(at[outline], outline), sites.edge[outline], axis=-2)
    tables = [worth[1] / len(piece) * mixed(told)]
    middles = [(edges.starts_mm[piece] + edges.ends_mm[piece]) / 2]
    body = sites.edge[~outline]
    if len(body):
        by_edge, edge = by_owner(looked(at[~outline] + shift_px[:, body], ~outline), body, axis=-2)
        by_body, owner = by_owner(by_edge, edges.part[edge], mean=False, axis=-2)
        tables.append(worth[0] * mixed(over_heights(by_body)))
        middles.append(_middles(edges, owner))
    follow = corner_jacobian(matrix, corners_mm, np.concatenate(middles))
    return Nearby(corners_px, np.moveaxis(follow, 2, 0).astype(np.float32), np.concatenate(tables).astype(np.float32))


def _middles(edges: LayoutEdges, parts: NDArray[np.intp]) -> FloatArray:
    """The bodies' middles, in the order asked for; shape (n, 2)."""
    body = edges.part >= 0
    ends = (edges.starts_mm + edges.ends_mm)[body] / 2
    count = np.bincount(edges.part[body])
    sums = np.column_stack([np.bincount(edges.part[body], column) for column in ends.T])
    result: FloatArray = sums[parts] / count[parts, None]
    return result


def stepped(around: Callable[[FloatArray], Nearby], corners_px: FloatArray, rng: np.random.Generator) -> FloatArray:
    """
    The best of many random steps, again and again, from large ones to small; shape (4, 2).

    Notes
    -----
    An adaptive random search [1] over the eight ways in which four corners move together (shift, stretch, shear and
    taper, each along x and y): the best of many normal steps is taken, and steps are halved when none is better. What
    is told weighs against how far the corners have gone (`HELD_PX`).

    References
    ----------
    .. [1] F. J. Solis, R. J.-B. Wets, Minimization by random search techniques, Mathematics of Operations Research
       6 (1981) 19-30.
    """
    near = around(corners_px)
    best, most, step = corners_px, -np.inf, STEPS_PX[0]
    while step > STEPS_PX[1]:
        ways = rng.normal(size=(TRIED, len(TOGETHER), 2))
        tried = best + step * np.einsum("kwa,wc->kca", ways, TOGETHER)
        tried[0] = best
        told = near.support(tried) - ((tried - corners_px) ** 2).sum(axis=(1, 2)) / HELD_PX**2 / 2
        first = int(told.argmax())
        if told[first] > most + 1e-9:
            most, best = float(told[first]), tried[first]
            if first:
                if near.left(best):
                    near, most = around(best), -np.inf
                continue
        step /= 2
    return best
