"""The edges that the layout predicts, and where the frame shows them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.registration.geometry.bend import unit_bend
from thermscan.registration.geometry.homography import local_scale
from thermscan.registration.placing.profiles import profiles_across

FloatArray = NDArray[np.float64]

# One site every so many pixels along an edge: the blur makes nearer ones repeat each other.
SITE_SPACING_PX = 2.0
# While searching far, every second one does.
FAR_PX, FAR_SPACING_PX = 2.2, 4.0
# and of those no more than about so many are looked at: eight numbers need no more.
FAR_SITES = 700
MAX_SITES_PER_EDGE = 48
# A shorter edge is a dot: it would be found at any edge.
SHORTEST_PX = 1.5
# A body that is narrower than this across an edge is a line rather than two edges: each would be found displaced.
NARROW_PX = 2.0
# Sites keep this far from the ends of their edge, where the blurred corner bends the profile.
END_PX = 1.2
# An edge of the outline is cut into pieces of about this share of the board, so that a long side
# whose contrast changes along its length counts as several pieces of evidence.
OUTLINE_PIECE = 0.2
PROFILE_STEP_PX = 0.5
# Beyond this share from either end a circle lies off its tangent by over 6 % of its radius.
ROUND_TRIM = 0.33
# Half width of the fitted window, in standard deviations of the blur and in pixels at least.
WINDOW_BLURS, WINDOW_PX = 2.6, 1.8
# A step below this many standard deviations of noise is not taken for an edge.
SIGNIFICANT = 4.5


@dataclass(frozen=True, slots=True, eq=False)
class LayoutEdges:
    """
    Straight pieces of the outline and sides of the bodies.

    Attributes
    ----------
    starts_mm, ends_mm : ndarray of shape (m, 2)
    part : ndarray of int, shape (m,)
        Index of the part; -1 for the outline.
    outward_mm : ndarray of shape (m, 2)
        From the body's centre to the edge's middle; zero for the outline.
    side : ndarray of int, shape (m,)
        Which straight side of the outline a piece belongs to; -1 for bodies.
    """

    starts_mm: FloatArray
    ends_mm: FloatArray
    part: NDArray[np.intp]
    outward_mm: FloatArray
    side: NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class EdgeSites:
    """
    Places where an edge was looked for.

    Attributes
    ----------
    points_mm : ndarray of shape (n, 2)
    normals_px : ndarray of shape (n, 2)
        Unit vectors in the frame.
    offset_px : ndarray of shape (n,)
        Seen minus predicted, along the normal; NaN where no step was found.
    u_px : ndarray of shape (n,)
        What the frame's noise makes of that offset.
    edge : ndarray of int, shape (n,)
        Index into `LayoutEdges`.
    """

    points_mm: FloatArray
    normals_px: FloatArray
    offset_px: FloatArray
    u_px: FloatArray
    edge: NDArray[np.intp]


def layout_edges(board: Board) -> LayoutEdges:
    """
    All edges that the layout predicts.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> outline = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 5.0], [0.0, 5.0]])
    >>> board = Board("b", None, outline, 1.6, Surface("solder-mask", 0.9, 0.02), ())
    >>> int((layout_edges(board).part == -1).sum())
    16
    """
    starts, ends, owner, sides = [], [], [], []
    outward = []
    piece = OUTLINE_PIECE * max(board.width_mm, board.height_mm)
    for side, (start, end) in enumerate(zip(board.outline_mm, np.roll(board.outline_mm, -1, axis=0), strict=True)):
        count = max(1, int(np.ceil(np.linalg.norm(end - start) / piece)) if piece else 1)
        knots = start + np.linspace(0, 1, count + 1)[:, None] * (end - start)
        starts.append(knots[:-1])
        ends.append(knots[1:])
        owner += [-1] * count
        sides += [side] * count
        outward.append(np.zeros((count, 2)))
    for index, part in enumerate(board.parts):
        corners = part.corners_mm()
        after = np.roll(corners, -1, axis=0)
        # A round body touches the sides of its square in their middles only.
        trim = ROUND_TRIM if part.round_body else 0.0
        starts.append(corners + trim * (after - corners))
        ends.append(after - trim * (after - corners))
        owner += [index] * 4
        sides += [-1] * 4
        outward.append((corners + np.roll(corners, -1, axis=0)) / 2 - corners.mean(axis=0))
    return LayoutEdges(
        np.vstack(starts),
        np.vstack(ends),
        np.array(owner, dtype=np.intp),
        np.vstack(outward),
        np.array(sides, dtype=np.intp),
    )


def find_edges(
    apparent: NDArray[np.float32],
    px_from_mm: FloatArray,
    edges: LayoutEdges,
    *,
    range_px: float,
    noise_k: float,
    blur_px: float,
    shift_px: FloatArray | None = None,
    bend_px: float = 0.0,
    only: NDArray[np.bool_] | None = None,
) -> EdgeSites:
    """
    Look for each predicted edge along its normal.

    Parameters
    ----------
    apparent : ndarray of float32, shape (rows, cols)
        NaN where a pixel does not count; a profile that meets one, or leaves the frame, is not used.
    range_px : float
        How far to either side to look.
    noise_k, blur_px : float
        Of a pixel, and of the optics.
    shift_px : ndarray of shape (m, 2), optional
        Displacement of each edge in the frame (parallax of a tall part's top).
    bend_px : float
        How far the lens bends the view outwards at the frame's corners.
    only : ndarray of bool, shape (m,), optional
        Which edges to look for.

    Returns
    -------
    EdgeSites

    Notes
    -----
    At each place along the normal a blurred step on a straight ramp is fitted by least squares; the
    place where its height is largest, with a mild preference for the prediction, is the edge. A smooth
    halo has no step and gives no edge. The sign of the step is free.

    References
    ----------
    .. [1] C. Harris, C. Stennett, RAPID - a video rate object tracker, British Machine Vision
       Conference 1990, 73-77: a model's edges looked for along their normals.
    """
    points, tangents, owner = _places(px_from_mm, edges, only, FAR_SPACING_PX if range_px > FAR_PX else SITE_SPACING_PX)
    if range_px > FAR_PX and len(points) > 2 * FAR_SITES:
        every = len(points) // FAR_SITES
        points, tangents, owner = points[::every], tangents[::every], owner[::every]
    if not len(points):
        nothing = np.zeros((0, 2))
        return EdgeSites(nothing, nothing, np.zeros(0), np.zeros(0), owner)
    normals = np.column_stack([-tangents[:, 1], tangents[:, 0]])
    kernel, per_k = step_kernel(blur_px)
    half = (len(kernel) - 1) // 2 * PROFILE_STEP_PX
    reach = range_px + PROFILE_STEP_PX
    along = np.arange(-reach - half, reach + half + 1e-9, PROFILE_STEP_PX)
    at = map_points(px_from_mm, points)
    if shift_px is not None:
        at = at + shift_px[owner]
    if bend_px:
        at = at + bend_px * unit_bend(at, (apparent.shape[0], apparent.shape[1]))
    profiles = profiles_across(apparent, at, normals, tangents, along)
    steps = np.lib.stride_tricks.sliding_window_view(profiles, len(kernel), axis=1) @ kernel
    offsets = (np.arange(steps.shape[1]) - (steps.shape[1] - 1) / 2) * PROFILE_STEP_PX
    # Three profiles side by side, each interpolated: about two independent samples of noise.
    u_step = np.full(len(owner), noise_k * per_k / np.sqrt(2.0))
    offset, u_offset = _seen(steps, offsets, range_px, u_step, blur_px)
    sites = EdgeSites(points, normals, offset, u_offset, owner)
    return faint_edges(sites, steps, offsets, range_px=range_px, u_step=u_step, blur_px=blur_px)


def faint_edges(
    sites: EdgeSites, steps: FloatArray, offsets: FloatArray, *, range_px: float, u_step: FloatArray, blur_px: float
) -> EdgeSites:
    """
    The same, but where no place of an edge shows it by itself, one site for all of it together.

    Parameters
    ----------
    sites : EdgeSites
    steps : ndarray of shape (n, k)
        Height of the step at each offset from each site.
    offsets : ndarray of shape (k,)
    u_step : ndarray of shape (n,)
    """
    faint = np.bincount(sites.edge, np.isfinite(sites.offset_px), minlength=int(sites.edge.max()) + 1)[sites.edge] == 0
    if not faint.any():
        return sites
    edge, member = np.unique(sites.edge[faint], return_inverse=True)
    count = np.bincount(member).astype(np.float64)

    def mean(values: FloatArray) -> FloatArray:
        return np.stack([np.bincount(member, column) / count for column in values[faint].T], axis=1)

    offset, u_offset = _seen(mean(steps), offsets, range_px, u_step[0] / np.sqrt(count), blur_px)
    normal = mean(sites.normals_px)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    return EdgeSites(
        np.concatenate([sites.points_mm[~faint], mean(sites.points_mm)]),
        np.concatenate([sites.normals_px[~faint], normal]),
        np.concatenate([sites.offset_px[~faint], offset]),
        np.concatenate([sites.u_px[~faint], u_offset]),
        np.concatenate([sites.edge[~faint], edge]),
    )


def _seen(
    steps: FloatArray, offsets: FloatArray, range_px: float, u_step: FloatArray, blur_px: float
) -> tuple[FloatArray, FloatArray]:
    """Where the step stands out most, NaN where that may be noise; and what noise makes of it."""
    offset, height, bend = _peaks(steps, offsets, range_px)
    with np.errstate(divide="ignore", invalid="ignore"):
        u_offset = u_step * np.sqrt(2.0) / np.maximum(np.abs(bend) * blur_px, 1e-12)
    return np.where(np.abs(height) > SIGNIFICANT * u_step, offset, np.nan), u_offset


def step_kernel(blur_px: float) -> tuple[FloatArray, float]:
    """
    The filter that gives the height of a blurred step standing on a ramp, and its noise gain.

    Examples
    --------
    >>> kernel, _ = step_kernel(0.7)
    >>> along = (np.arange(len(kernel)) - len(kernel) // 2) * PROFILE_STEP_PX
    >>> round(float(kernel @ (3 * ndtr(along / 0.7) + 0.2 * along + 5)), 6)
    3.0
    """
    half = int(np.ceil(max(WINDOW_PX, WINDOW_BLURS * blur_px) / PROFILE_STEP_PX))
    along = np.arange(-half, half + 1) * PROFILE_STEP_PX
    basis = np.column_stack([ndtr(along / blur_px), np.ones_like(along), along])
    kernel: FloatArray = np.linalg.pinv(basis)[0]
    # Samples half a pixel apart share noise: counts as if every second one were independent.
    return kernel, float(np.sqrt((kernel**2).sum() * 2))


def _places(
    px_from_mm: FloatArray, edges: LayoutEdges, only: NDArray[np.bool_] | None, spacing_px: float
) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Sites in millimetres, the edges' unit direction there in the frame, and their edge."""
    start_px, end_px = map_points(px_from_mm, edges.starts_mm), map_points(px_from_mm, edges.ends_mm)
    length = np.linalg.norm(end_px - start_px, axis=1)
    usable = np.isfinite(length) & (length > SHORTEST_PX)
    if only is not None:
        usable &= only
    usable &= _resolved(px_from_mm, edges, end_px - start_px)
    inner = np.where(usable, np.maximum(length - 2 * END_PX, 0.0), 0.0)
    counts = np.where(usable, np.clip(np.round(inner / spacing_px), 1, MAX_SITES_PER_EDGE), 0).astype(int)
    owner = np.repeat(np.arange(len(counts)), counts)
    order = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = (order + 0.5) / counts[owner]
    trim = (length - inner)[owner] / 2 / np.where(usable, length, 1.0)[owner]
    share = trim + share * (1 - 2 * trim)
    way = edges.ends_mm - edges.starts_mm
    points = edges.starts_mm[owner] + share[:, None] * way[owner]
    tangents = np.einsum("nij,nj->ni", local_scale(px_from_mm, points), way[owner])
    tangents /= np.linalg.norm(tangents, axis=1, keepdims=True)
    return points, tangents, owner


def _resolved(px_from_mm: FloatArray, edges: LayoutEdges, way_px: FloatArray) -> NDArray[np.bool_]:
    """Whether the body is wide enough across an edge for that to be a step of its own; always for the outline."""
    middle = (edges.starts_mm + edges.ends_mm) / 2
    outward = np.einsum("nij,nj->ni", local_scale(px_from_mm, middle), edges.outward_mm)
    across = outward[:, 0] * way_px[:, 1] - outward[:, 1] * way_px[:, 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        width = 2 * np.abs(across) / np.linalg.norm(way_px, axis=1)
    result: NDArray[np.bool_] = (edges.part < 0) | (width >= NARROW_PX)
    return result


def _peaks(steps: FloatArray, offsets: FloatArray, range_px: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Place, height and curvature of the step that stands out most near the prediction."""
    size = np.abs(steps)
    preferred = size * np.exp(-0.5 * (offsets / max(range_px, PROFILE_STEP_PX)) ** 2)
    inner = preferred[:, 1:-1]
    peak = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] >= size[:, 2:])
    inner = np.where(peak, np.nan_to_num(inner, nan=-1.0), -1.0)
    best = inner.argmax(axis=1)
    rows = np.arange(len(steps))
    found = inner[rows, best] > 0
    before, here, after = (size[rows, best + k] for k in range(3))
    bend = (before - 2 * here + after) / PROFILE_STEP_PX**2
    with np.errstate(divide="ignore", invalid="ignore"):
        fine = np.where(bend < 0, (before - after) / 2 / PROFILE_STEP_PX / bend, 0.0)
    offset = offsets[best + 1] + np.clip(fine, -PROFILE_STEP_PX, PROFILE_STEP_PX)
    return np.where(found, offset, np.nan), np.where(found, here, 0.0), np.where(found, bend, 0.0)
