"""Places moved to where bodies' edges and the outline speak loudest, by some pixels at most."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.registration.geometry.homography import corner_jacobian, homographies, mapped
from thermscan.registration.placing.edge_odds import EdgeOdds, layer_of
from thermscan.registration.placing.edge_support import by_owner, mixed
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.own_heights import BELIEVED
from thermscan.registration.placing.sites import Sites

FloatArray = NDArray[np.float64]

# What each body tells is asked so many times to either side: three of the first steps.
REACH = 6
# A corner lies about so far from where it is begun (one coordinate, normal): proposals are so far apart. Else the board
# would go where the frame is full of edges (an earlier version: of 46 views looked
# at 4 to 8 left 45 where they belong, none left 38).
HELD_PX = 8.0
# The steps' sizes, at first and at last.
STEPS_PX = (2.0, 0.3)
# So many places are tried at once (with 300 as many of 400 views looked at are right, but of 495 others two of the
# refused ones are right with 600 alone); roughly, where it need only come within two pixels, so many (with 300 25 of 50
# hard views looked at are tried right, where 28).
TRIED, TRIED_ROUGHLY = 600, 100
# A place is looked around from no more often than this.
MOST_LOOKS = 6
# How four corners move together: shift, stretch, shear and taper.
TOGETHER = np.array([[1, 1, 1, 1], [1, -1, -1, 1], [1, 1, -1, -1], [1, -1, 1, -1]], dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Nearby:
    """
    What each body, and each piece of the outline, tells if it lies a little beside one of k places.

    Attributes
    ----------
    corners_px : ndarray of shape (k, 4, 2)
        The places.
    follow : ndarray of shape (k, 8, n, 2)
        How the middle of each moves with the corners, in steps of the raster.
    told : ndarray of float32, shape (k, n, (2 `REACH` + 1)²)
        Log odds by how many steps down and to the right.
    """

    corners_px: FloatArray
    follow: NDArray[np.float32]
    told: NDArray[np.float32]

    def support(self, tried_px: FloatArray) -> FloatArray:
        """What all of them tell at many places near each, of shape (k, t, 4, 2); shape (k, t)."""
        steps = np.clip(np.rint(self._moved(tried_px)), -REACH, REACH).astype(np.intp) + REACH
        side, (count, n, _) = 2 * REACH + 1, self.told.shape
        at = (np.arange(count * n).reshape(count, 1, n) * side + steps[..., 1]) * side + steps[..., 0]
        result: FloatArray = self.told.ravel().take(at).sum(axis=2, dtype=np.float64)
        return result

    def left(self, places_px: FloatArray) -> NDArray[np.bool_]:
        """Which of the places, of shape (k, 4, 2), lie so far off that other edges are near."""
        moved = np.abs(self._moved(places_px[:, None])).max(axis=3)[:, 0]
        result: NDArray[np.bool_] = np.median(moved, axis=1) > REACH / 2
        return result

    def _moved(self, tried_px: FloatArray) -> NDArray[np.float32]:
        """Each middle's way from its place, in steps of the raster; shape (k, t, n, 2)."""
        count, tried = tried_px.shape[:2]
        away = (tried_px - self.corners_px[:, None]).reshape(count, tried, 8).astype(np.float32)
        return (away @ self.follow.reshape(count, 8, -1)).reshape(count, tried, -1, 2)


def nearby(
    odds: EdgeOdds,
    sites: Sites,
    edges: LayoutEdges,
    *,
    corners_mm: FloatArray,
    corners_px: FloatArray,
    shift_px: FloatArray,
    worth: tuple[float, float],
    pitch_px: int = 1,
) -> Nearby:
    """
    What is told around places, as if each body moved without turning or growing.

    Parameters
    ----------
    corners_mm : ndarray of shape (4, 2)
    corners_px : ndarray of shape (k, 4, 2)
    shift_px : ndarray of shape (k, m, 2)
        By how much its body's middle height displaces each edge there.
    worth : tuple of float
        Weight of a body's log odds, and of the outline's mean.
    pitch_px : int
        A step of the raster.
    """
    matrices = homographies(corners_mm, corners_px)
    at = mapped(matrices, sites.points_mm)
    way = mapped(matrices, sites.points_mm + 1e-3 * sites.along_mm) - at
    layer = layer_of(np.stack([-way[..., 1], way[..., 0]], axis=-1))
    line = pitch_px * np.arange(-REACH, REACH + 1)
    outline = sites.outline
    seen = odds.around(at[:, outline, 0], at[:, outline, 1], layer[:, outline], line)
    told, piece = by_owner(seen, sites.edge[outline], axis=1)
    tables = [worth[1] / len(piece) * mixed(told)]
    middles = [(edges.starts_mm[piece] + edges.ends_mm[piece]) / 2]
    body = sites.edge[~outline]
    if len(body):
        top = at[:, ~outline] + shift_px[:, body]
        by_edge, edge = by_owner(odds.around(top[..., 0], top[..., 1], layer[:, ~outline], line), body, axis=1)
        by_body, owner = by_owner(by_edge, edges.part[edge], mean=False, axis=1)
        tables.append(worth[0] * mixed(BELIEVED * by_body))
        middles.append(_middles(edges, owner))
    follow = corner_jacobian(matrices, corners_mm, np.concatenate(middles)) / pitch_px
    told_by_each = np.concatenate(tables, axis=1).astype(np.float32)
    return Nearby(corners_px, np.moveaxis(follow, 3, 1).astype(np.float32), told_by_each)


def _middles(edges: LayoutEdges, parts: NDArray[np.intp]) -> FloatArray:
    """The bodies' middles, in the order asked for; shape (n, 2)."""
    body = edges.part >= 0
    ends = (edges.starts_mm + edges.ends_mm)[body] / 2
    count = np.bincount(edges.part[body])
    sums = np.column_stack([np.bincount(edges.part[body], column) for column in ends.T])
    result: FloatArray = sums[parts] / count[parts, None]
    return result


def stepped(around: Callable[[FloatArray], Nearby], corners_px: FloatArray) -> FloatArray:
    """
    A place, of shape (4, 2), moved to the best of many random steps, the same every time.

    Looked around from there once more as long as it lies near other edges than before.
    """
    rng = np.random.default_rng(0)
    best = corners_px[None]
    for _ in range(MOST_LOOKS):
        near = around(best)
        best, _ = climbed(near, best, corners_px[None], rng, tried=TRIED, steps_px=STEPS_PX)
        if not near.left(best)[0]:
            break
    result: FloatArray = best[0]
    return result


def climbed(
    near: Nearby,
    places_px: FloatArray,
    begun_px: FloatArray,
    rng: np.random.Generator,
    *,
    tried: int,
    steps_px: tuple[float, float],
) -> tuple[FloatArray, FloatArray]:
    """
    The best of many random steps of each place, again and again, from large ones to small.

    Parameters
    ----------
    near : Nearby
    places_px, begun_px : ndarray of shape (k, 4, 2)
        Where they are, and where they were begun: what is told weighs against how far the corners have gone from
        there (`HELD_PX`).
    rng : numpy.random.Generator
    tried : int
    steps_px : tuple of float
        The first and the last.

    Returns
    -------
    places, told : ndarray of shape (k, 4, 2) and (k,)

    Notes
    -----
    An adaptive random search [1] over the eight ways in which four corners move together (shift, stretch, shear and
    taper, each along x and y): the best of many normal steps is taken, and steps are halved when none is better.

    References
    ----------
    .. [1] F. J. Solis, R. J.-B. Wets, Minimization by random search techniques, Mathematics of Operations Research
       6 (1981) 19-30.
    """
    best, all_of = places_px.copy(), np.arange(len(places_px))
    most, step = np.full(len(best), -np.inf), np.full(len(best), steps_px[0])
    while (step > steps_px[1]).any():
        ways = np.einsum("twa,wc->tca", rng.normal(size=(tried, len(TOGETHER), 2)), TOGETHER)
        ways[0] = 0.0
        places = best[:, None] + step[:, None, None, None] * ways
        held = ((places - begun_px[:, None]) ** 2).sum(axis=(2, 3)) / HELD_PX**2 / 2
        told = near.support(places) - held
        first = told.argmax(axis=1)
        better = told[all_of, first] > most + 1e-9
        most = np.where(better, told[all_of, first], most)
        best[better] = places[all_of, first][better]
        step = np.where(better & (first > 0), step, step / 2)
    return best, most
