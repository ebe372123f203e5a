"""The rectangle that a found body fills, and which bodies are like-sized neighbours."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from thermscan.frozen import dataclass

FloatArray = NDArray[np.float64]

# Below this ratio of sides the spread of the pixels does not fix the direction well; the hull's does.
LONG_ENOUGH = 1.5
# Parts stand square to their board as a rule: a direction this near to an axis is taken for it.
SQUARE_WITHIN_DEG = 10.0
# Sides that differ by no more than this, and a pixel for the raster, are alike.
LIKE_SIDES = 0.15
LIKE_SIDES_PX = 1.0
# Like-sized bodies that stand no further apart than this many lengths are neighbours.
NEIGHBOUR_LENGTHS = 2.0
LIKE_DIRECTION_DEG = 15.0
# Two bodies cannot tell which of them is odd.
FEWEST_ALIKE = 3


@dataclass(frozen=True, slots=True)
class Rectangle:
    """
    A body's outline in the plane in which it was fitted: millimetres of a board, or pixels of a frame.

    Attributes
    ----------
    x, y : float
        Centre.
    length, width : float
        Length is the longer one.
    rotation_deg : float
        Of the length, clockwise as seen from the x axis, from 0 to below 180.
    """

    x: float
    y: float
    length: float
    width: float
    rotation_deg: float


def fit_rectangle(points: FloatArray, *, pixel: float = 1.0, square_to_axes: bool = False) -> Rectangle:
    """
    The rectangle that is filled by points, from their spread along its sides.

    Parameters
    ----------
    points : ndarray of shape (n, 2)
        Pixel centres of a body, at least three that do not lie on a line.
    pixel : float
        Side of a pixel in the plane of the points.
    square_to_axes : bool
        Whether a direction near an axis is taken for that axis.

    Returns
    -------
    Rectangle

    Notes
    -----
    A uniformly filled side of length a has the variance a^2 / 12; centres of pixels of side p lack p^2 / 12.
    A single stray pixel moves this far less than it moves the smallest enclosing rectangle.

    Examples
    --------
    >>> x, y = np.meshgrid(np.arange(20.0), np.arange(5.0))
    >>> fit_rectangle(np.column_stack([x.ravel(), y.ravel()]))
    Rectangle(x=9.5, y=2.0, length=20.0, width=5.0, rotation_deg=0.0)
    """
    centre = points.mean(axis=0)
    variances, axes = np.linalg.eigh(np.cov(points.T, bias=True))
    if variances[1] >= LONG_ENOUGH**2 * variances[0]:
        angle = float(np.degrees(np.arctan2(axes[1, 1], axes[0, 1])))
    else:
        angle = float(cv2.minAreaRect(points.astype(np.float32))[2])
    if square_to_axes and abs(angle - 90.0 * round(angle / 90.0)) <= SQUARE_WITHIN_DEG:
        angle = 90.0 * round(angle / 90.0)
    turn = np.radians(angle)
    along = (points - centre) @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    sides = np.sqrt(12.0 * along.var(axis=0) + pixel**2)
    if sides[1] > sides[0]:
        sides, angle = sides[::-1], angle + 90.0
    x, y, length, width = (round(float(value), 9) for value in (*centre, *sides))
    return Rectangle(x, y, length, width, round(angle, 9) % 180.0)


def like_sized_groups(rectangles: Sequence[Rectangle], *, pixel: float = 1.0) -> tuple[tuple[int, ...], ...]:
    """
    Bodies of like size and direction that stand near one another, in groups of three or more.

    Parameters
    ----------
    rectangles : sequence of Rectangle
    pixel : float
        Side of a camera pixel in their plane: what the raster leaves open of a side.

    Returns
    -------
    tuple of tuple of int
        Places in ``rectangles``, in order.

    Examples
    --------
    >>> row = [Rectangle(10.0 * i, 5.0, 6.0, 4.0, 90.0) for i in range(3)]
    >>> like_sized_groups([*row, Rectangle(15.0, 20.0, 30.0, 9.0, 0.0)])
    ((0, 1, 2),)
    """
    if len(rectangles) < FEWEST_ALIKE:
        return ()
    table = np.array([[r.x, r.y, r.length, r.width, r.rotation_deg] for r in rectangles])
    centre, sides, angle = table[:, :2], table[:, 2:4], table[:, 4]
    apart = np.linalg.norm(centre[:, None] - centre[None], axis=2)
    reach = NEIGHBOUR_LENGTHS * np.minimum(sides[:, None, 0], sides[None, :, 0])
    differ = np.abs(sides[:, None] - sides[None])
    tolerated = LIKE_SIDES * np.minimum(sides[:, None], sides[None]) + LIKE_SIDES_PX * pixel
    turned = np.abs((angle[:, None] - angle[None] + 90.0) % 180.0 - 90.0)
    # A square has no length to be turned.
    square = sides[:, 0] < sides[:, 1] * (1 + LIKE_SIDES) + LIKE_SIDES_PX * pixel
    linked = (differ <= tolerated).all(axis=2) & (apart <= reach)
    linked &= (turned <= LIKE_DIRECTION_DEG) | (square[:, None] & square[None])
    _, family = connected_components(csr_array(linked), directed=False)
    groups = [tuple(int(i) for i in np.flatnonzero(family == number)) for number in range(family.max() + 1)]
    return tuple(group for group in groups if len(group) >= FEWEST_ALIKE)
