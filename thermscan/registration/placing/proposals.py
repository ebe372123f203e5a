"""Places that four lines of the frame suggest, of which a camera could see the board so and its outline is there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.registration.geometry.homography import homographies, mapped
from thermscan.registration.geometry.pose import FOV_RANGE_DEG, focal_from_fov
from thermscan.registration.placing.edge_odds import layer_of
from thermscan.registration.placing.edges import LayoutEdges
from thermscan.registration.placing.outline_candidates import FrameEdges, on_edges

FloatArray = NDArray[np.float64]

# A camera sees a board's x and y at right angles and of one length: to within so much, which lines off by a few pixels,
# and a lens that bends, leave open.
SQUARE = 0.3
# The focal length is tried at so many values where it is not stated, and within so much of what is.
FOCALS, U_STATED = 9, 0.08
# Places along the outline that are looked up.
OUTLINE_POINTS = 100
# So many of them are handed on (15 to 100 of them lead to the right place in 110 to 113 of 120 views looked
# at; of 60 hard ones 45 are tried right with 15, 44 with 30).
MOST = 15
# Handed on are no two whose corners lie nearer than this.
APART_PX = 8.0


def proposals(
    frame: FrameEdges,
    edges: LayoutEdges,
    corners_mm: FloatArray,
    *,
    fov_deg: float | None,
) -> FloatArray:
    """
    Corners of the board's box in the frame, by how much of the outline lies on edges there; shape (k, 4, 2).

    Parameters
    ----------
    frame : FrameEdges
    edges : LayoutEdges
    corners_mm : ndarray of shape (4, 2)
    fov_deg : float or None
        Horizontal field of view where the camera states it.
    """
    quads = frame.quads
    if not len(quads):
        return np.zeros((0, 4, 2))
    turned = np.concatenate([np.roll(quads, turn, axis=1) for turn in range(4)])
    matrices = homographies(corners_mm, turned)
    seen = could_be_seen(matrices, corners_mm, frame.thin.shape, fov_deg=fov_deg)
    turned, matrices = turned[seen], matrices[seen]
    if not len(turned):
        return turned
    outline = _outline_seen(frame, edges, matrices)
    kept: list[int] = []
    for k in np.argsort(-outline)[: 4 * MOST]:
        if not kept or np.abs(turned[kept] - turned[k]).max(axis=(1, 2)).min() > APART_PX:
            kept.append(int(k))
        if len(kept) == MOST:
            break
    return turned[kept]


def _outline_seen(frame: FrameEdges, edges: LayoutEdges, matrices: FloatArray) -> FloatArray:
    """How much of the outline lies on edges of the frame, at each of many places; shape (k,)."""
    outline = edges.part < 0
    starts, ways = edges.starts_mm[outline], (edges.ends_mm - edges.starts_mm)[outline]
    length = np.linalg.norm(ways, axis=1)
    counts = np.maximum(np.round(OUTLINE_POINTS * length / length.sum()), 1).astype(int)
    owner = np.repeat(np.arange(len(counts)), counts)
    share = (np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts) + 0.5) / counts[owner]
    points = starts[owner] + share[:, None] * ways[owner]
    # A straight line is seen straight, so that its direction need be told but once.
    ahead = mapped(matrices, starts + ways) - mapped(matrices, starts)
    layer = layer_of(np.stack([-ahead[..., 1], ahead[..., 0]], axis=-1))
    hit = on_edges(frame.by_direction, mapped(matrices.astype(np.float32), points.astype(np.float32)), layer[:, owner])
    # Each side by itself, too: three good sides leave the fourth loose.
    side = edges.side[outline][owner]
    by_side = np.stack([hit[:, side == k].mean(axis=1) for k in np.unique(side)], axis=1)
    size = np.sqrt(np.abs(np.linalg.det(matrices)))
    result: FloatArray = hit.mean(axis=1) + 0.5 * by_side.min(axis=1) + 1e-9 * size
    return result


def could_be_seen(
    matrices: FloatArray, corners_mm: FloatArray, shape: tuple[int, ...], *, fov_deg: float | None
) -> NDArray[np.bool_]:
    """
    Whether a camera of a usual, or the stated, field of view could see a plane so; shape (k,).

    References
    ----------
    .. [1] Z. Zhang, A flexible new technique for camera calibration, IEEE Trans. Pattern Analysis and Machine
       Intelligence 22 (2000) 1330-1334: the two constraints of one homography.
    """
    rows, cols = shape
    if fov_deg is None:
        widest, narrowest = focal_from_fov(FOV_RANGE_DEG[1], cols), focal_from_fov(FOV_RANGE_DEG[0], cols)
        focals = np.geomspace(widest, narrowest, FOCALS)
    else:
        focals = focal_from_fov(fov_deg, cols) * np.exp(np.linspace(-U_STATED, U_STATED, 3))
    centre = np.array([[1, 0, -(cols - 1) / 2], [0, 1, -(rows - 1) / 2], [0, 0, 1]])
    centred = centre @ matrices
    # What x and y of the board are in space, at each focal length: of that only the depth depends on it.
    (across, down), (deep, deeper) = np.moveaxis(centred[:, :2, :2], 2, 0), centred[:, 2, :2].T
    deeper_px2, deep_px2, both_px2 = (each[:, None] * focals**2 for each in (deeper**2, deep**2, deep * deeper))
    size_a = np.sqrt((across**2).sum(axis=1)[:, None] + deep_px2)
    size_b = np.sqrt((down**2).sum(axis=1)[:, None] + deeper_px2)
    with np.errstate(divide="ignore", invalid="ignore"):
        skew = np.abs((across * down).sum(axis=1)[:, None] + both_px2) / (size_a * size_b)
        stretch = np.abs(np.log(size_a / size_b))
    ahead = corners_mm @ matrices[:, 2, :2].swapaxes(0, 1) + 1.0
    right_way = np.linalg.det(matrices) > 0
    fine = (np.hypot(skew, stretch) < SQUARE).any(axis=1) & (ahead > 0).all(axis=0) & right_way
    result: NDArray[np.bool_] = fine & np.isfinite(matrices).all(axis=(1, 2))
    return result
