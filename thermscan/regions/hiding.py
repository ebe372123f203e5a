"""Which pixels a taller neighbour hides in a slanted view."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.layout.board import Board, Part
from thermscan.registration.geometry.parallax import seen_height_mm
from thermscan.registration.geometry.pose import Pose, bodies_corners_px
from thermscan.registration.registration import Registration

# Parts that differ by less are alike: a pixel or less of one is seen over the other.
LEAST_HIGHER_MM = 1.0
# The silhouette's own edge blends with what is behind it.
EDGE_PX = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Silhouette:
    """
    Outline of a body, from its foot to its top, in the frame.

    Attributes
    ----------
    height_mm : float
    hull_px : ndarray of shape (n, 2)
    """

    ref: str
    height_mm: float
    hull_px: NDArray[np.float32]

    def covers(self, points_px: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether each point lies within the silhouette, or within a pixel of it; shape (n,)."""
        low, high = self.hull_px.min(axis=0) - EDGE_PX, self.hull_px.max(axis=0) + EDGE_PX
        within: NDArray[np.bool_] = np.all((points_px >= low) & (points_px <= high), axis=1)
        for i in np.flatnonzero(within):
            x, y = points_px[i]
            within[i] = cv2.pointPolygonTest(self.hull_px, (float(x), float(y)), True) > -EDGE_PX
        return within


def silhouettes(board: Board, registration: Registration, pose: Pose) -> tuple[Silhouette, ...]:
    """
    Outlines of all bodies that stand up from the board in this view.

    Parameters
    ----------
    board : Board
    registration : Registration
    pose : Pose

    Returns
    -------
    tuple of Silhouette
        Empty where no height is stated or seen.
    """
    heights_mm = [seen_height_mm(part, registration) for part in board.parts]
    standing = [k for k, height_mm in enumerate(heights_mm) if height_mm >= LEAST_HIGHER_MM]
    return outlines_of([board.parts[k] for k in standing], [heights_mm[k] for k in standing], registration, pose)


def outlines_of(
    parts: Sequence[Part], heights_mm: Sequence[float], registration: Registration, pose: Pose
) -> tuple[Silhouette, ...]:
    """Outlines of what bodies would show from foot to top, if they stood so high."""
    feet = bodies_corners_px(registration, parts, np.zeros(len(parts)), pose)
    tops = bodies_corners_px(registration, parts, np.array(heights_mm), pose)
    around = np.concatenate([feet, tops], axis=1).astype(np.float32)
    hulls = [np.asarray(cv2.convexHull(one)[:, 0], dtype=np.float32) for one in around]
    told = zip(parts, heights_mm, hulls, strict=True)
    return tuple(Silhouette(part.ref, height_mm, hull) for part, height_mm, hull in told)


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """
    All bodies that stand up in a view, and what tells quickly which of them may hide a place.

    Attributes
    ----------
    silhouettes : tuple of Silhouette
    heights_mm : ndarray of shape (n,)
    boxes_px : ndarray of shape (n, 4)
        Left, top, right and bottom end of each.
    """

    silhouettes: tuple[Silhouette, ...]
    heights_mm: NDArray[np.float64]
    boxes_px: NDArray[np.float64]

    def over(self, points_px: NDArray[np.float64], *, least_mm: float) -> list[Silhouette]:
        """Those of that height that may cover one of the points; there is at least one point."""
        high = self.heights_mm >= least_mm
        left, top = (self.boxes_px[:, :2] <= points_px.max(axis=0)).T
        right, bottom = (self.boxes_px[:, 2:] >= points_px.min(axis=0)).T
        return [self.silhouettes[k] for k in np.flatnonzero(high & left & top & right & bottom)]


def standing_bodies(board: Board, registration: Registration, pose: Pose) -> Standing:
    """The bodies that stand up from the board in this view, see `silhouettes`."""
    found = silhouettes(board, registration, pose)
    boxes = [[*(one.hull_px.min(axis=0) - EDGE_PX), *(one.hull_px.max(axis=0) + EDGE_PX)] for one in found]
    return Standing(found, np.array([one.height_mm for one in found]), np.array(boxes, dtype=np.float64).reshape(-1, 4))


def hidden_pixels(
    part: Part, registration: Registration, others: Standing, points_px: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """
    Which of a part's pixels show a taller neighbour instead.

    Parameters
    ----------
    part : Part
    registration : Registration
    others : Standing
        The part's own silhouette is left out.
    points_px : ndarray of shape (n, 2)

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    A silhouette reaches from the foot away from the camera, over what lies behind the body. A part in
    front of a taller one can share a pixel or two with its foot; those are left out as well.
    """
    hidden = np.zeros(len(points_px), dtype=bool)
    if not len(points_px):
        return hidden
    for other in others.over(points_px, least_mm=seen_height_mm(part, registration) + LEAST_HIGHER_MM):
        if other.ref != part.ref:
            hidden |= other.covers(points_px)
    return hidden
