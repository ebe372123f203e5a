"""On minus off: the mean pictures of a board with and without power, each brought to the reference picture."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.lockin import aligned
from thermscan.dynamics.part_pixels import PartPixels
from thermscan.dynamics.reference import Reference, follow
from thermscan.frames.stream import StreamFrame
from thermscan.registration import Drift

FloatArray = NDArray[np.float64]

# Frames of which the difference is made: more change its noise little beside the drift.
MOST_FRAMES = 128


def mean_pictures(
    frames: Iterable[StreamFrame], count: int, reference: Reference, pixels: PartPixels
) -> tuple[FloatArray, FloatArray]:
    """Means of every other frame, on the reference picture, less what the bench reads."""
    step = max(count // MOST_FRAMES, 1)
    shape = reference.image.shape
    totals, seen = [np.zeros(shape), np.zeros(shape)], [0, 0]
    last: Drift | None = None
    for number, frame in enumerate(islice(frames, 0, None, step)):
        # A board without power shows little to follow: on a stand it has not moved.
        drift = follow(reference, frame, last) or last or reference.tracker.at_rest
        last = drift
        bench = pixels.read_bench(frame.values, drift.other_from_first)
        totals[number % 2] += aligned(frame.values, drift) - (0.0 if np.isnan(bench) else bench)
        seen[number % 2] += 1
    if seen[1] == 0:
        return totals[0], totals[0].copy()
    return totals[0] / seen[0], totals[1] / seen[1]


def noise_by_neighbours(difference: FloatArray) -> list[FloatArray]:
    """Where there is one frame of each: noise from what neighbouring pixels differ."""
    left = np.full_like(difference, np.nan)
    left[:, 1:-1] = (2 * difference[:, 1:-1] - difference[:, :-2] - difference[:, 2:]) / np.sqrt(6.0)
    up = np.full_like(difference, np.nan)
    up[1:-1] = (2 * difference[1:-1] - difference[:-2] - difference[2:]) / np.sqrt(6.0)
    return [np.nan_to_num(left), np.nan_to_num(up)]
