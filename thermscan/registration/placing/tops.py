"""How much of the picture's detail the bodies' tops explain where a place puts them, against where they are not."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from thermscan.definite import solve_definite
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.registration.placing.detail import (
    BROAD,
    INSET,
    LEAST_SHARE,
    Float32Array,
    Raster,
    broad,
    covered,
    painted,
    raster_of,
    seen_detail,
)
from thermscan.robust import robust_sd

FloatArray = NDArray[np.float64]

# After a last fit a place is right to a pixel or so: so many samples along the board's longer side, and no more than
# the frame's (160 tell a place that is 2 to 6 pixels off no better, 72 less: area under the curve 0.983 and 0.962 where
# 120 have 0.981, of 251 right and 25 wrong places).
SAMPLES = 120
# One hot body may not outweigh all others: detail counts up to so many robust deviations (of all of it, places that are
# 2 to 6 pixels off are told by an area of 0.977 under the curve, up to its 95th percentile 0.980, so 0.983).
CLIP = 4.0
# So many places each way are tried for the picture, as it is and mirrored both ways; those nearer than two steps to
# where it belongs are not counted as elsewhere.
STEPS, NEAREST_STEPS = 4, 2
# Tops that are alike on the raster explain the same: their normal equations are held up by so much.
ALIKE = 1e-4
# A top of which nothing is inside is no direction: it is not made longer than this allows.
LEAST_LENGTH = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Tops:
    """
    A board's bodies on a raster; fixed for a board.

    Attributes
    ----------
    raster : Raster
    inside : ndarray of float32, of the raster's shape
        1 well inside the outline: a board's contrast to the bench outweighs all its bodies.
    share : ndarray of float32, of the raster's shape
        What the blur of all that is broad finds of the inside at each pixel.
    shapes_mm : ndarray of shape (parts, 4, 2)
        Corners of the bodies.
    size_mm : ndarray of shape (2,)
        Of the board.
    """

    raster: Raster
    inside: Float32Array
    share: Float32Array
    shapes_mm: FloatArray
    size_mm: FloatArray


def tops_of(board: Board, samples: int = SAMPLES) -> Tops:
    """
    The bodies of a board on a raster.

    Parameters
    ----------
    board : Board
    samples : int
        As many as the frame has along its longer side.

    Examples
    --------
    >>> from thermscan.layout.board import Part, Surface
    >>> surface = Surface("plastic", 0.95, 0.02)
    >>> outline = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> tops = tops_of(Board("b", None, outline, 1.6, surface, (Part("U1", 8.0, 4.0, 10.0, 8.0, 0.0, surface),)))
    >>> tops.inside.shape, round(float(tops.inside.mean()), 2)
    ((72, 132), 0.68)
    """
    raster = raster_of(board, min(samples, SAMPLES))
    disc = np.ones((2 * INSET + 1, 2 * INSET + 1), np.uint8)
    within = (covered(raster.cells(board.outline_mm), raster.shape) > 0.5).astype(np.uint8)
    inside = cv2.erode(within, disc).astype(np.float32)
    shapes = np.array([part.corners_mm() for part in board.parts]).reshape(-1, 4, 2)
    return Tops(
        raster, inside, np.maximum(broad(inside), LEAST_SHARE), shapes, np.array([board.width_mm, board.height_mm])
    )


@dataclass(frozen=True, slots=True)
class Told:
    """Share of the detail that tops explain, and by how many deviations that stands out from elsewhere."""

    share: float
    deviations: float


def tops_stand_out(picture: Float32Array, tops: Tops, px_from_mm: FloatArray, shift_mm: FloatArray) -> Told:
    """
    How much more detail the tops explain than they would of the same picture moved about the board.

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, cols)
        Any monotonic function of temperature; no NaN.
    tops : Tops
    px_from_mm : ndarray of shape (3, 3)
    shift_mm : ndarray of shape (parts, 2)
        Where each top is seen, from where its body stands on the board.

    Notes
    -----
    With bodies of unknown temperatures and white residuals the log likelihood is -n/2 log(1 - E), E being the share of
    the detail that they explain. The residuals are not white (heat spreads, neighbours shine), so its scale is that of
    the same picture shifted around the raster and mirrored: all of it is there, and no truth.
    """
    detail, _ = seen_detail(picture, tops.raster, px_from_mm, tops.inside)
    spread = robust_sd(detail[tops.inside > 0], centre=0.0) if tops.inside.any() else 0.0
    detail = np.clip(detail, -CLIP * spread, CLIP * spread)
    power = float((detail * detail).sum())
    if power <= 0 or not len(tops.shapes_mm):
        return Told(0.0, 0.0)
    basis = _basis(tops, _on_board(tops, shift_mm))
    views = np.array([detail.ravel(), *_moved(detail)])
    across = views @ basis
    alike = (basis.T @ basis).astype(np.float64).toarray()
    alike[np.diag_indices_from(alike)] += ALIKE
    share = (across * solve_definite(alike, across.T).T).sum(axis=1) / power
    told = -np.log(np.maximum(1 - share, 1e-9))
    others = told[1:]
    return Told(float(-np.expm1(-told[0])), float((told[0] - others.mean()) / max(others.std(), 1e-9)))


def _on_board(tops: Tops, shift_mm: FloatArray) -> FloatArray:
    """Corners of the tops where they are seen, moved back onto the board where a view from far aside puts them off."""
    low, high = tops.shapes_mm.min(axis=1), tops.shapes_mm.max(axis=1)
    half = np.minimum((high - low) / 2, tops.size_mm / 2)
    centres = (low + high) / 2
    there = np.clip(centres + np.nan_to_num(shift_mm), half, tops.size_mm - half)
    result: FloatArray = tops.shapes_mm + (there - centres)[:, None]
    return result


def _basis(tops: Tops, corners_mm: FloatArray) -> csr_array:
    """The detail of each top, of length 1 where any of it is inside; shape (n, parts)."""
    rows, cols = tops.raster.shape
    cells, around = tops.raster.cells(corners_mm), int(np.ceil(3 * BROAD)) + 1
    lows = np.clip(np.floor(cells.min(axis=1)).astype(int) - around, 0, [cols, rows])
    highs = np.clip(np.ceil(cells.max(axis=1)).astype(int) + around, lows, [cols, rows])
    places, values = [], []
    for corners, low, (left, top), (right, bottom) in zip(cells, lows, lows.tolist(), highs.tolist(), strict=True):
        box = np.s_[top:bottom, left:right]
        if right > left and bottom > top:
            told = painted(corners - low, (bottom - top, right - left))
            told = (told - broad(told * tops.inside[box]) / tops.share[box]) * tops.inside[box]
            values.append(told.ravel() / max(float(np.linalg.norm(told)), LEAST_LENGTH))
        else:
            values.append(np.zeros(0, np.float32))
        places.append((np.arange(top, bottom)[:, None] * cols + np.arange(left, right)).ravel())
    first = np.cumsum([0, *(len(each) for each in values)])
    by_top = csr_array((np.concatenate(values), np.concatenate(places), first), shape=(len(cells), rows * cols))
    return by_top.T


def _moved(raster: Float32Array) -> list[Float32Array]:
    """The raster mirrored each way, shifted around by whole steps."""
    rows, cols = raster.shape
    steps = [(down, across) for down in range(STEPS) for across in range(STEPS)]
    far = [way for way in steps if sum(min(step, STEPS - step) for step in way) >= NEAREST_STEPS]
    mirrored = [raster[::down, ::across] for down in (1, -1) for across in (1, -1)]
    shifts = [(down * rows // STEPS, across * cols // STEPS) for down, across in far]
    return [np.roll(each, shift, (0, 1)).ravel() for each in mirrored for shift in shifts]
