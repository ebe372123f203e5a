"""Which camera pixels lie on a part's inner body, and how much of its surroundings they still see."""

from __future__ import annotations

import math
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
        return replace(self, rows=self.rows[~hidden], cols=self.cols[~hidden])

    def always_seen(self, kept: NDArray[np.bool_], shift_px: tuple[float, float]) -> InnerBody:
        """What lies on the body wherever its top is seen, if that moves so far along its length and its width."""
        sides = (self.sides_px[0] - shift_px[0], self.sides_px[1] - shift_px[1])
        return replace(self, rows=self.rows[kept], cols=self.cols[kept], sides_px=sides)

    @property
    def large_enough(self) -> bool:
        """Whether at least 3 x 3 pixels see the inner body."""
        return len(self.rows) >= LEAST_PIXELS and min(self.sides_px) >= LEAST_SIDE_PX


def body_scale_px_per_mm(part: Part, jacobian: NDArray[np.float64]) -> tuple[float, float]:
    """Pixels a millimetre along the body's length and along its width."""
    angle = math.radians(part.rotation_deg)
    cos, sin = math.cos(angle), math.sin(angle)
    (xx, xy), (yx, yy) = jacobian.tolist()
    return math.hypot(xx * cos + xy * sin, yx * cos + yy * sin), math.hypot(xy * cos - xx * sin, yy * cos - yx * sin)


@dataclass(frozen=True, slots=True, eq=False)
class DrawnIn:
    """
    A body as the frame shows it, and how far it is drawn in.

    Attributes
    ----------
    part : Part
    scale_px_per_mm, body_px, margins_px : ndarray of shape (2,)
        Along the body's length and width.
    """

    part: Part
    scale_px_per_mm: NDArray[np.float64]
    body_px: NDArray[np.float64]
    margins_px: NDArray[np.float64]

    def depth_px(self, places_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far inside the body places of the board lie, along length and width; shape (n, 2), or (n, 1) if round."""
        body_mm = self.part.body_from_board(places_mm)
        if self.part.round_body:
            return _depth_in_round_px(body_mm * self.scale_px_per_mm, self.body_px / 2)
        return self.body_px / 2 - np.abs(body_mm) * self.scale_px_per_mm

    def holds(self, places_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which places of the board lie on the inner body."""
        depth_px = self.depth_px(places_mm)
        result: NDArray[np.bool_] = np.all(depth_px >= self.margins_px[: depth_px.shape[1]], axis=1)
        return result


def drawn_in(part: Part, *, jacobian: NDArray[np.float64], blur_px: float, placement_px: float) -> DrawnIn:
    """How far a body is drawn in; parameters as for `find_inner_body`."""
    scale = np.array(body_scale_px_per_mm(part, jacobian))
    body_px = np.array([part.length_mm, part.width_mm]) * scale
    wanted = LEAST_MARGIN_PX + blur_px + placement_px
    margins = np.clip((body_px - LEAST_SIDE_PX) / 2, LEAST_MARGIN_PX, max(wanted, LEAST_MARGIN_PX))
    return DrawnIn(part, scale, body_px, np.full(2, margins.max()) if part.round_body else margins)


def find_inner_body(
    part: Part,
    registration: Registration,
    *,
    jacobian: NDArray[np.float64],
    shape: tuple[int, int],
    blur_px: float,
    u_blur_px: float,
    placement_px: float,
) -> InnerBody:
    """
    The pixels that see only this part, as nearly as its size allows.

    The body is drawn in on each side by half a pixel, the blur and the placing uncertainty, but by
    less (never less than half a pixel) where that is needed to keep 3 x 3 pixels.

    Parameters
    ----------
    part : Part
    registration : Registration
    jacobian : ndarray of shape (2, 2)
        Pixels a millimetre at the part, see `thermscan.registration.geometry.homography.local_scale`.
    shape : tuple of int
        The frame's rows and columns.
    blur_px, u_blur_px : float
        Standard deviation of the optics' blur and its standard uncertainty, in pixels.
    placement_px : float
        Standard uncertainty of the part's place, in pixels.
    """
    drawn = drawn_in(part, jacobian=jacobian, blur_px=blur_px, placement_px=placement_px)
    body_px, margins = drawn.body_px, drawn.margins_px
    corners_px = registration.px(part.corners_mm())
    points_px, rows, cols = _pixels_around(corners_px, shape=shape)
    depth_px = drawn.depth_px(registration.mm(points_px))
    inner = np.all(depth_px >= margins[: depth_px.shape[1]], axis=1)
    outside = -depth_px.min(axis=1)
    ring = (outside >= RING_PX[0]) & (outside <= RING_PX[1])

    looked_at, on_body = depth_px[inner | ring], inner[inner | ring]

    def coverage_at(sigma_px: float) -> Coverage:
        full_sigma_px = np.sqrt(sigma_px**2 + PIXEL_VARIANCE_PX2)
        through_px = body_px[: depth_px.shape[1]]
        share = np.prod(ndtr(looked_at / full_sigma_px) - ndtr((looked_at - through_px) / full_sigma_px), axis=1)
        return Coverage(*(float(share[which].mean()) if which.any() else 0.0 for which in (on_body, ~on_body)))

    return InnerBody(
        rows=rows[inner],
        cols=cols[inner],
        ring_rows=rows[ring],
        ring_cols=cols[ring],
        coverage=coverage_at(blur_px),
        wider_coverage=coverage_at(blur_px + u_blur_px),
        inside_frame=bool(np.all((corners_px > -0.5) & (corners_px < np.array(shape[::-1]) - 0.5))),
        sides_px=(float(body_px[0] - 2 * margins[0]), float(body_px[1] - 2 * margins[1])),
        margin_px=float(margins.min()),
    )


def _depth_in_round_px(places_px: NDArray[np.float64], semi_axes_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far inside a round body (an ellipse in the frame) places lie, along the ray to its middle; shape (n, 1)."""
    share = np.maximum(np.linalg.norm(places_px / semi_axes_px, axis=1), 1e-9)
    distance_px = np.linalg.norm(places_px, axis=1)
    depth_px = np.minimum(distance_px * (1 / share - 1), semi_axes_px.min())
    depth_px[distance_px < 1e-6] = semi_axes_px.min()
    result: NDArray[np.float64] = depth_px[:, None]
    return result


def _pixels_around(
    corners_px: NDArray[np.float64], *, shape: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp]]:
    """Pixels in the frame's part of the box around the body and its ring."""
    low = np.floor(corners_px.min(axis=0) - RING_PX[1] - 1).astype(int)
    high = np.ceil(corners_px.max(axis=0) + RING_PX[1] + 1).astype(int)
    x = np.arange(max(low[0], 0), min(high[0] + 1, shape[1]))
    y = np.arange(max(low[1], 0), min(high[1] + 1, shape[0]))
    cols, rows = (grid.ravel() for grid in np.meshgrid(x, y))
    return np.column_stack([cols, rows]).astype(np.float64), rows.astype(np.intp), cols.astype(np.intp)
