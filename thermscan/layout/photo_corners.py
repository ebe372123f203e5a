"""
The board's corners in a visible photo, where they are beyond doubt.

Candidates are figures of four sides that stand out from what lies around them; each is fitted to the edges along its
sides; what is left must be the layout's rectangle as a camera could see it, and the only one.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.errors import CannotJudge
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.layout.board import Board
from thermscan.layout.outline import polygon_area
from thermscan.layout.photo_quads import quad_candidates
from thermscan.layout.photo_sides import FLANK_PX, LEAST_CHANGE, FittedQuad, colour_field, fit_sides
from thermscan.layout.photo_turn import MOST_MISFIT, plausible_turns, rectangle_misfit, settle_turn
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]

# Candidates are sought in a picture of this size, and fitted once more in one of the other.
SEARCH_PX, FIT_PX = 800, 2400
# Of the picture: how far a candidate's side may be off (search), and the search's own accuracy (fit).
SEARCH_REACH, FIT_REACH = 0.025, 0.004
# A side stands out if most of it does; connectors, clips and fingers may cover the rest.
LEAST_SIDE, LEAST_MEAN = 0.6, 0.75
# Less of the photo than this and the parts on the board would be specks.
LEAST_SHARE = 0.05
# Corners nearer than this share of the board's size are the same find.
SAME_QUAD = 0.012
# A line drawn round the board within this share of its size is part of it (a border on the solder mask).
BORDER_SHARE = 0.04
# With cut-off corners the sides still make the board's box; with more cut away, which box they make is not known.
LEAST_FILLED = 0.95

# How much worse than the best a figure's proportions may be to count as its equal; and how good they must be where the
# ground has lines of its own, which may pass for a side: as near as a ruler measures a board.
SMALL_MISFIT = 0.008
# The ground is looked at in a ring round the board, between these shares of its size; a plain one has hardly an edge.
RING_SHARES, MOST_PATTERN = (0.02, 0.10), 0.12

GIVE_CORNERS = "give --corners 'X,Y X,Y X,Y X,Y': the board's top left, top right, bottom right, bottom left corner"


@dataclass(frozen=True, slots=True, eq=False)
class FoundCorners:
    """
    The board in a photo.

    Attributes
    ----------
    corners_px : ndarray of shape (4, 2)
        Top left, top right, bottom right, bottom left of the board.
    remarks : tuple of str
        What had to be assumed.
    """

    corners_px: FloatArray
    remarks: tuple[str, ...] = ()

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_px", read_only(self.corners_px))


def find_corners(pixels: NDArray[np.uint8], board: Board) -> FoundCorners:
    """
    The corners of the board's bounding box in a photo.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, cols, 3)
        Blue first.
    board : Board
        Its proportions tell the board from other things; its parts, which way round it lies.

    Raises
    ------
    CannotJudge
        No figure of four sides stands out, none has the layout's proportions, several do, or it may lie either way
        round.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> board = Board("b", None, [[0, 0], [90, 0], [90, 60], [0, 60]], 1.6, surface_named("solder-mask"), ())
    >>> photo = np.full((500, 700, 3), 230, np.uint8)
    >>> photo[80:381, 120:571] = (60, 110, 30)
    >>> find_corners(photo, board).corners_px.round(1).tolist()
    [[119.5, 79.5], [570.5, 79.5], [570.5, 380.5], [119.5, 380.5]]
    """
    if polygon_area(board.outline_mm) < LEAST_FILLED * board.width_mm * board.height_mm:
        what = "the board is not a rectangle, so its outline in the photo does not give the corners of its box"
        raise CannotJudge(what, fix=GIVE_CORNERS)
    quads = _standing_out(pixels)
    if not quads:
        raise CannotJudge("no board stands out from its background in the photo", fix=GIVE_CORNERS)
    shape = pixels.shape[:2]
    fitting = [(misfit, quad) for quad in quads if (misfit := _misfit(quad, board, shape)) <= MOST_MISFIT]
    if not fitting:
        what = (
            f"what stands out from the background in the photo does not have the layout's proportions "
            f"({board.width_mm:g} x {board.height_mm:g} mm)"
        )
        raise CannotJudge(what, fix=f"check width and height; else {GIVE_CORNERS}")
    misfit, quad = _the_one(fitting)
    patterned = _patterned(pixels, quad)
    if patterned and (misfit > SMALL_MISFIT or len(fitting) > 1):
        what = "the ground round the board is patterned, and its lines may be taken for the board's edges"
        raise CannotJudge(what, fix=f"lay the board on a plain ground; else {GIVE_CORNERS}")
    turned = plausible_turns(quad.corners_px, board, shape)
    corners, remark = settle_turn(pixels, turned, board, otherwise=GIVE_CORNERS)
    check = "the ground round the board is patterned: see in the picture whether its edges are the board's own"
    return FoundCorners(corners, tuple(filter(None, (remark, check if patterned else None))))


def _standing_out(pixels: NDArray[np.uint8]) -> list[FittedQuad]:
    """Figures with four clear sides, in the photo's own pixels, each once, the clearest first."""
    small, scale = _scaled(pixels, SEARCH_PX)
    field = colour_field(small)
    reach = SEARCH_REACH * max(small.shape[:2])
    rough = [fit_sides(field, corners, reach_px=reach) for corners in quad_candidates(small)]
    kept = _distinct([quad for quad in rough if quad and _clear(quad, small.shape[:2])])
    if not kept:
        return []
    large, fit_scale = _scaled(pixels, FIT_PX)
    field = colour_field(large)
    reach = FIT_REACH * max(large.shape[:2])
    found = []
    for quad in kept:
        start = (quad.corners_px + 0.5) * (scale / fit_scale) - 0.5
        fitted = fit_sides(field, start, reach_px=reach)
        if fitted and _clear(fitted, large.shape[:2]):
            found.append(FittedQuad((fitted.corners_px + 0.5) * fit_scale - 0.5, fitted.support))
    return _distinct(found)


def _scaled(pixels: NDArray[np.uint8], longest_px: int) -> tuple[NDArray[np.uint8], float]:
    """A picture no larger than that, and how many pixels of the photo one of its own is."""
    scale = max(pixels.shape[:2]) / longest_px
    if scale <= 1.0:
        return pixels, 1.0
    size = (max(1, round(pixels.shape[1] / scale)), max(1, round(pixels.shape[0] / scale)))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8), scale


def _clear(quad: FittedQuad, shape: tuple[int, int]) -> bool:
    x, y = quad.corners_px.T
    inside = x.min() > 0 and y.min() > 0 and x.max() < shape[1] - 1 and y.max() < shape[0] - 1
    large = abs(polygon_area(quad.corners_px)) >= LEAST_SHARE * shape[0] * shape[1]
    return bool(inside and large and quad.support.min() >= LEAST_SIDE and quad.support.mean() >= LEAST_MEAN)


def _size(quad: FittedQuad) -> float:
    return float(np.sqrt(abs(polygon_area(quad.corners_px))))


def _apart(one: FittedQuad, other: FittedQuad) -> float:
    """The farthest that corners of two figures lie apart, as a share of the larger's size; any corner may be first."""
    ways = [np.roll(other.corners_px, turn, axis=0) - one.corners_px for turn in range(4)]
    return min(float(np.linalg.norm(way, axis=1).max()) for way in ways) / max(_size(one), _size(other))


def _distinct(quads: list[FittedQuad]) -> list[FittedQuad]:
    kept: list[FittedQuad] = []
    for quad in sorted(quads, key=lambda quad: -quad.support.sum()):
        if all(_apart(quad, other) > SAME_QUAD for other in kept):
            kept.append(quad)
    return kept


def _misfit(quad: FittedQuad, board: Board, shape: tuple[int, int]) -> float:
    size = (board.width_mm, board.height_mm)
    return min(rectangle_misfit(np.roll(quad.corners_px, turn, axis=0), size, shape) for turn in range(4))


def _the_one(found: list[tuple[float, FittedQuad]]) -> tuple[float, FittedQuad]:
    """The outermost of figures that fit alike and differ by a border's width only; other rivals are one too many."""
    least = min(misfit for misfit, _ in found)
    near = next(quad for misfit, quad in found if misfit == least)
    kept = [each for each in found if each[0] <= least + SMALL_MISFIT or _apart(near, each[1]) > BORDER_SHARE * 2]
    outer = max(kept, key=lambda each: _size(each[1]))
    for _, other in kept:
        if other is not outer[1] and _apart(outer[1], other) > 2 * BORDER_SHARE:
            what = "more than one thing in the photo has the layout's proportions and stands out"
            raise CannotJudge(what, fix=f"lay the board on a plain ground; else {GIVE_CORNERS}")
    return outer


def _patterned(pixels: NDArray[np.uint8], quad: FittedQuad) -> bool:
    """Whether the ground round a figure has many edges of its own."""
    small, scale = _scaled(pixels, SEARCH_PX)
    corners = (quad.corners_px + 0.5) / scale - 0.5
    middle = corners.mean(axis=0)
    ring = np.zeros(small.shape[:2], np.uint8)
    for share, shade in ((RING_SHARES[1], 1), (RING_SHARES[0], 0)):
        cv2.fillConvexPoly(ring, np.round(middle + (corners - middle) * (1 + 2 * share)).astype(np.int32), shade)
    field = colour_field(small)
    step = round(FLANK_PX * 2)
    across = np.linalg.norm(field[:, step:] - field[:, :-step], axis=2)[step // 2 : step // 2 - step]
    down = np.linalg.norm(field[step:] - field[:-step], axis=2)[:, step // 2 : step // 2 - step]
    edges = np.maximum(across, down)[ring[step // 2 : step // 2 - step, step // 2 : step // 2 - step] > 0]
    return bool(edges.size and (edges >= LEAST_CHANGE).mean() > MOST_PATTERN)
