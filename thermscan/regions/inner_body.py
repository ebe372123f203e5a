"""Which camera pixels lie on a part's inner body, and how much of its surroundings they still see."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from thermscan.frozen import dataclass
from thermscan.layout.board import Part
from thermscan.registration.registration import Registration

# A pixel integrates over its own area: the variance of a unit square along one axis.
PIXEL_VARIANCE_PX2 = 1.0 / 12.0
# Half a pixel keeps the pixel's own area on the body; the optics' blur and a placing error come on top.
LEAST_MARGIN_PX = 0.5
# "At least 3 x 3 pixels on the target" is common practice in thermography.
LEAST_SIDE_PX = 3.0
LEAST_PIXELS = 9
# The ring from which the surroundings are read: near enough to be what blends in, far enough to be seen.
RING_PX = (0.5, 2.5)


@dataclass(frozen=True, slots=True)
class Coverage:
    """Mean share of the body in what the inner and the ring's pixels see."""

    inner: float
    ring: float


@dataclass(frozen=True, slots=True, eq=False)
class InnerBody:
    """
    Pixels of one part.

    Attributes
    ----------
    rows, cols : ndarray of int, shape (n,)
        Pixels whose centre lies on the inner body and in the frame.
    ring_rows, ring_cols : ndarray of int, shape (m,)
        Pixels just outside the body.
    coverage : Coverage
        Mean share of the body in what those pixels see, at the frame's blur.
    wider_coverage : Coverage
        The same for a blur one standard uncertainty wider.
    inside_frame : bool
        Whether the frame shows the whole body.
    sides_px : tuple of float
        Inner body along its length and width, in pixels.
    margin_px : float
        How far it is drawn in, on the sides where that is least.
    """

    rows: NDArray[np.intp]
    cols: NDArray[np.intp]
    ring_rows: NDArray[np.intp]
    ring_cols: NDArray[np.intp]
    coverage: Coverage
    wider_coverage: Coverage
    inside_frame: bool
    sides_px: tuple[float, float]
    margin_px: float

    def without(self, hidden: NDArray[np.bool_]) -> InnerBody:
        """The same body without inner pixels that something else hides."""
        return replace(self, rows=self.rows[~hidden], cols=self.cols[~hidden]) if hidden.any() else self

    def always_seen(self, kept: NDArray[np.bool_], shift_px: tuple[float, float]) -> InnerBody:
        """What lies on the body wherever its top is seen, if that moves so far along its length and its width."""
        sides = (self.sides_px[0] - shift_px[0], self.sides_px[1] - shift_px[1])
        return replace(self, rows=self.rows[kept], cols=self.cols[kept], sides_px=sides)

    @property
    def large_enough(self) -> bool:
        """Whether at least 3 x 3 pixels see the inner body."""
        return len(self.rows) >= LEAST_PIXELS and min(self.sides_px) >= LEAST_SIDE_PX


def body_scales_px_per_mm(parts: Sequence[Part], jacobians: NDArray[np.float64]) -> NDArray[np.float64]:
    """Pixels a millimetre along each body's length and along its width; (n, 2, 2) at the parts to (n, 2)."""
    cos, sin = _turns(parts)
    xx, xy, yx, yy = jacobians.reshape(-1, 4).T
    along = np.hypot(xx * cos + xy * sin, yx * cos + yy * sin)
    return np.column_stack([along, np.hypot(xy * cos - xx * sin, yy * cos - yx * sin)])


def shifts_px(lowest: Sequence[Part], highest: Sequence[Part], jacobians: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far each top is seen to move between two heights, along the body's length and its width; shape (n, 2)."""
    cos, sin = _turns(lowest)
    way_mm = _middles_mm(highest) - _middles_mm(lowest)
    way_px = (jacobians @ way_mm[:, :, None])[:, :, 0]
    axes_px = jacobians @ np.stack([np.column_stack([cos, sin]), np.column_stack([-sin, cos])], axis=2)
    shifts: NDArray[np.float64] = np.abs(np.einsum("nij,ni->nj", axes_px, way_px)) / np.linalg.norm(axes_px, axis=1)
    return shifts


def _turns(parts: Sequence[Part]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    angle = np.radians([part.rotation_deg for part in parts])
    return np.cos(angle), np.sin(angle)


def _middles_mm(parts: Sequence[Part]) -> NDArray[np.float64]:
    return np.array([(part.x_mm, part.y_mm) for part in parts], dtype=np.float64).reshape(-1, 2)


@dataclass(frozen=True, slots=True, eq=False)
class DrawnIn:
    """
    Bodies as the frame shows them, and how far each is drawn in.

    Attributes
    ----------
    parts : tuple of Part
    scale_px_per_mm, body_px, margins_px : ndarray of shape (n, 2)
        Along each body's length and width.
    """

    parts: tuple[Part, ...]
    scale_px_per_mm: NDArray[np.float64]
    body_px: NDArray[np.float64]
    margins_px: NDArray[np.float64]

    def round_bodies(self) -> NDArray[np.bool_]:
        """Which of the bodies are round; shape (n,)."""
        return np.array([part.round_body for part in self.parts], dtype=bool)

    def depth_px(self, places_mm: NDArray[np.float64], of: NDArray[np.intp]) -> NDArray[np.float64]:
        """How far inside its body each place of the board lies, along length and width (alike if round); (k, 2)."""
        cos, sin = (turn[of] for turn in _turns(self.parts))
        x, y = (places_mm - _middles_mm(self.parts)[of]).T
        at_px = np.column_stack([x * cos + y * sin, y * cos - x * sin]) * self.scale_px_per_mm[of]
        half_px = self.body_px[of] / 2
        depth_px: NDArray[np.float64] = half_px - np.abs(at_px)
        round_body = self.round_bodies()[of]
        if round_body.any():
            depth_px[round_body] = _depth_in_round_px(at_px[round_body], half_px[round_body])
        return depth_px

    def holds(self, places_mm: NDArray[np.float64], of: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Which places of the board lie on the inner body of that number."""
        result: NDArray[np.bool_] = np.all(self.depth_px(places_mm, of) >= self.margins_px[of], axis=1)
        return result


def drawn_in(
    parts: Sequence[Part], *, jacobians: NDArray[np.float64], blur_px: float, placement_px: NDArray[np.float64]
) -> DrawnIn:
    """How far bodies are drawn in; parameters as for `find_inner_bodies`."""
    scale = body_scales_px_per_mm(parts, jacobians)
    body_px = np.array([(part.length_mm, part.width_mm) for part in parts]).reshape(-1, 2) * scale
    wanted = np.maximum(LEAST_MARGIN_PX + blur_px + placement_px, LEAST_MARGIN_PX)
    margins = np.clip((body_px - LEAST_SIDE_PX) / 2, LEAST_MARGIN_PX, wanted[:, None])
    drawn = DrawnIn(tuple(parts), scale, body_px, margins)
    margins[drawn.round_bodies()] = margins.max(axis=1, keepdims=True)[drawn.round_bodies()]
    return drawn


def find_inner_bodies(
    parts: Sequence[Part],
    registration: Registration,
    *,
    jacobians: NDArray[np.float64],
    shape: tuple[int, int],
    blur_px: float,
    u_blur_px: float,
    placement_px: NDArray[np.float64],
) -> list[InnerBody]:
    """
    The pixels that see only one part each, as nearly as its size allows; all parts in one pass.

    A body is drawn in on each side by half a pixel, the blur and the placing uncertainty, but by
    less (never less than half a pixel) where that is needed to keep 3 x 3 pixels.

    Parameters
    ----------
    parts : sequence of Part
    registration : Registration
    jacobians : ndarray of shape (n, 2, 2)
        Pixels a millimetre at each part, see `thermscan.registration.geometry.homography.local_scale`.
    shape : tuple of int
        The frame's rows and columns.
    blur_px, u_blur_px : float
        Standard deviation of the optics' blur and its standard uncertainty, in pixels.
    placement_px : ndarray of shape (n,)
        Standard uncertainty of each part's place, in pixels.
    """
    if not parts:
        return []
    drawn = drawn_in(parts, jacobians=jacobians, blur_px=blur_px, placement_px=placement_px)
    corners_px = registration.px(np.concatenate([part.corners_mm() for part in parts])).reshape(-1, 4, 2)
    points, of = _pixels_around(corners_px, shape=shape)
    depth_px = drawn.depth_px(registration.mm(points.astype(np.float64)), of)
    inner = np.all(depth_px >= drawn.margins_px[of], axis=1)
    outside = -depth_px.min(axis=1)
    kept = inner | ((outside >= RING_PX[0]) & (outside <= RING_PX[1]))
    points, of, depth_px, inner = points[kept], of[kept], depth_px[kept], inner[kept]

    def coverage_at(sigma_px: float) -> list[Coverage]:
        full_sigma_px = np.sqrt(sigma_px**2 + PIXEL_VARIANCE_PX2)
        sides = ndtr(depth_px / full_sigma_px) - ndtr((depth_px - drawn.body_px[of]) / full_sigma_px)
        share = np.where(drawn.round_bodies()[of], sides[:, 0], sides.prod(axis=1))
        number = 2 * of + ~inner
        sums, counts = (np.bincount(number, weights=w, minlength=2 * len(parts)) for w in (share, None))
        return [Coverage(*each) for each in (sums / np.maximum(counts, 1)).reshape(-1, 2).tolist()]

    own, beside = (
        np.split(points[which], np.cumsum(np.bincount(of[which], minlength=len(parts)))[:-1])
        for which in (inner, ~inner)
    )
    inside = np.all((corners_px > -0.5) & (corners_px < np.array(shape[::-1]) - 0.5), axis=(1, 2))
    return [
        InnerBody(
            rows=own[k][:, 1],
            cols=own[k][:, 0],
            ring_rows=beside[k][:, 1],
            ring_cols=beside[k][:, 0],
            coverage=coverage,
            wider_coverage=wider,
            inside_frame=bool(inside[k]),
            sides_px=(float(sides[0]), float(sides[1])),
            margin_px=float(drawn.margins_px[k].min()),
        )
        for k, (coverage, wider, sides) in enumerate(
            zip(
                coverage_at(blur_px),
                coverage_at(blur_px + u_blur_px),
                drawn.body_px - 2 * drawn.margins_px,
                strict=True,
            )
        )
    ]


def _depth_in_round_px(places_px: NDArray[np.float64], semi_axes_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far inside round bodies (ellipses in the frame) places lie, along the ray to the middle; shape (n, 1)."""
    share = np.maximum(np.linalg.norm(places_px / semi_axes_px, axis=1), 1e-9)
    distance_px, least_px = np.linalg.norm(places_px, axis=1), semi_axes_px.min(axis=1)
    depth_px = np.where(distance_px < 1e-6, least_px, np.minimum(distance_px * (1 / share - 1), least_px))
    result: NDArray[np.float64] = depth_px[:, None]
    return result


def _pixels_around(
    corners_px: NDArray[np.float64], *, shape: tuple[int, int]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pixels (x, y) in the frame's part of the box around each body and its ring, and the body's number."""
    first = np.clip(np.floor(corners_px.min(axis=1) - RING_PX[1] - 1).astype(np.intp), 0, None)
    last = np.minimum(np.ceil(corners_px.max(axis=1) + RING_PX[1] + 1).astype(np.intp) + 1, shape[::-1])
    sides = np.maximum(last - first, 0)
    counts = sides.prod(axis=1)
    of = np.repeat(np.arange(len(counts)), counts)
    within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    down, across = np.divmod(within, np.maximum(sides[of, 0], 1))
    return first[of] + np.column_stack([across, down]), of
