"""How much better the bodies' edges lie on the frame's where the layout has them than where it has them not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.registration.geometry.heights import HeightPrior
from thermscan.registration.geometry.homography import mapped
from thermscan.registration.geometry.pose import Poses
from thermscan.registration.placing.edge_odds import STRAY, EdgeOdds, layer_of
from thermscan.registration.placing.edges import NARROW_PX, ROUND_TRIM
from thermscan.registration.placing.own_heights import AT_FOOT, BELIEVED

FloatArray = NDArray[np.float64]

# Where along a side its edge is asked for, and at how many equally likely heights of the body.
ALONG, HEIGHTS = (0.2, 0.5, 0.8), 12
# Other layouts of the same bodies: this one shifted around the board by so many steps each way, and mirrored; none
# nearer than two steps, and every second of those that are left.
STEPS, NEAREST_STEPS, EVERY = 4, 2, 2
# Log odds of a handful of bodies scatter by no less than this between layouts.
LEAST_SPREAD = 0.5
# So much is looked up at once, which then stays in the processor's cache (a quarter of it takes 1.5 to 1.9 times as
# long, a half to four times it 1.0 to 1.2 times; what is told does not depend on it).
LOOKED_UP = 144_000


@dataclass(frozen=True, slots=True, eq=False)
class Bodies:
    """
    A layout's bodies, and where they would be in other layouts; fixed for a board.

    Attributes
    ----------
    shapes_mm : ndarray of shape (parts, 4, 2)
        Corners about the body's centre.
    centres_mm : ndarray of shape (1 + others, parts, 2)
        Of this layout, then of the others.
    heights_mm : ndarray of shape (parts, `HEIGHTS`)
        Equally likely before the frame is looked at.
    along : ndarray of shape (parts, k)
        Where on its sides each body's edges are asked for.
    """

    shapes_mm: FloatArray
    centres_mm: FloatArray
    heights_mm: FloatArray
    along: FloatArray

    def thinned(self, heights: list[int]) -> Bodies:
        """The same asked for at some of the heights, in the middle of the sides, and against every second layout."""
        middle = np.s_[:, len(ALONG) // 2 : len(ALONG) // 2 + 1]
        return Bodies(self.shapes_mm, self.centres_mm[::2], self.heights_mm[:, heights], self.along[middle])


def bodies_of(board: Board, prior: HeightPrior) -> Bodies:
    """
    The bodies of a board, and other layouts of them.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> from thermscan.registration.geometry.heights import height_prior
    >>> surface = Surface("plastic", 0.95, 0.02)
    >>> box = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> board = Board("b", None, box, 1.6, surface, (Part("U1", 8.0, 4.0, 10.0, 8.0, 0.0, surface, height_mm=3.0),))
    >>> bodies = bodies_of(board, height_prior(board))
    >>> bodies.centres_mm.shape, bodies.heights_mm.shape
    ((23, 1, 2), (1, 12))
    """
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts]).reshape(-1, 2)
    corners = np.array([part.corners_mm() for part in board.parts]).reshape(-1, 4, 2)
    below = np.cumsum(np.exp(prior.log_density), axis=1)
    wanted = (np.arange(HEIGHTS) + 0.5) / HEIGHTS
    heights = np.array([np.interp(wanted, each / each[-1], prior.grid_mm) for each in below]).reshape(-1, HEIGHTS)
    trim = np.array([[ROUND_TRIM if part.round_body else 0.0] for part in board.parts]).reshape(-1, 1)
    along = trim + (1 - 2 * trim) * np.array(ALONG)
    size = np.array([board.width_mm, board.height_mm])
    half = np.minimum(np.ptp(corners, axis=1) / 2, size / 2)
    others = [np.clip(each, half, size - half) for each in _elsewhere(centres, size)[::EVERY]]
    return Bodies(corners - centres[:, None], np.array([centres, *others]), heights, along)


def _elsewhere(centres: FloatArray, size: FloatArray) -> list[FloatArray]:
    """The centres shifted around the board by whole steps, as they are and mirrored both ways."""
    steps = [(right, down) for right in range(STEPS) for down in range(STEPS)]
    far = [way for way in steps if sum(min(step, STEPS - step) for step in way) >= NEAREST_STEPS]
    mirrored = [np.where([left, up], size - centres, centres) for left in (False, True) for up in (False, True)]
    return [(each + np.array(way) * size / STEPS) % size for each in mirrored for way in far]


def others_spread(odds: EdgeOdds, bodies: Bodies, px_from_mm: FloatArray, views: Poses) -> FloatArray:
    """Standard deviation of what other layouts of the same bodies get in the frame, at each place; shape (k,)."""
    told = _told(odds, bodies, px_from_mm, views, bodies.centres_mm[1:]).sum(axis=2)
    result: FloatArray = np.maximum(told.std(axis=1), LEAST_SPREAD)
    return result


def bodies_stand_out(odds: EdgeOdds, bodies: Bodies, px_from_mm: FloatArray, views: Poses) -> FloatArray:
    """
    By how many deviations the bodies' edges fit better than those of other layouts of them do, all over the board.

    Parameters
    ----------
    odds : EdgeOdds
    bodies : Bodies
    px_from_mm : ndarray of shape (k, 3, 3)
        Places.
    views : Poses
        The camera's at each.

    Returns
    -------
    ndarray of shape (k,)

    Notes
    -----
    So neither the frame's clutter nor the sides' dependence of each other need be known.
    """
    told = _told(odds, bodies, px_from_mm, views, bodies.centres_mm).sum(axis=2)
    others = told[:, 1:]
    result: FloatArray = (told[:, 0] - others.mean(axis=1)) / np.maximum(others.std(axis=1), LEAST_SPREAD)
    return result


def _told(odds: EdgeOdds, bodies: Bodies, px_from_mm: FloatArray, views: Poses, centres_mm: FloatArray) -> FloatArray:
    """Log odds of each layout's bodies at each place; shape (k, layouts, parts)."""
    (layouts, parts), places = centres_mm.shape[:2], len(px_from_mm)
    if not parts:
        return np.zeros((places, layouts, 0))
    some = max(LOOKED_UP // (parts * 4 * bodies.along.shape[1] * bodies.heights_mm.shape[1]), 1)
    if places > 1 and places * layouts > some:
        step = max(some // layouts, 1)
        stretches = [slice(first, first + step) for first in range(0, places, step)]
        return np.concatenate([_told(odds, bodies, px_from_mm[at], views.some(at), centres_mm) for at in stretches])
    if layouts > some:
        pieces = [centres_mm[first : first + some] for first in range(0, layouts, some)]
        return np.concatenate([_told(odds, bodies, px_from_mm, views, each) for each in pieces], axis=1)
    corners_mm = bodies.shapes_mm[None] + centres_mm[:, :, None]
    corners = mapped(px_from_mm, corners_mm.reshape(-1, 2)).reshape(places * layouts, parts, 4, 2)
    way = np.roll(corners, -1, axis=2) - corners
    length = np.linalg.norm(way, axis=-1)
    normal = np.stack([-way[..., 1], way[..., 0]], axis=-1) / np.maximum(length, 1e-9)[..., None]
    outward = corners + way / 2 - corners.mean(axis=2, keepdims=True)
    normal *= np.sign((normal * outward).sum(axis=-1))[..., None]
    layer = layer_of(normal)
    rise = _rise(bodies, views, centres_mm)
    foot = corners + bodies.along.T[:, None, :, None, None] * way
    foot_x, foot_y = np.ascontiguousarray(np.moveaxis(foot, -1, 0), dtype=np.float32)
    rise_x, rise_y = np.ascontiguousarray(np.moveaxis(rise[:, :, None], -1, 0), dtype=np.float32)
    # (along, layouts, parts, sides, heights): a mean over the first of them is by far the quickest.
    side = odds.at(foot_x[..., None] + rise_x, foot_y[..., None] + rise_y, layer[..., None]).mean(axis=0)
    facing = (rise[:, :, None, -1] * normal).sum(axis=-1) <= 0
    at_foot = odds.at(foot_x[:, facing], foot_y[:, facing], layer[facing]).mean(axis=0)
    side[facing] = np.log(AT_FOOT * np.exp(at_foot)[:, None] + (1 - AT_FOOT) * np.exp(side[facing]))
    # A body that is narrower than that is a line rather than two edges.
    side[length[..., :2].min(axis=-1) < NARROW_PX] = 0.0
    each = np.exp(BELIEVED * side.sum(axis=2, dtype=np.float64)).mean(axis=-1)
    result: FloatArray = np.log((1 - STRAY) * each + STRAY).reshape(places, layouts, parts)
    return result


def _rise(bodies: Bodies, views: Poses, centres_mm: FloatArray) -> FloatArray:
    """How far each height displaces each body's top in the frame; shape (k layouts, parts, heights, 2)."""
    flat = centres_mm.reshape(-1, 2)
    foot = flat @ views.rotation[:, :, :2].swapaxes(1, 2) + views.position_mm[:, None]
    foot = foot.reshape(len(foot), *centres_mm.shape[:2], 1, 3)
    top = foot - bodies.heights_mm[:, :, None] * views.rotation[:, None, None, None, :, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        moved = top[..., :2] / top[..., 2:] - foot[..., :2] / foot[..., 2:]
        moved *= views.focal_px[:, None, None, None, None]
    return np.nan_to_num(moved, posinf=0.0, neginf=0.0).reshape(-1, *moved.shape[2:])
