"""What lies over the board in a view: whatever comes in from the bench over the outline, or ends within it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field, replace
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass, reduce_frozen
from thermscan.layout.board import Board, Part
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions import reasons
from thermscan.regions.lying_over import find_lying_over
from thermscan.regions.measurement import PartMeasurement
from thermscan.registration.geometry.homography import local_scale
from thermscan.registration.geometry.parallax import pose_seen, seen_height_mm
from thermscan.registration.geometry.pose import Pose, body_corners_px
from thermscan.registration.registration import Registration
from thermscan.robust import robust_sd
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Nearer than this to the outline, or to a body, (and twice their uncertainty) a pixel shows some of either side.
GUARD_PX, BODY_GUARD_PX = 2.5, 1.5
# The blurred step between board and bench.
RIM_PX = 2.0
# The bench beside the board, and how far out it is taken.
BENCH_REACH_PX = 40.0
# A thing on the bench stands out by this much, in its unevenness, in noise and in kelvin.
BENCH_DEVIATIONS, NOISE_DEVIATIONS, LEAST_STEP_K = 5.0, 6.0, 0.5
# It reaches this far out on the bench, or to the frame's border, and this far in over the board.
LEAST_OUT_PX, LEAST_IN_PX = 8.0, 8.0
LEAST_PIXELS = 12
# Its core is what stands out nearly as much as it does at most; its sides blend with the bench.
CORE_SHARE = 0.75
# How uneven its core may be; and what its sides may differ by, as a share of the board's step against it (they blend).
LARGEST_SPREAD_K, BLEND_SHARE = 1.0, 0.12
# Nearly all of its edge over the bare board is a step, twice what it may be uneven, within three pixels.
EDGE_PX, LEAST_SHARP_SHARE = 3.0, 0.8
# What lies over the board hides bare board too; a part that crosses the outline hides next to none. A share of what the
# board's own bare share lets expect.
LEAST_BARE_SHARE = 0.25
# What crosses more than this share of the outline is the bench, or a board placed wrong.
LARGEST_CROSSING = 0.4
# A body leans out over the board by at most this many times its height; unknown heights are this many times its length.
HEIGHT_DOUBT, UNKNOWN_HEIGHT_PER_LENGTH, TALLEST_MM = 1.5, 2.0, 40.0


@dataclass(frozen=True, slots=True, eq=False)
class Cover:
    """
    What lies over the board.

    Attributes
    ----------
    pixels : ndarray of bool, shape (rows, cols)
        Where the frame shows it, or blends it in.
    remarks : tuple of str
    likely : mapping of ref to float
        Where nothing crosses the outline: how likely something lies over a part all the same.
    """

    pixels: Mask
    remarks: tuple[str, ...] = field(default=())
    likely: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "pixels", read_only(self.pixels, np.bool_))

    def over(self, measurements: Sequence[PartMeasurement]) -> Cover:
        """The same, with a remark that says how many parts could not be measured for it."""
        if not self.pixels.any():
            return self
        covered = [measurement.part.ref for measurement in measurements if measurement.reason is reasons.COVERED]
        count = len(covered)
        if self.likely:
            if not covered:
                return self
            least = min(self.likely.values())
            said = (
                f"something within the board's outline seems to lie over {', '.join(covered)} (likely by"
                f" {100 * least:.0f} % or more): not read; take the frame again without it"
            )
            return replace(self, remarks=(said,))
        parts = f"covers {count} part{'' if count == 1 else 's'}" if count else "covers some of the bare board"
        said = f"something crosses the board's outline and {parts}: take the frame again without it"
        return replace(self, remarks=(said,))


def find_cover(
    image: ThermalImage, registration: Registration, board: Board, *, fov_deg: float | None = None, heated: bool = True
) -> Cover:
    """
    The pixels of things that lie over the board, come in from the bench or not.

    Parameters
    ----------
    image : ThermalImage
    registration : Registration
    board : Board
    fov_deg : float, optional
        The camera's horizontal field of view; else told from the view itself, for the tops of tall parts.
    heated : bool
        The board's parts are warm. Where they need not be, a board that is of one temperature looks as one that
        something lies over, so that only what comes in over the outline is told.

    Returns
    -------
    Cover
    """
    crossing = find_crossing(image, registration, board, fov_deg=fov_deg)
    if not heated:
        return Cover(_grown(crossing, 1.0 + 2 * image.blur_px))
    lying = find_lying_over(image, registration, board, fov_deg=fov_deg)
    found = crossing | lying.pixels
    if not found.any():
        return Cover(found)
    likely = {} if crossing.any() else {board.parts[k].ref: value for k, value in lying.likely.items()}
    return Cover(_grown(found, 1.0 + 2 * image.blur_px), likely=likely)


def find_crossing(
    image: ThermalImage, registration: Registration, board: Board, *, fov_deg: float | None = None
) -> Mask:
    """
    The pixels of what comes in over the outline, as `find_cover`.

    Notes
    -----
    Such a thing stands out from the bench beside it, is nearly even in temperature, goes on as even over the outline,
    and ends over the bare board in an edge. Spread-out heat has no edge, a part hides no bare board, and what lies
    beside the board ends at its outline. What is as warm as the bench, or as the board under it, is not seen.
    """
    inside = _filled(image.shape, [registration.px(board.outline_mm)])
    depth_px, outside_px = _depth(inside), _depth(~inside)
    placing_px = 2 * registration.uncertainty_mm * _px_per_mm(registration, board)
    guard_px = GUARD_PX + placing_px
    found = np.zeros(image.shape, dtype=bool)
    things = list(_things_on_bench(image, outside_px, guard_px))
    if not things:
        return found
    pose = pose_seen(registration, shape=image.shape, corners_mm=board.corners_mm, fov_deg=fov_deg)
    hulls = [_farthest_seen(part, registration, pose) for part in board.parts]
    bodies = _grown(_filled(image.shape, hulls), BODY_GUARD_PX + placing_px)
    for thing in things:
        spread = _spread_over(image, thing, depth_px=depth_px, outside_px=outside_px)
        if spread is not None and _lies_over(
            image, spread, depth_px=depth_px, outside_px=outside_px, bodies=bodies, guard_px=guard_px
        ):
            found |= spread.pixels
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Spread:
    """Pixels that hang together and are as warm as a thing on the bench."""

    pixels: Mask
    temp_c: float
    uneven_k: float


def _things_on_bench(image: ThermalImage, outside_px: FloatArray, guard_px: float) -> Iterator[Mask]:
    """What stands out from the bench and reaches up to the board."""
    known = np.isfinite(image.apparent_c)
    beside = known & (outside_px > guard_px) & (outside_px < guard_px + BENCH_REACH_PX)
    if beside.sum() < LEAST_PIXELS:
        return
    rise_k, uneven_k = _over_bench(image.apparent_c, beside)
    least_k = max(BENCH_DEVIATIONS * uneven_k, NOISE_DEVIATIONS * image.noise_k, LEAST_STEP_K)
    for sign in (1.0, -1.0):
        out = known & (outside_px > guard_px) & (sign * rise_k > least_k)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(out.astype(np.uint8), connectivity=8)
        for label in range(1, count):
            if stats[label, cv2.CC_STAT_AREA] < LEAST_PIXELS:
                continue
            thing = labels == label
            away = outside_px[thing]
            far = away.max() >= guard_px + LEAST_OUT_PX or _at_border(stats[label], image.shape)
            if away.min() > guard_px + 1.5 or not far:
                continue
            near = thing & (outside_px < guard_px + 2 * LEAST_OUT_PX)
            strongest_k = float(np.percentile(np.abs(rise_k[near]), 90))
            yield near & (np.abs(rise_k) >= CORE_SHARE * strongest_k)


def _at_border(stats: NDArray[np.int32], shape: tuple[int, int]) -> bool:
    """Whether a component, as OpenCV tells its box, reaches the frame's border."""
    left, top, width, height = stats[:4]
    return bool(min(left, top) == 0 or left + width == shape[1] or top + height == shape[0])


def _over_bench(values_c: FloatArray, beside: Mask) -> tuple[FloatArray, float]:
    """How far each pixel stands over a plane through the bench, and how uneven the bench is about it."""
    rows, cols = np.indices(values_c.shape)
    plane = np.stack([np.ones(values_c.shape), cols / values_c.shape[1], rows / values_c.shape[0]], axis=-1)
    design, seen = plane[beside], values_c[beside]
    left, uneven_k = seen - np.median(seen), 0.0
    for _ in range(4):
        middle_k = float(np.median(left))
        uneven_k = robust_sd(left, centre=middle_k)
        kept = np.abs(left - middle_k) <= 3 * uneven_k
        # Columns of like size, so that the normal equations are as good as any; pixels in one line have no plane: its
        # smallest solution then.
        few = design[kept]
        solution = np.linalg.lstsq(few.T @ few, few.T @ seen[kept], rcond=None)[0]
        left = seen - design @ solution
    return values_c - plane @ solution, uneven_k


def _spread_over(image: ThermalImage, core: Mask, *, depth_px: FloatArray, outside_px: FloatArray) -> _Spread | None:
    """All that is as warm as a thing's core and hangs together with it; None where the core is not even."""
    values = image.apparent_c[core]
    if len(values) < LEAST_PIXELS // 2:
        return None
    temp_c = float(np.median(values))
    spread_k = robust_sd(values, centre=temp_c)
    if spread_k > LARGEST_SPREAD_K:
        return None
    against_k = abs(float(np.nanmedian(image.apparent_c[depth_px > 0])) - temp_c)
    uneven_k = max(3 * spread_k, 5 * image.noise_k, BLEND_SHARE * against_k)
    # NaN compares false: a pixel that does not count belongs to nothing.
    alike = np.abs(image.apparent_c - temp_c) <= uneven_k
    # Between board and bench a blurred edge passes through every temperature: it counts only where both sides do.
    either = [_grown(alike & (far_px > RIM_PX), 2 * RIM_PX) for far_px in (depth_px, outside_px)]
    alike &= (either[0] & either[1]) | (depth_px > RIM_PX) | (outside_px > RIM_PX)
    _, labels = cv2.connectedComponents(alike.astype(np.uint8), connectivity=8)
    own = np.unique(labels[core])
    return _Spread(np.isin(labels, own[own > 0]), temp_c, uneven_k)


def _lies_over(
    image: ThermalImage,
    spread: _Spread,
    *,
    depth_px: FloatArray,
    outside_px: FloatArray,
    bodies: Mask,
    guard_px: float,
) -> bool:
    """Whether it goes on over the outline and ends over the bare board in an edge."""
    over = spread.pixels & (depth_px > 0)
    hidden_bare = over & ~bodies & (depth_px > guard_px)
    bare_share = float(np.mean(~bodies[depth_px > 0]))
    if hidden_bare.sum() < max(LEAST_PIXELS, LEAST_BARE_SHARE * bare_share * over.sum()):
        return False
    if depth_px[hidden_bare].max() < guard_px + LEAST_IN_PX:
        return False
    rim = (outside_px > 0) & (outside_px <= 1.5)
    if not 0 < (spread.pixels & rim).sum() <= LARGEST_CROSSING * rim.sum():
        return False
    beyond = _grown(spread.pixels, EDGE_PX) & ~_grown(spread.pixels, EDGE_PX - 1) & np.isfinite(image.apparent_c)
    beyond &= ~bodies & (depth_px > guard_px)
    step_k = np.abs(image.apparent_c[beyond] - spread.temp_c)
    return len(step_k) >= LEAST_PIXELS and bool(np.mean(step_k > 2 * spread.uneven_k) >= LEAST_SHARP_SHARE)


def _farthest_seen(part: Part, registration: Registration, pose: Pose) -> FloatArray:
    """Outline of all that a body can hide, if it is as high as it may be."""
    known_mm = max(seen_height_mm(part, registration), part.height_mm or part.usual_height_mm or 0.0)
    unknown_mm = min(UNKNOWN_HEIGHT_PER_LENGTH * max(part.length_mm, part.width_mm), TALLEST_MM)
    highest = replace(part, height_mm=HEIGHT_DOUBT * known_mm if known_mm else unknown_mm)
    around = np.vstack([registration.px(part.corners_mm()), body_corners_px(registration, highest, pose)])
    return np.asarray(cv2.convexHull(around.astype(np.float32))[:, 0], dtype=np.float64)


def _px_per_mm(registration: Registration, board: Board) -> float:
    middle = (board.width_mm / 2, board.height_mm / 2)
    return float(np.sqrt(abs(np.linalg.det(local_scale(registration.px_from_mm, [middle])[0]))))


def _depth(mask: Mask) -> FloatArray:
    """How far within some pixels each of them lies; 0 outside."""
    return np.asarray(cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3), dtype=np.float64)


def _filled(shape: tuple[int, int], outlines_px: Sequence[FloatArray]) -> Mask:
    """Pixels within any of some outlines."""
    drawn = np.zeros(shape, dtype=np.uint8)
    for outline in outlines_px:
        cv2.fillPoly(drawn, [np.round(outline).astype(np.int32)], 1)
    return drawn > 0


def _grown(mask: Mask, by_px: float) -> Mask:
    """The pixels and all that lie as near as that to one of them."""
    reach = round(by_px)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), disc)) > 0
