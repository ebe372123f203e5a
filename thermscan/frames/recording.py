"""What only a recording shows: repeated frames, flickering pixels, noise that the camera has averaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thermscan.frames.frame import Frame
from thermscan.frames.noise import spatial_noise

# A spread from fewer differences is off by half itself too often to single out pixels.
MIN_FLICKER_FRAMES = 6
# A pixel flickers if it scatters this many times as much as the usual one; chance alone gives three times at most.
FLICKER_OVER_USUAL = 6.0
# And its neighbours do not: edges scatter together when the hand moves, parts when they warm.
FLICKER_OVER_NEIGHBOURS = 3.0
# Frames looked at; memory and time stay small for long recordings.
MAX_FRAMES = 64
# Correlation between neighbouring frames from which averaging is called; chance gives some hundredths.
AVERAGED_CORRELATION = 0.3
_MIN_AVERAGED_FRAMES = 5
# How far the correlation over three frames may be from what averaging predicts before it is drift instead.
_FORM_TOLERANCE = 0.2


def repeated_frames(pages: Sequence[NDArray[np.float64]]) -> int:
    """
    How many frames repeat the one before to the last digit, as a camera does while its shutter is closed.

    Examples
    --------
    >>> repeated_frames([np.zeros((2, 2)), np.zeros((2, 2)), np.ones((2, 2))])
    1
    """
    return sum(_same(earlier, later) for earlier, later in pairwise(pages))


def without_repeats(frames: Sequence[Frame]) -> tuple[Frame, ...]:
    """
    Frames without those that repeat the one before in their file, which would count as evidence twice.

    Parameters
    ----------
    frames : sequence of Frame
        Of one or several files, in order.

    Returns
    -------
    tuple of Frame
        In the same order; each of a file that had repeats says in a remark how many were left out.

    Examples
    --------
    >>> from thermscan.frames.frame import FrameSource
    >>> source = FrameSource(Path("soak.tiff"), 0, "", "TIFF", "uint16")
    >>> shut = [Frame(np.full((2, 2), value), "C", "given", source) for value in (22.0, 22.0, 23.0)]
    >>> kept = without_repeats(shut)
    >>> len(kept), kept[1].remarks
    (2, ('1 of 3 frames repeats the one before and was left out',))
    """
    files: dict[Path, list[Frame]] = {}
    for frame in frames:
        files.setdefault(frame.source.path, []).append(frame)
    repeats: set[int] = set()
    remarks: dict[Path, tuple[str, ...]] = {}
    for path, group in files.items():
        same = {id(later) for earlier, later in pairwise(group) if _same(earlier.values, later.values)}
        verb = "repeats the one before and was" if len(same) == 1 else "repeat the one before and were"
        remarks[path] = (f"{len(same)} of {len(group)} frames {verb} left out",) if same else ()
        repeats |= same
    return tuple(
        replace(frame, remarks=(*frame.remarks, *remarks[frame.source.path])) if remarks[frame.source.path] else frame
        for frame in frames
        if id(frame) not in repeats
    )


def _same(earlier: NDArray[np.float64], later: NDArray[np.float64]) -> bool:
    return bool(np.array_equal(earlier, later, equal_nan=True))


def flickering_pixels(pages: Sequence[NDArray[np.float64]]) -> NDArray[np.bool_]:
    """
    Single pixels that scatter from frame to frame far more than all others, their neighbours included.

    Parameters
    ----------
    pages : sequence of ndarray of shape (rows, cols)
        Frames of one view in time order. Fewer than six show nothing.

    Returns
    -------
    ndarray of bool, shape (rows, cols)

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> pages = 22.0 + 0.05 * rng.standard_normal((8, 20, 30))
    >>> pages[:, 4, 5] += rng.standard_normal(8)
    >>> np.argwhere(flickering_pixels(list(pages))).tolist()
    [[4, 5]]
    """
    shape = pages[0].shape
    moving = _differences(pages)
    if len(moving) + 1 < MIN_FLICKER_FRAMES:
        return np.zeros(shape, dtype=np.bool_)
    with np.errstate(invalid="ignore"):
        spread = np.sqrt(np.mean(np.stack(moving) ** 2, axis=0))
    usual = np.nanmedian(spread) if np.isfinite(spread).any() else 0.0
    if usual <= 0.0:
        return np.zeros(shape, dtype=np.bool_)
    padded = np.pad(np.where(np.isfinite(spread), spread, 0.0), 1)
    rows, cols = shape
    steps = [(y, x) for y in range(3) for x in range(3) if (y, x) != (1, 1)]
    around = np.max([padded[y : y + rows, x : x + cols] for y, x in steps], axis=0)
    with np.errstate(invalid="ignore"):
        result: NDArray[np.bool_] = (spread > FLICKER_OVER_USUAL * usual) & (spread > FLICKER_OVER_NEIGHBOURS * around)
    return result


def averaging_correlation(pages: Sequence[NDArray[np.float64]]) -> float | None:
    """
    How much of a frame's noise the next frame repeats, 0 where frames are independent.

    A camera that smooths over time hands the share a of each frame's noise on to the next. Then differences over
    two and three frames scatter more than over one, by the factors 1 + a and 1 + a + a^2 in variance. Drift makes
    them grow in another form, and is not taken for averaging.

    Parameters
    ----------
    pages : sequence of ndarray of shape (rows, cols)
        Frames of one view in time order.

    Returns
    -------
    float or None
        None where fewer than five different frames, or the growth has another form.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> pages = [22.0 + rng.standard_normal((40, 60))]
    >>> for _ in range(7):
    ...     pages.append(22.0 + 0.6 * (pages[-1] - 22.0) + 0.8 * rng.standard_normal((40, 60)))
    >>> 0.5 < averaging_correlation(pages) < 0.7
    True
    """
    fresh = [pages[0]] + [later for earlier, later in pairwise(pages) if not _same(earlier, later)]
    fresh = fresh[:MAX_FRAMES]
    if len(fresh) < _MIN_AVERAGED_FRAMES:
        return None
    one, two, three = (_variance_over(fresh, lag) for lag in (1, 2, 3))
    if one is None or two is None or three is None or one <= 0.0:
        return None
    share = two / one - 1.0
    if abs(three / one - (1.0 + share + share**2)) > _FORM_TOLERANCE:
        return None
    return float(np.clip(share, 0.0, 1.0))


def _differences(pages: Sequence[NDArray[np.float64]]) -> list[NDArray[np.float64]]:
    """Frame less the one before, without what all pixels share; repeated frames are left out."""
    found = []
    for earlier, later in pairwise(pages[:MAX_FRAMES]):
        difference = later - earlier
        finite = difference[np.isfinite(difference)]
        if finite.size and np.any(finite):
            found.append(difference - np.median(finite))
    return found


def _variance_over(pages: Sequence[NDArray[np.float64]], lag: int) -> float | None:
    spreads = [spatial_noise(later - earlier) for earlier, later in zip(pages, pages[lag:], strict=False)]
    known = [spread**2 for spread in spreads if spread is not None]
    return float(np.median(known)) if known else None
