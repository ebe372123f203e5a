"""Lines along the four sides of a figure in a photo, and how much of each side stands out from what lies beyond."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]
Field = NDArray[np.float32]

# Places along a side at which it is looked at; the ends are left out, since corners are round or covered.
PLACES, END_SHARE = 96, 0.05
# An edge is a change of colour (CIE 1976 L*a*b* difference) of at least this between its two flanks, FLANK_PX apart
# from it: about what is seen at a glance; the grain of ordinary photos, smoothed, lies below.
LEAST_CHANGE, FLANK_PX = 7.0, 2.5
# More change does not make a place more of an edge: one white label must not outweigh a whole side.
FULL_CHANGE, CREST = 18.0, 0.05
# A place belongs to a line if its edge lies within this.
NEAR_PX = 1.6
# Two lines this far apart are two; one worth this share of the best may be the board's edge in its stead. Colours are
# compared this far beside them.
APART_PX, NEARLY, BESIDE_PX = 3.0, 0.7, 5.0
MOST_LINES = 5


@dataclass(frozen=True, slots=True, eq=False)
class FittedQuad:
    """
    A figure fitted to edges.

    Attributes
    ----------
    corners_px : ndarray of shape (4, 2)
        Clockwise as seen.
    support : ndarray of shape (4,)
        Share of each side that is an edge.
    """

    corners_px: FloatArray
    support: FloatArray

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_px", read_only(self.corners_px))
        object.__setattr__(self, "support", read_only(self.support))


def colour_field(pixels: NDArray[np.uint8]) -> Field:
    """
    Colours in which distance is what the eye sees, a little smoothed; shape (rows, cols, 3).

    References
    ----------
    .. [1] ISO/CIE 11664-4:2019, CIE 1976 L*a*b* colour space.

    Examples
    --------
    >>> float(colour_field(np.full((4, 4, 3), 255, np.uint8))[1, 1, 0].round(1))
    100.0
    """
    lab = cv2.cvtColor(pixels.astype(np.float32) / 255.0, cv2.COLOR_BGR2LAB)
    return np.asarray(cv2.GaussianBlur(lab, (0, 0), 1.0), np.float32)


def fit_sides(field: Field, corners_px: FloatArray, *, reach_px: float) -> FittedQuad | None:
    """
    The figure with each side moved to the line, within reach, that most of an edge runs along.

    Parameters
    ----------
    field : ndarray of shape (rows, cols, 3)
        From `colour_field`.
    corners_px : ndarray of shape (4, 2)
        Clockwise as seen.
    reach_px : float
        How far either end of a side may be off.

    Returns
    -------
    FittedQuad or None
        None where two sides do not meet.

    Examples
    --------
    >>> photo = np.full((300, 400, 3), 230, np.uint8)
    >>> photo[80:221, 100:301] = (60, 110, 30)
    >>> fitted = fit_sides(colour_field(photo), np.array([[96, 84], [303, 77], [297, 222], [104, 217.0]]), reach_px=8)
    >>> fitted.corners_px.round(1).tolist(), fitted.support.min()
    ([[99.5, 79.5], [300.5, 79.5], [300.5, 220.5], [99.5, 220.5]], np.float64(1.0))
    """
    ends = np.roll(corners_px, -1, axis=0)
    fitted = [_fit_side(field, start, end, reach_px) for start, end in zip(corners_px, ends, strict=True)]
    lines = np.array([line for line, _ in fitted])
    crossings = np.cross(np.roll(lines, 1, axis=0), lines)
    if np.any(np.abs(crossings[:, 2]) < 1e-9):
        return None
    corners = crossings[:, :2] / crossings[:, 2:]
    # A corner far from where it was: the sides ran off along something else.
    if not np.isfinite(corners).all() or np.abs(corners - corners_px).max() > 3 * reach_px:
        return None
    return FittedQuad(corners, np.array([support for _, support in fitted]))


def _fit_side(field: Field, start: FloatArray, end: FloatArray, reach_px: float) -> tuple[FloatArray, float]:
    """The line (a, b, c) with a x + b y + c = 0, and how much of the side it is an edge along."""
    along = end - start
    outward = np.array([along[1], -along[0]]) / max(float(np.hypot(*along)), 1e-9)
    share = np.linspace(END_SHARE, 1 - END_SHARE, PLACES)
    reach = int(np.ceil(reach_px))
    steps = np.arange(-reach, reach + 1, dtype=np.float64)
    change = _change(field, start + share[:, None] * along, outward, steps)
    # The little that the rest of the change counts puts the line on the crest and not beside it.
    worth = (np.minimum(change, FULL_CHANGE) + CREST * change) * (change >= LEAST_CHANGE)
    offsets = _board_edge(field, _lines(worth, share, reach), start + share[:, None] * along, outward)
    offsets, near = _sharpened(change, share, offsets, steps)
    first, last = start + outward * offsets[0], end + outward * offsets[1]
    line = np.cross(np.append(first, 1.0), np.append(last, 1.0))
    return line / max(float(np.hypot(*line[:2])), 1e-9), near


def _change(field: Field, places: FloatArray, outward: FloatArray, steps: FloatArray) -> FloatArray:
    """Difference in colour between the flanks, for each place along the side and step across it; 0 off the picture."""
    rows, cols = field.shape[:2]
    flanks = []
    outside = np.zeros((len(places), len(steps)), dtype=bool)
    for flank in (-FLANK_PX, FLANK_PX):
        points = places[:, None, :] + (steps + flank)[None, :, None] * outward
        x, y = points[..., 0].astype(np.float32), points[..., 1].astype(np.float32)
        flanks.append(cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
        outside |= (x < 0) | (y < 0) | (x > cols - 1) | (y > rows - 1)
    change: FloatArray = np.linalg.norm(flanks[1].astype(np.float64) - flanks[0], axis=2)
    change[outside] = 0.0
    return change


def _lines(worth: FloatArray, share: FloatArray, reach: int) -> list[tuple[float, float]]:
    """
    The offsets of both ends for which the places along the line are worth most, and those of other lines beside it that
    are worth nearly as much; the best first.
    """
    ends = np.arange(-reach, reach + 1)
    at = np.arange(len(share))
    total = np.zeros((len(ends), len(ends)))
    for row, first in enumerate(ends):
        offsets = first + share[None, :] * (ends - first)[:, None]
        column = np.round(offsets).astype(np.intp) + reach
        total[row] = worth[at[None, :], column].sum(axis=1)
    least = NEARLY * float(total.max())
    lines: list[tuple[float, float]] = []
    while len(lines) < MOST_LINES and total.max() > 0 and total.max() >= least:
        best = np.unravel_index(int(total.argmax()), total.shape)
        lines.append((float(ends[best[0]]), float(ends[best[1]])))
        # Lines that cross this one or lie upon it are no other lines.
        off_first, off_last = np.meshgrid(ends - ends[best[0]], ends - ends[best[1]], indexing="ij")
        beside = np.minimum(np.abs(off_first), np.abs(off_last)) >= APART_PX
        total = np.where(beside & (off_first * off_last > 0), total, 0.0)
    return lines or [(0.0, 0.0)]


def _board_edge(
    field: Field, lines: list[tuple[float, float]], places: FloatArray, outward: FloatArray
) -> tuple[float, float]:
    """
    Of lines side by side, the one that parts board from ground: what lies within it is more of the board's colour, what
    lies beyond it more of the ground's. A line printed on the board and one drawn on the ground are told so.
    """
    if len(lines) == 1:
        return lines[0]
    ordered = sorted(lines, key=sum)
    share = np.linspace(END_SHARE, 1 - END_SHARE, len(places))[:, None]
    at = [places + (first + share * (last - first)) * outward for first, last in ordered]
    board, ground = _colours(field, at[0] - BESIDE_PX * outward), _colours(field, at[-1] + BESIDE_PX * outward)
    as_board = []
    for inner, outer in pairwise(at):
        strip = _colours(field, (inner + outer) / 2)
        nearer = np.linalg.norm(strip - board, axis=1) < np.linalg.norm(strip - ground, axis=1)
        wide = np.linalg.norm(outer - inner, axis=1)
        as_board.append(float((np.where(nearer, 1.0, -1.0) * wide).mean()))
    # The sum of what is within and not board, and beyond and not ground, is least.
    gain = np.concatenate([[0.0], np.cumsum(as_board)])
    return ordered[int(gain.argmax())]


def _colours(field: Field, points: FloatArray) -> FloatArray:
    x, y = points[None, :, 0].astype(np.float32), points[None, :, 1].astype(np.float32)
    return np.asarray(cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0], np.float64)


def _sharpened(
    change: FloatArray, share: FloatArray, offsets: tuple[float, float], steps: FloatArray
) -> tuple[tuple[float, float], float]:
    """The line through the edges' own places, to parts of a pixel, and the share of places that lie on it."""
    first, last = offsets
    near = np.zeros(len(share), dtype=bool)
    for _ in range(3):
        line = first + share * (last - first)
        weight = np.where(np.abs(steps[None, :] - line[:, None]) <= FLANK_PX + NEAR_PX, change, 0.0)
        total = weight.sum(axis=1)
        places = np.where(total > 0, (weight * steps).sum(axis=1) / np.maximum(total, 1e-9), np.inf)
        near = (weight.max(axis=1) >= LEAST_CHANGE) & (np.abs(places - line) <= NEAR_PX)
        if near.sum() < 0.1 * len(share):
            break
        slope, level = np.polyfit(share[near], places[near], 1)
        first, last = float(level), float(level + slope)
    return (first, last), float(near.mean())
