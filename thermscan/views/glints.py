"""Reflections told from heat: heat stays with the board, a reflection moves over it from view to view."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import reduce_frozen
from thermscan.robust import robust_sd
from thermscan.scales import read_only
from thermscan.views.board_samples import BoardSamples

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A place that differs by less changes a part's mean by less than its emissivity's doubt does.
LEAST_K = 0.5
# So many robust deviations of what the views differ by elsewhere; of 10 000 places none is beyond it by chance.
DEVIATIONS = 5.0
# A place may lie this many cells off: registration, and heights not quite as stated.
REACH_CELLS = 2
# Of the finest view's pixels: fewer are an edge, and change no mean.
LEAST_CELLS = 6
# A view is one of so many at least before the others can tell that it is the one that differs.
FEWEST_TO_TELL = 3


@dataclass(frozen=True, slots=True)
class Glint:
    """
    A spot that one view shows and the others do not.

    Attributes
    ----------
    view : int or None
        Which; None where only two views show the place, so that either may be wrong.
    ref : str or None
        The part whose body most of it lies on.
    x_mm, y_mm : float
        Its middle.
    area_mm2, excess_k : float
        How large it is, and by how much it is brighter there.
    """

    view: int | None
    ref: str | None
    x_mm: float
    y_mm: float
    area_mm2: float
    excess_k: float


@dataclass(frozen=True, slots=True, eq=False)
class Glints:
    """
    All such spots, and the pixels that they spoil.

    Attributes
    ----------
    found : tuple of Glint
    cells : ndarray of bool, shape (views, rows, cols)
        On the board's raster.
    """

    found: tuple[Glint, ...]
    cells: Mask

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "cells", read_only(self.cells, np.bool_))

    def pixels(self, samples: BoardSamples, view: int, shape: tuple[int, int]) -> Mask:
        """The pixels of a view that they spoil; shape (rows, cols) of the frame."""
        spoiled = np.zeros(shape, dtype=np.uint8)
        places = np.round(samples.places_px[view][self.cells[view]]).astype(np.intp)
        inside = np.all((places >= 0) & (places < [shape[1], shape[0]]), axis=1)
        spoiled[places[inside, 1], places[inside, 0]] = 1
        grown: Mask = cv2.dilate(spoiled, np.ones((3, 3), np.uint8)).astype(bool)
        return grown


def find_glints(samples: BoardSamples, refs: tuple[str, ...]) -> Glints:
    """
    Spots that are brighter in one view than the same places are in the others.

    Parameters
    ----------
    samples : BoardSamples
        Of two or more views.
    refs : tuple of str
        Of the board's parts, in its order.

    Returns
    -------
    Glints

    Notes
    -----
    Each view's offset is taken off first. A place counts as brighter where it is so against all that the other views
    show within two cells of it, by five robust deviations of what views differ by elsewhere. A body's edge, which
    blends with what is behind it, is not compared. Where three views or more show the place, they are compared with
    its median view. Where only two do, neither can be believed: the spot is left out of both.
    """
    values = samples.apparent_c - offsets_k(samples)[:, None, None]
    values[:, _edges(samples.body)] = np.nan
    seen = np.isfinite(values)
    count = seen.sum(axis=0)
    cells = np.zeros(values.shape, dtype=bool)
    found: list[Glint] = []
    told, middle = count >= FEWEST_TO_TELL, _middle(values)
    for view in range(len(values)):
        # The median of all: the mean of two others lies half way to one of them that something covers.
        others = np.where(told, middle, _middle(np.delete(values, view, axis=0)))
        others[~seen[view]] = np.nan
        above = _above(values[view], others)
        spots = _spots(above)
        for label in range(1, int(spots.max()) + 1):
            where = spots == label
            disputed = float(np.median(count[where])) < FEWEST_TO_TELL
            cells[view] |= where
            if disputed:
                cells |= where & seen
            found.append(_glint(None if disputed else view, where, values[view] - others, samples, refs))
    return Glints(tuple(found), cells)


def _edges(body: NDArray[np.intp]) -> Mask:
    """Places from which the edge of a body is no farther than a place may lie off."""
    side = np.ones((2 * REACH_CELLS + 1,) * 2, np.uint8)
    numbers = body.astype(np.float32)
    result: Mask = cv2.dilate(numbers, side) != cv2.erode(numbers, side)
    return result


def offsets_k(samples: BoardSamples) -> FloatArray:
    """Each view's offset against the middle of the views, from all places that two or more show; shape (views,)."""
    values = samples.apparent_c[:, samples.on_board]
    offsets = np.zeros(len(values))
    several = np.isfinite(values).sum(axis=0) > 1
    if not several.any():
        return offsets
    values = values[:, several]
    for _ in range(5):
        middle = _middle(values - offsets[:, None])
        step = np.array([_median(row - middle) for row in values]) - offsets
        offsets = offsets + step
        offsets -= offsets.mean()
    return offsets


def _middle(values: FloatArray) -> FloatArray:
    """The median of the views at each place; NaN where none shows it."""
    ordered = np.sort(values, axis=0)
    count = np.isfinite(ordered).sum(axis=0)
    low, high = np.maximum(count - 1, 0) // 2, np.maximum(count, 1) // 2
    pick = np.stack([np.take_along_axis(ordered, k[None], axis=0)[0] for k in (low, np.minimum(high, len(values) - 1))])
    return np.where(count > 0, pick.mean(axis=0), np.nan)


def _median(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else 0.0


def _above(values: FloatArray, others: FloatArray) -> Mask:
    """Where a view is brighter than all that the others show about the place."""
    known = np.isfinite(others)
    side = np.ones((2 * REACH_CELLS + 1,) * 2, np.uint8)
    nearby = cv2.dilate(np.where(known, others, -1e9), side)
    difference = (values - others)[known & np.isfinite(values)]
    if not difference.size:
        return np.zeros(values.shape, dtype=bool)
    spread = robust_sd(difference)
    result: Mask = known & (values > nearby + max(DEVIATIONS * spread, LEAST_K))
    return result


def _spots(above: Mask) -> NDArray[np.int32]:
    """Connected spots that are large enough, numbered from 1."""
    number, labels, stats, _ = cv2.connectedComponentsWithStats(above.astype(np.uint8), connectivity=8)
    keep = [k for k in range(1, number) if stats[k, cv2.CC_STAT_AREA] >= LEAST_CELLS]
    numbered = np.zeros(number, dtype=np.int32)
    numbered[keep] = np.arange(1, len(keep) + 1)
    result: NDArray[np.int32] = numbered[labels]
    return result


def _glint(view: int | None, where: Mask, excess_k: FloatArray, samples: BoardSamples, refs: tuple[str, ...]) -> Glint:
    rows, cols = np.nonzero(where)
    x_mm, y_mm = ((float(index.mean()) + 0.5) * samples.mm_per_px for index in (cols, rows))
    on = samples.body[where]
    part, most = max(((int(k), int((on == k).sum())) for k in np.unique(on)), key=lambda pair: pair[1])
    return Glint(
        view,
        refs[part] if part >= 0 and 2 * most >= len(on) else None,
        x_mm,
        y_mm,
        float(where.sum()) * samples.mm_per_px**2,
        float(np.nanmax(excess_k[where])),
    )
