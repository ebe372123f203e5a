"""How the height of each part displaces its edges in a slanted view."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.registration.geometry.homography import local_scale, mapped
from thermscan.registration.geometry.pose import Pose, Poses, as_views, pose_from_homography

if TYPE_CHECKING:
    from thermscan.registration.placing.edges import LayoutEdges

FloatArray = NDArray[np.float64]

FOCAL_STEP = 0.05
# A lower top is displaced by next to nothing: its slope is taken at this height.
SLOPE_OVER_MM = 1.0
# A step of this share of an edge shows its direction in the frame.
STEP = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Rise:
    """
    Displacement of each edge in the frame.

    Attributes
    ----------
    shift_px : ndarray of shape (m, 2)
        At the heights held.
    own_px : ndarray of shape (m, 2)
        Its change with a millimetre of the part's height.
    focal_px : ndarray of shape (m, 2)
        Its change with the logarithm of the focal length.
    top_px : ndarray of shape (m, 2)
        Displacement of the part's top, which a side seen at its foot does not share.
    outward_px : ndarray of shape (m, 2)
        From the body's middle to the edge's, in the frame; zero for the outline.
    facing : ndarray of bool, shape (m,)
        Sides that face the camera: both their foot and their top may be seen.
    """

    shift_px: FloatArray
    own_px: FloatArray
    focal_px: FloatArray
    top_px: FloatArray
    outward_px: FloatArray
    facing: NDArray[np.bool_]


def pose_with_focal(
    px_from_mm: FloatArray, *, shape: tuple[int, int], corners_mm: FloatArray, fov_deg: float | None, factor: float
) -> Pose:
    """The camera's pose where its focal length is so many times what is stated, told by the view, or assumed."""
    pose = pose_from_homography(px_from_mm, shape=shape, corners_mm=corners_mm, fov_deg=fov_deg)
    if factor == 1.0:
        return pose
    fov = 2 * np.degrees(np.arctan(shape[1] / 2 / (pose.focal_px * factor)))
    other = pose_from_homography(px_from_mm, shape=shape, corners_mm=corners_mm, fov_deg=float(fov))
    return Pose(other.rotation, other.position_mm, other.focal_px, other.centre_px, pose.focal_source)


def edge_rise(
    px_from_mm: FloatArray,
    edges: LayoutEdges,
    heights_mm: FloatArray,
    at_top: NDArray[np.bool_] | None,
    *,
    corners_mm: FloatArray,
    shape: tuple[int, int],
    fov_deg: float | None,
    factor: float = 1.0,
) -> Rise:
    """
    How the heights of parts displace their outlines in the frame.

    Parameters
    ----------
    px_from_mm : ndarray of shape (3, 3)
        Of the board's plane.
    edges : LayoutEdges
    heights_mm : ndarray of shape (parts,)
    at_top : ndarray of bool, shape (m,), optional
        Which of the sides that face the camera are seen at their top edge; None: all at their foot.
    factor : float
        On the focal length that is stated, told from the view or assumed.

    Notes
    -----
    A body is seen as the silhouette of its foot, its top and the walls between. A side that faces away from the camera
    is seen at its top edge, displaced by parallax; a side that faces the camera at its foot where the wall is as warm
    as the top, and at its top edge where the wall is as cool as the board.

    The top of a vertical line is seen on the line from its foot to the vanishing point of the verticals (plane and
    parallax: [1]).

    References
    ----------
    .. [1] R. Hartley, A. Zisserman, Multiple View Geometry in Computer Vision, 2nd ed. 2004, sections 8.6 and 13.3.
    """
    body = edges.part >= 0
    height = np.where(body, heights_mm[edges.part] if len(heights_mm) else 0.0, 0.0)

    def per_mm(how: float) -> FloatArray:
        pose = pose_with_focal(px_from_mm, shape=shape, corners_mm=corners_mm, fov_deg=fov_deg, factor=how)
        top: FloatArray = _tops_per_mm(as_views(pose), edges, height)[0]
        return top

    top_mm = per_mm(factor)
    outward = np.einsum("nij,nj->ni", local_scale(px_from_mm, _middles(edges)), edges.outward_mm)
    facing = faces_camera(px_from_mm[None], edges, top_mm[None])[0]
    share = np.where(facing & ~(at_top if at_top is not None else np.zeros(len(facing), bool)), 0.0, 1.0)[:, None]
    slope = (per_mm(factor * np.exp(FOCAL_STEP)) - top_mm) / FOCAL_STEP
    return Rise(
        top_mm * share * height[:, None],
        top_mm * share,
        slope * share * height[:, None],
        top_mm * height[:, None],
        outward,
        facing,
    )


def own_rise(views: Poses, px_from_mm: FloatArray, edges: LayoutEdges, heights_mm: FloatArray) -> FloatArray:
    """
    How far a millimetre of its body's height displaces each edge in many views; shape (k, m, 2).

    As `edge_rise`, sides that face the camera seen at their foot.
    """
    height = np.where(edges.part >= 0, heights_mm[edges.part] if len(heights_mm) else 0.0, 0.0)
    top_mm = _tops_per_mm(views, edges, height)
    result: FloatArray = np.where(faces_camera(px_from_mm, edges, top_mm)[..., None], 0.0, top_mm)
    return result


def _tops_per_mm(views: Poses, edges: LayoutEdges, height_mm: FloatArray) -> FloatArray:
    """How far a millimetre displaces the top over each edge, at a height; zero for the outline; shape (k, m, 2)."""
    over = np.maximum(height_mm, SLOPE_OVER_MM)
    foot = _middles(edges) @ views.rotation[:, :, :2].swapaxes(1, 2) + views.position_mm[:, None]
    top = foot - over[:, None] * views.rotation[:, None, :, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        moved = views.focal_px[:, None, None] * (top[..., :2] / top[..., 2:] - foot[..., :2] / foot[..., 2:])
    there = (edges.part >= 0) & np.isfinite(moved).all(axis=2)
    result: FloatArray = np.where(there[..., None], moved / over[:, None], 0.0)
    return result


def faces_camera(px_from_mm: FloatArray, edges: LayoutEdges, top_mm: FloatArray) -> NDArray[np.bool_]:
    """Whether each body's side faces the camera, in many views: its top moves inwards; shape (k, m)."""
    middle = _middles(edges)
    # Small steps along and out of each edge: what the homography makes of directions there.
    feet = mapped(px_from_mm, middle)
    out = mapped(px_from_mm, middle + STEP * edges.outward_mm) - feet
    along = mapped(px_from_mm, middle + STEP * (edges.ends_mm - edges.starts_mm)) - feet
    normal = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    normal *= np.sign((normal * out).sum(axis=-1, keepdims=True))
    result: NDArray[np.bool_] = (edges.part >= 0) & ((top_mm * normal).sum(axis=-1) <= 0)
    return result


def _middles(edges: LayoutEdges) -> FloatArray:
    result: FloatArray = (edges.starts_mm + edges.ends_mm) / 2
    return result
