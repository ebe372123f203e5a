"""Patches of a view that are of one temperature across bodies and board, as a thing over the board would be."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.evidence import filled
from thermscan.registration.geometry.parallax import pose_seen, seen_height_mm
from thermscan.registration.geometry.pose import Pose, bodies_corners_px
from thermscan.registration.registration import Registration

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

# Classes of pixels besides the bodies' numbers, which begin at 1: bare board, beyond the outline, some of either side.
BARE, BEYOND, MIXED = 0, -1, -2
# A thing over parts that can be measured at all is seen as well at so many columns.
MOST_COLS = 400
# A thing is of one temperature within so much: from the noise (3.5 standard deviations leave out one pixel in 2,000) to
# five times that, since hands and cables are uneven by tenths of a kelvin.
NOISES, LEAST_BAND_K, WIDER = 3.5, 0.15, (1.0, 2.2, 5.0)
# What is smaller tells nothing; what is larger is the board.
LEAST_PIXELS, LARGEST_SHARE = 12, 0.6
# A part is in question where so much of it, and so much besides it, is in the patch.
LEAST_PART_SHARE, LEAST_BESIDES = 0.1, 6
# So much of what can be measured stays when a view is halved: half a pixel of either side.
OWN_BLUR_PX = 0.29


@dataclass(frozen=True, slots=True, eq=False)
class BoardLook:
    """
    A view with what the layout says of each pixel.

    Attributes
    ----------
    values_c : ndarray of float32, shape (rows, cols)
    kinds : ndarray of int16, shape (rows, cols)
        The number of the body whose top a pixel shows at any height that it may have, `BARE`, `BEYOND` or `MIXED`.
    rims : ndarray of bool, shape (rows, cols)
        The outermost of the pixels that show a body.
    sizes : ndarray of int, shape (parts + 1,)
        How many pixels show each body.
    middles : ndarray of shape (parts + 1, 2)
        Row and column of the middle of those.
    ways : ndarray of float32, shape (rows, cols, 2)
        Which way the outline that the layout lets expect there runs: cosine and sine of twice its angle; 0 where none.
    area, bare : int
        Pixels within the outline, and those of them that show bare board.
    scale : float
        Pixels of this view per pixel of the frame.
    """

    values_c: Float32Array
    kinds: NDArray[np.int16]
    rims: Mask
    sizes: NDArray[np.intp]
    middles: FloatArray
    ways: Float32Array
    area: int
    bare: int
    noise_k: float
    blur_px: float
    bench_c: float
    warm_k: float
    scale: float


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """
    Pixels that hang together and are of one temperature.

    Attributes
    ----------
    temp_c, band_k : float
        All of it lies within so much of that.
    pixels : ndarray of bool
        Of the part of the view that begins at ``corner`` (row, column).
    bodies, counts : ndarray of int
        Bodies that it shows, and with how many pixels.
    """

    temp_c: float
    band_k: float
    pixels: Mask
    corner: tuple[int, int]
    bodies: NDArray[np.intp]
    counts: NDArray[np.intp]

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the view in which it lies."""
        (top, left), (height, width) = self.corner, self.pixels.shape
        return slice(top, top + height), slice(left, left + width)


def look_at_board(
    image: ThermalImage, registration: Registration, board: Board, *, fov_deg: float | None = None
) -> BoardLook:
    """The view at no more than `MOST_COLS` columns, with the kind of each pixel."""
    scale = 1.0 if image.shape[1] <= MOST_COLS else 0.5
    values, blur_px, noise_k = filled(image.apparent_c.astype(np.float32)), image.blur_px, image.noise_k
    if scale < 1.0:
        smaller = cv2.resize(values, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        values = np.asarray(smaller, dtype=np.float32)
        blur_px, noise_k = float(np.hypot(scale * blur_px, OWN_BLUR_PX)), scale * noise_k
    pose = pose_seen(registration, shape=image.shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
    outline = _scaled(registration.px(board.outline_mm), scale)
    inside = _filled(values.shape, outline)
    per_mm = np.sqrt(cv2.contourArea(outline.astype(np.float32)) / _area_mm2(board))
    guard_px = 0.5 + blur_px + 2 * registration.uncertainty_mm * per_mm
    kinds = np.full(values.shape, MIXED, dtype=np.int16)
    reached = np.zeros(values.shape, dtype=np.uint8)
    shown = np.zeros(values.shape, dtype=np.int16)
    feet = _scaled(bodies_corners_px(registration, board.parts, np.zeros(len(board.parts)), pose), scale)
    outlines = [outline]
    for number, (foot, all_tops) in enumerate(zip(feet, _tops_px(board, registration, pose), strict=True), start=1):
        tops = list(_scaled(all_tops, scale))
        hull = cv2.convexHull(np.vstack([foot, *tops]).astype(np.float32))[:, 0]
        cv2.fillConvexPoly(reached, np.round(hull * 16).astype(np.int32), 1, shift=4)
        _mark_inner(shown, tops, number, guard_px)
        outlines += [foot, *tops, *np.stack([foot, tops[-1]], axis=1)]
    kinds[(_depth(inside) > guard_px + 1) & (_depth(reached == 0) > guard_px)] = BARE
    kinds[~inside] = BEYOND
    kinds[shown > 0] = shown[shown > 0]
    away = _depth(~inside) > guard_px + 1
    bench_c = float(np.median(values[away])) if away.sum() >= LEAST_PIXELS else float(values[inside].min())
    rims = (shown > 0) & (cv2.erode((shown > 0).astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    sizes = np.bincount(shown.ravel(), minlength=len(board.parts) + 1)
    sums = [np.bincount(shown.ravel(), weights=each.ravel(), minlength=len(sizes)) for each in np.indices(shown.shape)]
    middles = np.column_stack(sums) / np.maximum(sizes, 1)[:, None]
    ways = _ways(values.shape, outlines, max(round(2 * guard_px), 1))
    return BoardLook(
        values,
        kinds, rims, sizes, middles, ways, int(np.sum(kinds != BEYOND)), int(np.sum(kinds == BARE)), noise_k,
        blur_px, bench_c, float(np.median(values[inside])) - bench_c, scale,
    )  # fmt: skip


def patches(look: BoardLook) -> Iterator[Patch]:
    """All patches that show some of a body and as much of something else."""
    rows, cols = np.nonzero(look.kinds != BEYOND)
    if not len(rows):
        return
    at = (max(int(rows.min()) - 6, 0), max(int(cols.min()) - 6, 0))
    window = (slice(at[0], int(rows.max()) + 7), slice(at[1], int(cols.max()) + 7))
    values, kinds = look.values_c[window], look.kinds[window]
    low, high = np.percentile(values[kinds != BEYOND], [0.2, 99.8])
    most = len(look.sizes)
    largest = LARGEST_SHARE * look.area
    for wider in WIDER:
        band_k = wider * max(NOISES * look.noise_k, LEAST_BAND_K)
        for temp_c in np.arange(low - band_k / 2, high + band_k, band_k):
            alike = cv2.inRange(values, float(temp_c) - band_k, float(temp_c) + band_k)
            if cv2.countNonZero(alike) < LEAST_PIXELS:
                continue
            # What is warmer than most of the board lies in a corner of it.
            x, y, width, height = cv2.boundingRect(alike)
            within = (slice(y, y + height), slice(x, x + width))
            _, labels, stats, _ = cv2.connectedComponentsWithStats(alike[within], connectivity=4)
            sizes = stats[:, cv2.CC_STAT_AREA]
            kept = np.flatnonzero((sizes >= LEAST_PIXELS) & (sizes <= largest))
            kept = kept[kept > 0]
            rank = np.full(len(sizes), len(kept))
            rank[kept] = np.arange(len(kept))
            on_body = (kinds[within] > 0) & (labels > 0)
            body = kinds[within][on_body].astype(np.int64)
            tally = np.bincount(rank[labels[on_body]] * most + body, minlength=(len(kept) + 1) * most)
            pairs = np.flatnonzero(tally[: len(kept) * most])
            label, number, counts = kept[pairs // most], pairs % most, tally[pairs]
            asked = counts >= np.maximum(LEAST_PART_SHARE * look.sizes[number], 2)
            asked &= sizes[label] - counts >= LEAST_BESIDES
            for each in np.unique(label[asked]):
                left, top, width, height, _ = (int(value) for value in stats[each])
                box = (slice(top, top + height), slice(left, left + width))
                own = asked & (label == each)
                pixels = labels[box] == each
                corner = (at[0] + y + top, at[1] + x + left)
                yield Patch(float(temp_c), band_k, pixels, corner, number[own], counts[own])


def _ways(shape: tuple[int, ...], outlines: list[FloatArray], width: int) -> Float32Array:
    """Which way outlines run, as in `BoardLook`, about as wide as their place is in doubt; the last drawn counts."""
    drawn = np.zeros((*shape, 2), dtype=np.float32)
    starts = np.concatenate(outlines)
    ends = np.concatenate([np.roll(each, -1, axis=0) for each in outlines])
    turn = 2 * np.arctan2(*(ends - starts).T[::-1])
    drawn_px = np.round(16 * np.stack([starts, ends], axis=1)).astype(int).tolist()
    for (start, end), way in zip(drawn_px, np.column_stack([np.cos(turn), np.sin(turn)]).tolist(), strict=True):
        cv2.line(drawn, start, end, way, width, cv2.LINE_8, 4)
    return drawn


def _tops_px(board: Board, registration: Registration, pose: Pose) -> list[FloatArray]:
    """
    Corners of each top where it likely is, and at the lowest and the highest that it may be if that is in doubt.

    One array a part, of shape (1 or 3, 4, 2).
    """
    likely = np.array([seen_height_mm(part, registration) for part in board.parts])
    known = [registration.heights.get(part.ref) for part in board.parts]
    doubt = np.array([0.0 if one is None else 2 * one.u_mm for one in known])
    heights = (likely, np.maximum(likely - doubt, 0.0), likely + doubt)
    tops = np.stack([bodies_corners_px(registration, board.parts, each, pose) for each in heights], axis=1)
    return [own if in_doubt else own[:1] for own, in_doubt in zip(tops, doubt > 0, strict=True)]


def _mark_inner(shown: NDArray[np.int16], tops: list[FloatArray], number: int, guard_px: float) -> None:
    """Write a body's number where its top is seen at all its heights, well within its edges."""
    around = np.vstack(tops)
    low = np.clip(np.floor(around.min(axis=0)).astype(int) - 1, 0, None)
    high = np.ceil(around.max(axis=0)).astype(int) + 2
    box = shown[low[1] : high[1], low[0] : high[0]]
    if not box.size:
        return
    drawn = [_filled(box.shape, top - low) for top in tops]
    whole = np.logical_and.reduce(drawn)
    depth = _depth(with_border(whole if whole.sum() >= LEAST_PIXELS / 2 else drawn[0], 1))[1:-1, 1:-1]
    inner = depth > guard_px
    if inner.sum() < 4:
        inner = depth >= max(0.6 * float(depth.max()), 0.9)
    box[inner] = number


def with_border(mask: Mask, pixels: int) -> NDArray[np.uint8]:
    """The mask, 1 where it holds, with so many pixels of 0 all round."""
    around = cv2.copyMakeBorder(mask.view(np.uint8), pixels, pixels, pixels, pixels, cv2.BORDER_CONSTANT, value=0)
    return np.asarray(around, dtype=np.uint8)


def _scaled(points_px: FloatArray, scale: float) -> FloatArray:
    result: FloatArray = (np.asarray(points_px) + 0.5) * scale - 0.5
    return result


def _area_mm2(board: Board) -> float:
    return float(cv2.contourArea(np.asarray(board.outline_mm, dtype=np.float32)))


def _filled(shape: tuple[int, ...], outline_px: FloatArray) -> Mask:
    drawn = np.zeros(shape[:2], dtype=np.uint8)
    cv2.fillPoly(drawn, [np.round(outline_px * 16).astype(np.int32)], 1, shift=4)
    return drawn > 0


def _depth(mask: Mask | NDArray[np.uint8]) -> Float32Array:
    """How far within some pixels each of them lies; 0 outside."""
    return np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3), dtype=np.float32)
