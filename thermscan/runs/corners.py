"""Whether four points can be the corners of a board in a frame."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from thermscan.errors import Fault


def corner_fault(corners_px: Iterable[tuple[float, float]]) -> Fault | None:
    """
    What is wrong with four corners (top left, top right, bottom right, bottom left), or None.

    A flat board in front of a camera shows as a convex four-sided figure whose corners run clockwise.

    Examples
    --------
    >>> corner_fault([(0, 0), (9, 0), (9, 9), (0, 9)]) is None
    True
    >>> print(corner_fault([(0, 0), (9, 9), (9, 0), (0, 9)]))
    the corners cross over; list them in the order top left, top right, bottom right, bottom left
    """
    points = np.array(list(corners_px), dtype=np.float64)
    order = "list them in the order top left, top right, bottom right, bottom left"
    if len(points) != 4:
        return Fault(f"{len(points)} corners where four are needed", fix=order)
    sides = np.roll(points, -1, axis=0) - points
    after = np.roll(sides, -1, axis=0)
    turns = sides[:, 0] * after[:, 1] - sides[:, 1] * after[:, 0]
    scale = max(float(np.ptp(points, axis=0).max()), 1e-9)
    # A turn this slight means three corners on one line: no picture of a board looks so.
    if np.any(np.abs(turns) < 1e-6 * scale**2):
        return Fault("three of the corners lie on one line or two on one point", fix="mark each corner of the board")
    if np.all(turns > 0):
        return None
    if np.all(turns < 0):
        return Fault("the corners run anticlockwise, which would show the board in a mirror", fix=order)
    if np.count_nonzero(turns > 0) == 2:
        return Fault("the corners cross over", fix=order)
    return Fault("the corners make a figure with a dent, as no board looks", fix="mark each corner of the board")
