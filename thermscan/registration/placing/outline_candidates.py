"""Quadrilaterals in the frame that could be the board's bounding box."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.layout.outline import polygon_areas
from thermscan.registration.evidence import Evidence, filled
from thermscan.registration.placing.edge_odds import DIRECTIONS, layer_of
from thermscan.robust import robust_sd

FloatArray = NDArray[np.float64]

# Outlines are sought in a frame reduced to about this size: smaller is blind, larger is slow.
SEARCH_PX = 320
# A board smaller than this share of the frame shows its parts with too few pixels to tell it by.
LEAST_AREA = 0.04
# The corners of a rectangle seen at up to 60 degrees with usual lenses stay between these.
ANGLES_DEG = (32.0, 148.0)
# Before edges are sought the frame is blurred by so much.
BLUR_PX = 1.4
# So many lines; so many times as many peaks of the votes are looked at.
MOST_LINES, TRIED = 22, 3
MAX_QUADS = 40
# A gradient below this many standard deviations of its noise is no edge.
EDGE_SIGNIFICANT = 4.0
# Of the edge pixels near a line, those whose gradient points across it within this count.
ALONG_DEG = 14.0
# A faint edge's gradient points across it to within about half of this.
SPREAD_DEG = 12
# A line needs so many edge pixels, as a share of the frame's shorter side.
LEAST_LINE = 0.1


@dataclass(frozen=True, eq=False)
class FrameEdges:
    """
    The frame's edges, and what follows from them: each when it is first asked for, whatever layouts ask.

    Attributes
    ----------
    evidence : Evidence
        Best at about 320 pixels.
    """

    evidence: Evidence

    @cached_property
    def picture(self) -> NDArray[np.float32]:
        """With no pixel missing."""
        return filled(self.evidence.apparent)

    @cached_property
    def gradient(self) -> tuple[FloatArray, FloatArray]:
        """Along x and y, after a blur."""
        smooth = cv2.GaussianBlur(self.picture, (0, 0), BLUR_PX)
        gx, gy = (cv2.Sobel(smooth, cv2.CV_32F, k, 1 - k, scale=0.125).astype(np.float64) for k in (1, 0))
        return gx, gy

    @cached_property
    def thin(self) -> NDArray[np.bool_]:
        """Pixels where an edge is."""
        # Noise of the gradient after a Gaussian blur of s: sigma / (sqrt(8 pi) s^2).
        noise = self.evidence.noise_k / (np.sqrt(8 * np.pi) * BLUR_PX**2)
        return _thin_edges(*self.gradient, noise * EDGE_SIGNIFICANT)

    @cached_property
    def lines(self) -> FloatArray:
        """Straight lines with many edge pixels on them, each as (nx, ny, d): nx x + ny y = d; shape (n, 3)."""
        return _lines(self.thin, *self.gradient)

    @cached_property
    def quads(self) -> FloatArray:
        """All quadrilaterals of four of the lines, and some around warm or cold regions; shape (k, 4, 2)."""
        regions = _from_regions(self.picture, self.evidence.noise_k)
        return np.concatenate([_from_lines(self.lines, self.thin.shape), regions])

    @cached_property
    def by_direction(self) -> NDArray[np.uint8]:
        """Where the frame has an edge of each direction, two pixels thicker; shape (`DIRECTIONS`, rows, cols)."""
        gx, gy = self.gradient
        rows, cols = np.nonzero(self.thin)
        layer = layer_of(np.column_stack([gx[rows, cols], gy[rows, cols]]))
        maps = np.zeros((DIRECTIONS, *self.thin.shape), np.uint8)
        for side in (-1, 0, 1):
            maps[(layer + side) % DIRECTIONS, rows, cols] = 1
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
        return np.stack([cv2.dilate(layer, disc) for layer in maps])


def outline_candidates(edges: FrameEdges) -> FloatArray:
    """
    Candidate corners, best supported first.

    Returns
    -------
    ndarray of shape (k, 4, 2)
        Clockwise as seen; which corner is the board's first is left open.
    """
    if not len(edges.quads):
        return edges.quads
    score = _support(edges.quads, edges)
    return _distinct(edges.quads[np.argsort(-score)], limit=MAX_QUADS)


def on_edges(maps: NDArray[np.uint8], points: NDArray[np.floating], layer: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether the frame has an edge of a direction at points of the frame; False outside it."""
    _, rows, cols = maps.shape
    x, y = np.rint(points[..., 0]), np.rint(points[..., 1])
    inside = (x >= 0) & (y >= 0) & (x < cols) & (y < rows)
    held = np.where(inside, (layer * rows + y) * cols + x, 0.0).astype(np.intp)
    result: NDArray[np.bool_] = maps.ravel().take(held).astype(bool) & inside
    return result


def _thin_edges(gx: FloatArray, gy: FloatArray, least: float) -> NDArray[np.bool_]:
    """Pixels where the gradient is large enough, and largest across the edge."""
    size = np.hypot(gx, gy)
    with np.errstate(invalid="ignore", divide="ignore"):
        ux, uy = gx / size, gy / size
    rows, cols = np.indices(size.shape, dtype=np.float32)
    ahead, behind = (
        cv2.remap(
            size.astype(np.float32),
            (cols + way * np.nan_to_num(ux)).astype(np.float32),
            (rows + way * np.nan_to_num(uy)).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for way in (1.0, -1.0)
    )
    thin = (size > least) & (size >= ahead) & (size >= behind)
    thin[[0, -1], :] = False
    thin[:, [0, -1]] = False
    result: NDArray[np.bool_] = thin
    return result


def _lines(thin: NDArray[np.bool_], gx: FloatArray, gy: FloatArray) -> FloatArray:
    """
    Straight lines with many edge pixels on them, each as (nx, ny, d): nx x + ny y = d.

    A Hough transform in which each edge pixel votes only for lines across its own gradient.
    """
    rows, cols = np.nonzero(thin)
    if len(rows) < 20:
        return np.zeros((0, 3))
    angle = np.arctan2(gy[rows, cols], gx[rows, cols]) % np.pi
    steps = 180
    spread = np.arange(-SPREAD_DEG, SPREAD_DEG + 1)
    bins = (np.round(angle / np.pi * steps).astype(int)[:, None] + spread) % steps
    across, down = np.cos(np.arange(steps) * np.pi / steps), np.sin(np.arange(steps) * np.pi / steps)
    d = cols[:, None] * across[bins] + rows[:, None] * down[bins]
    reach = int(np.hypot(*thin.shape)) + 2
    places = np.round(d).astype(int) + reach
    weight = np.broadcast_to(np.exp(-0.5 * (spread / (SPREAD_DEG / 2)) ** 2).astype(np.float32), bins.shape)
    votes = np.zeros((steps, 2 * reach + 1), np.float32)
    np.add.at(votes, (bins, places), weight)
    lines: list[FloatArray] = []
    least = LEAST_LINE * min(thin.shape)
    xy = np.column_stack([cols, rows]).astype(np.float64)
    normal = np.column_stack([np.cos(angle), np.sin(angle)])
    free = np.ones(len(xy), dtype=bool)
    for _ in range(TRIED * MOST_LINES):
        smooth = cv2.GaussianBlur(votes, (0, 0), 1.0)
        t, r = np.unravel_index(smooth.argmax(), smooth.shape)
        line = np.array([across[t], down[t], r - reach])
        for _ in range(3):
            near = free & (np.abs(xy @ line[:2] - line[2]) < 1.8)
            near &= np.abs(normal @ line[:2]) > np.cos(np.radians(ALONG_DEG))
            if near.sum() < least:
                break
            centre = xy[near].mean(axis=0)
            _, _, axes = np.linalg.svd(xy[near] - centre, full_matrices=False)
            line = np.append(axes[1], axes[1] @ centre)
        if near.sum() < least:
            # Many pixels vote for it, too few lie on it, as along a curve: what remains may still hold lines.
            votes[max(t - 2, 0) : t + 3, max(r - 2, 0) : r + 3] = 0.0
            continue
        lines.append(line)
        if len(lines) == MOST_LINES:
            break
        # What lies on a line has no more votes, so that the next one is another.
        taken = free & (np.abs(xy @ line[:2] - line[2]) < 2.5)
        taken &= np.abs(normal @ line[:2]) > np.cos(np.radians(ALONG_DEG))
        np.subtract.at(votes, (bins[taken], places[taken]), weight[taken])
        free &= ~taken
    return np.array(lines).reshape(-1, 3)


def _from_lines(lines: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    """All quadrilaterals of four lines that a rectangle could look like."""
    if len(lines) < 4:
        return np.zeros((0, 4, 2))
    sets = np.array(list(combinations(range(len(lines)), 4)))
    # Three ways to pair four lines into opposite sides: (0, 1 | 2, 3), (0, 2 | 1, 3), (0, 3 | 1, 2).
    cyclic = np.concatenate([sets[:, [0, 2, 1, 3]], sets[:, [0, 1, 2, 3]], sets[:, [0, 1, 3, 2]]])
    sides = lines[cyclic]
    with np.errstate(divide="ignore", invalid="ignore"):
        corners = np.stack([_meet(sides[:, k - 1], sides[:, k]) for k in range(4)], axis=1)
    return plausible_quads(corners, shape)


def _meet(one: FloatArray, other: FloatArray) -> FloatArray:
    det = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    x = (one[:, 2] * other[:, 1] - other[:, 2] * one[:, 1]) / det
    y = (one[:, 0] * other[:, 2] - other[:, 0] * one[:, 2]) / det
    return np.stack([x, y], axis=1)


def plausible_quads(corners: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    """Convex, large enough, not too skew, mostly in the frame; turned to run clockwise."""
    rows, cols = shape
    ok = np.isfinite(corners).all(axis=(1, 2))
    corners = corners[ok]
    over = 0.25
    limit = np.array([cols, rows])
    inside = ((corners > -over * limit) & (corners < (1 + over) * limit)).all(axis=(1, 2))
    corners = corners[inside]
    area = polygon_areas(corners)
    corners = np.where((area < 0)[:, None, None], corners[:, ::-1], corners)
    area = np.abs(area)
    ahead = np.roll(corners, -1, axis=1) - corners
    behind = np.roll(corners, 1, axis=1) - corners
    cross = ahead[..., 0] * behind[..., 1] - ahead[..., 1] * behind[..., 0]
    dot = (ahead * behind).sum(axis=2)
    angle = np.degrees(np.arctan2(cross, dot))
    fine = (angle > ANGLES_DEG[0]).all(axis=1) & (angle < ANGLES_DEG[1]).all(axis=1)
    result: FloatArray = corners[fine & (area > LEAST_AREA * rows * cols)]
    return result


def _from_regions(picture: NDArray[np.float32], noise_k: float) -> FloatArray:
    """Quadrilaterals around regions that differ from the bench, at several thresholds."""
    bench = _bench(picture)
    differs = np.abs(cv2.GaussianBlur(picture, (0, 0), 1.0) - bench)
    scatter = robust_sd(_border(differs), centre=0.0)
    most = float(np.percentile(differs, 90))
    found = []
    for level in (max(5 * scatter, 3 * noise_k), 0.15 * most, 0.3 * most, 0.5 * most):
        mask = (differs > max(level, 2 * noise_k)).astype(np.uint8)
        opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        closed = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
        contours, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in sorted(contours, key=cv2.contourArea, reverse=True)[:2]:
            hull = cv2.convexHull(contour)
            if cv2.contourArea(hull) > LEAST_AREA * picture.size and len(hull) >= 4:
                quad = cv2.approxPolyN(hull, 4, ensure_convex=True).reshape(-1, 2)
                if len(quad) == 4:
                    found.append(quad.astype(np.float64))
                found.append(cv2.boxPoints(cv2.minAreaRect(hull)).astype(np.float64))
    return plausible_quads(np.array(found).reshape(-1, 4, 2), picture.shape)


def _border(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.concatenate([picture[:4].ravel(), picture[-4:].ravel(), picture[:, :4].ravel(), picture[:, -4:].ravel()])


def _bench(picture: NDArray[np.float32]) -> FloatArray:
    """A plane through the frame's border, robust to what reaches over it."""
    rows, cols = np.indices(picture.shape, dtype=np.float64)
    design = np.stack([np.ones_like(rows), rows / rows.max() - 0.5, cols / cols.max() - 0.5], axis=-1)
    edge = np.ones(picture.shape, bool)
    edge[4:-4, 4:-4] = False
    a, b = design[edge], picture[edge].astype(np.float64)
    weights = np.ones(len(b))
    plane = np.array([np.median(b), 0.0, 0.0])
    for _ in range(10):
        rest = b - a @ plane
        spread = max(robust_sd(rest, centre=0.0), 1e-3)
        weights = 1 / (1 + (rest / (2 * spread)) ** 2)
        heavy = a * weights[:, None] ** 2
        plane = np.linalg.solve(heavy.T @ a, heavy.T @ b)
    result: FloatArray = design @ plane
    return result


def _support(quads: FloatArray, edges: FrameEdges) -> FloatArray:
    """
    Share of each quadrilateral's sides that run along edges of the frame; shape (k,).

    The worst side counts extra: four half-supported sides make a better outline than two good ones.
    """
    rows, cols = edges.thin.shape
    share = (np.arange(40) + 0.5) / 40
    way = np.roll(quads, -1, axis=1) - quads
    points = quads[:, :, None] + share[None, None, :, None] * way[:, :, None]
    layer = layer_of(np.stack([-way[..., 1], way[..., 0]], axis=-1))
    sides = on_edges(edges.by_direction, points, layer[:, :, None]).mean(axis=2)
    size = np.sqrt(np.abs(polygon_areas(quads)) / (rows * cols))
    result: FloatArray = sides.mean(axis=1) + sides.min(axis=1) + 0.3 * size
    return result


def _distinct(quads: FloatArray, *, limit: int) -> FloatArray:
    """Drop what repeats a better one to within a few pixels, whichever corner comes first."""
    kept: list[FloatArray] = []
    for quad in quads:
        near = any(np.abs(np.roll(quad, turn, axis=0) - other).max() < 4.0 for other in kept for turn in range(4))
        if not near:
            kept.append(quad)
        if len(kept) == limit:
            break
    return np.array(kept).reshape(-1, 4, 2)
