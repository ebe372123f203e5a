"""Find a lost view again: a coarse search over turns and shifts of the first frame."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.registration.evidence import filled
from thermscan.robust import robust_sd

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]

# The search works on pictures reduced to about so many pixels along the longer side.
SEARCH_PX = 80
# A hand that comes back has turned by no more than this; the steps lie within what the tracking takes up.
MOST_TURN_DEG, TURN_STEP_DEG = 24.0, 6.0
# The middle of the lost frame, this share of its sides, is sought in the whole first frame: so a shift by a
# quarter of the width still finds all of it there.
MIDDLE = 0.5
# Places that are handed on to the tracking.
MOST_PLACES = 8
# Places of one turn that are this near, in reduced pixels, are one.
SAME_PLACE_PX, PLACES_A_TURN = 4, 3
# Slower changes than this many reduced pixels do not count.
SLOW_PX = 5.0


def likely_motions(first: Float32, other: Float32) -> list[FloatArray]:
    """
    Motions from one frame to another that a closer look should start from, likeliest first.

    Parameters
    ----------
    first, other : ndarray of float32, shape (rows, cols)
        NaN where a pixel does not count.

    Returns
    -------
    list of ndarray of shape (3, 3)
        Right to about three reduced pixels, if any is right.

    References
    ----------
    .. [1] J. P. Lewis, Fast normalized cross-correlation, Vision Interface 1995, 120-123.

    Examples
    --------
    >>> scene = cv2.GaussianBlur(np.random.default_rng(1).normal(0, 9, (120, 200)).astype(np.float32), (0, 0), 3.0)
    >>> np.abs(likely_motions(scene[:, 40:160], scene[:, 20:140])[0][:2, 2] - [20, 0]).max() < 4
    np.True_
    """
    reduction = max(1, round(max(first.shape) / SEARCH_PX))
    one, two = (_detail(picture, reduction) for picture in (first, other))
    rows, cols = one.shape
    top, left = (round(size * (1 - MIDDLE) / 2) for size in (rows, cols))
    middle = two[top : rows - top, left : cols - left]
    found: list[tuple[float, FloatArray]] = []
    for turn_deg in np.arange(-MOST_TURN_DEG, MOST_TURN_DEG + 1e-6, TURN_STEP_DEG):
        turn = cv2.getRotationMatrix2D(((cols - 1) / 2, (rows - 1) / 2), float(turn_deg), 1.0)
        score = cv2.matchTemplate(cv2.warpAffine(one, turn, (cols, rows)), middle, cv2.TM_CCOEFF_NORMED)
        for likely, x, y in _peaks(score):
            matrix = np.vstack([turn, [0, 0, 1]])
            matrix[:2, 2] += [left - x, top - y]
            found.append((likely, matrix))
    found.sort(key=lambda place: -place[0])
    # Between whole pixels of the frame and of the reduced picture lies half of each.
    half = (reduction - 1) / 2
    up = np.array([[reduction, 0, half], [0, reduction, half], [0, 0, 1.0]])
    return [up @ matrix @ np.linalg.inv(up) for _, matrix in found[:MOST_PLACES]]


def _peaks(score: NDArray[Any]) -> list[tuple[float, int, int]]:
    """The best places of one turn: score, x and y."""
    left = np.nan_to_num(score, nan=-1.0, posinf=-1.0, neginf=-1.0)
    found = []
    for _ in range(PLACES_A_TURN):
        _, likely, _, (x, y) = cv2.minMaxLoc(left)
        found.append((float(likely), int(x), int(y)))
        near = np.s_[
            max(y - SAME_PLACE_PX, 0) : y + SAME_PLACE_PX + 1, max(x - SAME_PLACE_PX, 0) : x + SAME_PLACE_PX + 1
        ]
        left[near] = -1.0
    return found


def _detail(picture: Float32, reduction: int) -> Float32:
    """The reduced picture without what changes slowly over it, compressed so that one hot part does not rule."""
    size = (picture.shape[1] // reduction, picture.shape[0] // reduction)
    smaller = cv2.GaussianBlur(cv2.resize(filled(picture), size, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    rest = smaller - cv2.GaussianBlur(smaller, (0, 0), SLOW_PX)
    spread = robust_sd(rest) + 1e-6
    result: Float32 = np.arcsinh(rest / (2 * spread)).astype(np.float32)
    return result
