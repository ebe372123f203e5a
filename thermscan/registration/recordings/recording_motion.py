"""The motion of a whole recording: each frame from the one before it, found again after the view was lost."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.recordings.drift import Drift, Tracker
from thermscan.registration.recordings.reacquire import likely_motions

Float32 = NDArray[np.float32]

# Frames that are less alike after alignment show something else, or something in the way.
LEAST_LIKENESS = 0.75
# Before any frame was followed, this is expected of one.
USUAL_LIKENESS = 0.93
# A frame that is this much less alike than the one before may have been followed to a wrong place.
SUDDEN_LOSS = 0.08
# Rows of equal parts look alike when displaced by one: a frame that lies elsewhere than the one before, by more
# than this share of the width, must be about as alike as that was. What warmed meanwhile makes it a little less.
JUMP_SHARE, JUMP_LOSS, LOSS_A_FRAME = 0.03, 0.12, 0.003
# So often the likeliest start is followed on, while that makes the frames more alike.
FOLLOWED_ON = 4
# A frame that moved by more than this share of its width is another view: too little is common to both.
FARTHEST_SHARE = 0.4


def recording_motion(first: Float32, others: Iterable[Float32]) -> list[Drift | None]:
    """
    The motion from the first frame to each other frame of a recording.

    Parameters
    ----------
    first : ndarray of float32, shape (rows, cols)
        NaN where a pixel does not count.
    others : iterable of ndarray of float32, shape (rows, cols)
        In time order.

    Returns
    -------
    list of Drift or None
        None where a frame does not show the view: blocked, or moved too far.

    Examples
    --------
    >>> rows, cols = np.indices((60, 80), dtype=np.float32)
    >>> scene = lambda x: (np.sin(x / 4) * np.cos(rows / 5) + np.sin(x * rows / 300)).astype(np.float32)
    >>> hand = np.full((60, 80), 30, np.float32) + np.random.default_rng(1).normal(0, 0.05, (60, 80)).astype("f4")
    >>> [drift is not None for drift in recording_motion(scene(cols), [scene(cols + 1), hand, scene(cols + 2)])]
    [True, False, True]
    """
    tracker = Tracker(first)
    width_px = first.shape[1]
    found: list[Drift | None] = []
    last, usual = tracker.at_rest, USUAL_LIKENESS
    for other in others:
        drift = tracker.follow(other, start=last.other_from_first, near=True)
        needed = LEAST_LIKENESS
        if drift.likeness < max(LEAST_LIKENESS, usual - SUDDEN_LOSS):
            drift = _found_again(tracker, drift, first, other)
            if tracker.apart_px(drift, last) > JUMP_SHARE * width_px:
                needed = max(LEAST_LIKENESS, usual - JUMP_LOSS)
        seen = drift.likeness >= needed and drift.shift_px <= FARTHEST_SHARE * width_px
        found.append(drift if seen else None)
        last, usual = (drift, drift.likeness) if seen else (last, usual - LOSS_A_FRAME)
    return found


def _found_again(tracker: Tracker, drift: Drift, first: Float32, other: Float32) -> Drift:
    """The likeliest of many starts, followed to its end."""
    starts = (np.eye(3), *likely_motions(first, other))
    best = max((drift, *(tracker.follow(other, start=start) for start in starts)), key=lambda each: each.likeness)
    for _ in range(FOLLOWED_ON):
        on = tracker.follow(other, start=best.other_from_first)
        if on.likeness <= best.likeness:
            break
        best = on
    return best
