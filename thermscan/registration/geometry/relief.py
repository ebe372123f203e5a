"""How the height of parts displaces their edges in a slanted view, and what is not known of those heights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.homography import local_scale
from thermscan.registration.geometry.pose import pose_from_homography

if TYPE_CHECKING:
    from thermscan.registration.placing.edges import LayoutEdges

FloatArray = NDArray[np.float64]

# Stated heights are good to this share (with or without socket, standing legs).
U_SCALE = 0.15
# How far a height displaces hangs on the focal length: its standard uncertainty, as a share, by its source.
U_FOCAL = {"camera": 0.03, "view": 0.15, "assumed": 0.35}
FOCAL_STEP = 0.1
# A single part stands higher or lower than stated, or than all do together, by a share of its height and by so much.
U_OWN_SHARE, U_OWN_MM = 0.1, 0.1
# Heights that nobody stated, nor a known package tells: bodies of through-hole boards stand 1 to 5 mm high.
USUAL_HEIGHT_MM, U_COMMON_MM = 3.0, 3.0
# Where a side that faces the camera is seen, as a share of the way from foot to top.
U_NEAR = 0.3
# A tall part is looked for as if it were at least so high while the slope of its displacement is taken.
SLOPE_OVER_MM = 1.0


# Beyond these a relief is none of parts on a board.
LOWEST, HIGHEST = (-0.5, -1.0, -0.5, 0.4), (2.5, 12.0, 1.5, 2.5)


@dataclass(frozen=True, slots=True)
class Relief:
    """
    What is held of the parts' heights while the board is looked for.

    Attributes
    ----------
    scale : float
        Factor on stated heights: 1 where they, and the focal length, are right.
    common_mm : float
        Height of a part whose height is not stated and whose package is not known; others of unstated height stand
        as much higher or lower than that as their packages usually do.
    near : float
        Where a side that faces the camera is seen: 0 at its foot, as where the wall is as warm as the top,
        1 at its top, as where the wall is as cool as the board.
    focal : float
        Factor on the focal length that is stated, told from the view or assumed.
    """

    scale: float = 1.0
    common_mm: float = 0.0
    near: float = 0.0
    focal: float = 1.0

    def moved(self, step: FloatArray) -> Relief:
        """After a step in the four, within what is possible."""
        now = np.array([self.scale, self.common_mm, self.near, self.focal]) + step
        return Relief(*(float(value) for value in np.clip(now, LOWEST, HIGHEST)))

    def from_usual(self) -> FloatArray:
        """What is known before looking, less what is held; shape (4,)."""
        return np.array([1.0 - self.scale, USUAL_HEIGHT_MM - self.common_mm, -self.near, 1.0 - self.focal])


AS_STATED = Relief()
# What is tried besides heights as stated and none elsewhere: parts as high as they usually are where nobody
# says, and parts that show no height though one is stated.
OTHER_RELIEFS = (Relief(1.0, USUAL_HEIGHT_MM), Relief(0.0, 0.0))


@dataclass(frozen=True, slots=True, eq=False)
class Rise:
    """
    Displacement of each edge in the frame.

    Attributes
    ----------
    shift_px : ndarray of shape (m, 2)
        At the heights held.
    slopes_px : ndarray of shape (m, 2, 4)
        Change of the shift with the relief's ``scale``, ``common_mm``, ``near`` and ``focal`` (last axis).
    known : ndarray of shape (4,)
        Standard uncertainty of these before looking.
    own_px : ndarray of shape (m, 2)
        Change of the shift a millimetre of the part's own height.
    top_px : ndarray of shape (m, 2)
        Displacement of the part's top, which a side that faces the camera does not share.
    outward_px : ndarray of shape (m, 2)
        From the body's middle to the edge's, in the frame; zero for the outline.
    """

    shift_px: FloatArray
    slopes_px: FloatArray
    known: FloatArray
    own_px: FloatArray
    top_px: FloatArray
    outward_px: FloatArray


def heights_mm(edges: LayoutEdges, relief: Relief) -> FloatArray:
    """Height of each edge; shape (m,)."""
    return np.where(
        np.isnan(edges.height_mm), relief.common_mm / USUAL_HEIGHT_MM * edges.usual_mm, relief.scale * edges.height_mm
    )


def other_heights(edges: LayoutEdges) -> list[LayoutEdges]:
    """The same edges with parts held to be higher, or lower, where that makes a difference."""
    usual = heights_mm(edges, edges.relief)
    others = [replace(edges, relief=relief) for relief in OTHER_RELIEFS]
    return [other for other in others if not np.array_equal(heights_mm(other, other.relief), usual)]


def edge_rise(
    px_from_mm: FloatArray, edges: LayoutEdges, relief: Relief, *, shape: Sequence[int], fov_deg: float | None
) -> Rise:
    """
    How the height of parts displaces their outlines in the frame.

    Parameters
    ----------
    px_from_mm : ndarray of shape (3, 3)
        Of the board's plane.
    edges : LayoutEdges
    relief : Relief
    shape : sequence of int
        Rows and columns of the frame.
    fov_deg : float or None
        Horizontal field of view; None: told from the view, or assumed.

    Returns
    -------
    Rise

    Notes
    -----
    A body is seen as the silhouette of its foot, its top and the walls between, which are about as warm as
    the top. So a side that faces away from the camera is seen at its top edge, displaced by parallax, and a
    side that faces the camera at its foot, where the layout has it.
    """
    rows, cols = int(shape[0]), int(shape[1])
    corners, middle = _box(edges), (edges.starts_mm + edges.ends_mm) / 2
    height = heights_mm(edges, relief)
    over = np.where(np.abs(height) > SLOPE_OVER_MM, height, SLOPE_OVER_MM)
    pose = pose_from_homography(px_from_mm, shape=(rows, cols), corners_mm=corners, fov_deg=fov_deg)
    source = pose.focal_source

    def per_mm(factor: float) -> FloatArray:
        fov = 2 * np.degrees(np.arctan(cols / 2 / (pose.focal_px * factor)))
        other = pose_from_homography(px_from_mm, shape=(rows, cols), corners_mm=corners, fov_deg=float(fov))
        with np.errstate(divide="ignore", invalid="ignore"):
            moved = (other.px(middle, over) - other.px(middle)) / over[:, None]
        return np.where((good & np.isfinite(moved).all(axis=1))[:, None], moved, 0.0)

    good = edges.part >= 0
    top_mm = per_mm(relief.focal)
    scale = local_scale(px_from_mm, middle)
    along = np.einsum("nij,nj->ni", scale, edges.ends_mm - edges.starts_mm)
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    outward = np.einsum("nij,nj->ni", scale, edges.outward_mm)
    normal *= np.sign((normal * outward).sum(axis=1))[:, None]
    near = (top_mm * normal).sum(axis=1) <= 0
    share = np.where(near, relief.near, 1.0)[:, None]
    unstated = np.isnan(edges.height_mm)
    slopes = np.zeros((len(height), 2, 4))
    slopes[:, :, 0] = top_mm * share * np.where(unstated, 0.0, edges.height_mm)[:, None]
    slopes[:, :, 1] = top_mm * share * (unstated * edges.usual_mm / USUAL_HEIGHT_MM)[:, None]
    slopes[:, :, 2] = top_mm * (near * height)[:, None]
    slopes[:, :, 3] = (per_mm(relief.focal + FOCAL_STEP) - top_mm) / FOCAL_STEP * share * height[:, None]
    known = np.array([U_SCALE, U_COMMON_MM, U_NEAR, U_FOCAL[source]])
    return Rise(top_mm * share * height[:, None], slopes, known, top_mm * share, top_mm * height[:, None], outward)


def _box(edges: LayoutEdges) -> FloatArray:
    outline = edges.part < 0
    points = edges.starts_mm[outline] if outline.any() else edges.starts_mm
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
