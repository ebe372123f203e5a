"""Whether four corners can be those of a board that a camera sees, and of another than four others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.layout.outline import polygon_areas
from thermscan.registration.geometry.homography import homographies

FloatArray = NDArray[np.float64]

# A rectangle seen at up to 60 degrees has no narrower corner, and its far end is at most this many times
# as far away as its near end, from where the whole of it can be seen.
NARROWEST_DEG, DEEPEST = 22.0, 4.0


def plausible(corners: FloatArray, corners_mm: FloatArray, before: FloatArray) -> NDArray[np.bool_]:
    """
    Whether corners are still about as far apart as before, the same way round, and as a camera could see a rectangle.

    Parameters
    ----------
    corners, before : ndarray of shape (k, 4, 2)

    Returns
    -------
    ndarray of bool, shape (k,)

    Examples
    --------
    >>> box = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> plausible(np.array([box + 3.0, 2 * box, box[::-1]]), box, np.array([box, box, box])).tolist()
    [True, False, False]
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        ahead = np.roll(corners, -1, axis=1) - corners
        behind = np.roll(corners, 1, axis=1) - corners
        cross = ahead[..., 0] * behind[..., 1] - ahead[..., 1] * behind[..., 0]
        angle = np.degrees(np.arctan2(cross, (ahead * behind).sum(axis=2)))
        grown = np.sqrt(np.abs(polygon_areas(corners) / polygon_areas(before)))
        fine = (angle >= NARROWEST_DEG).all(axis=1) & (angle <= 180 - NARROWEST_DEG).all(axis=1)
        fine &= (grown > 0.6) & (grown < 1.6)
    depth = np.abs(homographies(corners_mm, corners[fine])[:, 2, :2] @ corners_mm.T + 1.0)
    result = np.zeros(len(corners), bool)
    result[fine] = depth.max(axis=1) < DEEPEST * depth.min(axis=1)
    return result


def lies_elsewhere(one: FloatArray, other: FloatArray) -> bool:
    """The middle of each lies outside the other: not the same thing seen in two ways."""
    apart = float(np.linalg.norm(one.mean(axis=0) - other.mean(axis=0)))
    return apart > 0.4 * min(float(np.linalg.norm(np.ptp(each, axis=0))) for each in (one, other))


def turn_deg(one: FloatArray, other: FloatArray) -> float:
    """
    By how much the same board lies turned, from its first side.

    Examples
    --------
    >>> box = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> turn_deg(box, np.roll(box, 2, axis=0)), turn_deg(box, box + 1.0)
    (180.0, 0.0)
    """
    ways = [each[1] - each[0] for each in (one, other)]
    angles = [float(np.degrees(np.arctan2(way[1], way[0]))) for way in ways]
    return abs((angles[0] - angles[1] + 180) % 360 - 180)
