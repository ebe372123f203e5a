"""Reflections told from heat: heat stays with the board, a reflection moves over it from view to view."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.robust import robust_sd
from thermscan.scales import read_only
from thermscan.views.board_samples import BoardSamples
from thermscan.views.drift import FEWEST_TO_TELL, middle_offset

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
# Matt surfaces mirror no outlines: a spot goes on for as long as it is brighter by so many deviations, or so much.
RIM_DEVIATIONS, RIM_K = 2.0, 0.2
# A body of which more than this is spoiled in a view is mirrored beyond the spot, too: a smaller spot changes its mean
# by less than a tenth of what it is brighter by.
SPOILED_SHARE = 0.1


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
    beside : ndarray of bool, shape (views, rows, cols)
        What no other view can be compared with, beside such a spot: it may go on there.
    """

    found: tuple[Glint, ...]
    cells: Mask
    beside: Mask

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        for name in ("cells", "beside"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.bool_))

    def spoiled(self, samples: BoardSamples, parts: int) -> Mask:
        """The views in which a part's body mirrors something; shape (views, parts)."""
        on = samples.body >= 0
        whole = np.bincount(samples.body[on], minlength=parts)
        spots = np.stack([np.bincount(samples.body[on & cells], minlength=parts) for cells in self.cells])
        result: Mask = spots > SPOILED_SHARE * np.maximum(whole, 1)
        return result

    def pixels(self, samples: BoardSamples, view: int, shape: tuple[int, int]) -> Mask:
        """The pixels of a view that they spoil; shape (rows, cols) of the frame."""
        spoiled = np.zeros(shape, dtype=np.uint8)
        places = np.round(samples.places_px[view][self.cells[view]]).astype(np.intp)
        inside = np.all((places >= 0) & (places < [shape[1], shape[0]]), axis=1)
        spoiled[places[inside, 1], places[inside, 0]] = 1
        grown: Mask = cv2.dilate(spoiled, np.ones((3, 3), np.uint8)).astype(bool)
        return grown


def find_glints(samples: BoardSamples, refs: tuple[str, ...], *, may_hide: Mask | None = None) -> Glints:
    """
    Spots that are brighter in one view than the same places are in the others.

    Parameters
    ----------
    samples : BoardSamples
        Of two or more views.
    refs : tuple of str
        Of the board's parts, in its order.
    may_hide : ndarray of bool, shape (views, rows, cols), optional
        Where a body may hide a place in a view.

    Returns
    -------
    Glints

    Notes
    -----
    Each view's offset is taken off first. A place counts as brighter where it is so against all that the other views
    show within two cells of it, by five robust deviations of what views differ by elsewhere. A body's edge, which
    blends with what is behind it, is not compared, nor what lies beside a place that a view does not show, or that a
    body may hide in it: what is seen there may be the body's warm side. Where three views or more show the place, they
    are compared with its median view. Where only two do, neither can be believed: the spot is left out of both.
    """
    values = samples.apparent_c - offsets_k(samples)[:, None, None]
    values[:, _edges(samples.body)] = np.nan
    unseen = ~np.isfinite(samples.apparent_c) if may_hide is None else ~np.isfinite(samples.apparent_c) | may_hide
    values[np.stack([_grown(each) > 0 for each in unseen])] = np.nan
    seen = np.isfinite(values)
    count = seen.sum(axis=0)
    cells = np.zeros(values.shape, dtype=bool)
    found: list[Glint] = []
    told, middle = count >= FEWEST_TO_TELL, _middle(values)
    for view in range(len(values)):
        # The median of all: the mean of two others lies half way to one of them that something covers.
        others = np.where(told, middle, _middle(np.delete(values, view, axis=0)))
        others[~seen[view]] = np.nan
        spots = _spots(values[view], others)
        for label in range(1, int(spots.max()) + 1):
            where = spots == label
            disputed = float(np.median(count[where])) < FEWEST_TO_TELL
            cells[view] |= where
            if disputed:
                cells |= where & seen
            found.append(_glint(None if disputed else view, where, values[view] - others, samples, refs))
    alone = np.isfinite(samples.apparent_c) & ~(seen & (count > 1))
    beside = np.stack([_touching(each, spots) for each, spots in zip(alone, cells, strict=True)])
    return Glints(tuple(found), cells, beside)


def _touching(places: Mask, spots: Mask) -> Mask:
    """Connected places of which one lies beside a spot."""
    number, labels = cv2.connectedComponents(places.astype(np.uint8), connectivity=8)
    touched = np.zeros(number, dtype=bool)
    touched[labels[cv2.dilate(spots.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0]] = True
    result: Mask = places & touched[labels]
    return result


def _grown(places: Mask) -> NDArray[np.uint8]:
    """Places that lie as far off as a place may."""
    side = np.ones((2 * REACH_CELLS + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate(places.astype(np.uint8), side), dtype=np.uint8)


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
        offsets -= middle_offset(offsets)
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


def _spots(values: FloatArray, others: FloatArray) -> NDArray[np.int32]:
    """
    Spots where a view is brighter than all that the others show about the place, numbered from 1.

    Each has its rim with it, and as many bright cells as count.
    """
    known = np.isfinite(others) & np.isfinite(values)
    side = np.ones((2 * REACH_CELLS + 1,) * 2, np.uint8)
    nearby = cv2.dilate(np.where(np.isfinite(others), others, -1e9), side)
    difference = (values - others)[known]
    if not difference.size:
        return np.zeros(values.shape, dtype=np.int32)
    spread = robust_sd(difference)
    excess = np.where(known, values - nearby, -np.inf)
    bright = excess > max(DEVIATIONS * spread, LEAST_K)
    number, labels = cv2.connectedComponents(
        (excess > max(RIM_DEVIATIONS * spread, RIM_K)).astype(np.uint8), connectivity=8
    )
    kept = np.flatnonzero(np.bincount(labels[bright], minlength=number) >= LEAST_CELLS)
    numbered = np.zeros(number, dtype=np.int32)
    numbered[kept] = np.arange(1, len(kept) + 1)
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
