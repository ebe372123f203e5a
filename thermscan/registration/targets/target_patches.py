"""Dark patches in a frame: small regions, colder than all that lies around them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.registration.evidence import Evidence, filled

FloatArray = NDArray[np.float64]

# A patch is smaller than one of these and larger than about a quarter of it, in pixels. The largest is a foil seen
# from so near that the board fills a frame of 640 pixels.
OPENINGS_PX = (5, 9, 15, 25, 41, 67)
# Depth of a patch that counts: beyond noise, and beyond what unevenness of a board does.
LEAST_DEPTH_NOISES, LEAST_DEPTH_K = 6.0, 0.4
# Squares and bars fill their hulls; a ragged region is none of ours.
LEAST_SOLIDITY = 0.75
LEAST_AREA_PX = 4
# No more than so many are tried, deepest first: what is hot and what is shiny has many.
MOST_PATCHES = 80


@dataclass(frozen=True, slots=True)
class DarkPatch:
    """
    A cold region that stands alone.

    Attributes
    ----------
    x_px, y_px : float
        Its centroid.
    area_px : float
        At half its depth.
    depth_k : float
        How much colder than the least warm way out of it.
    """

    x_px: float
    y_px: float
    area_px: float
    depth_k: float


def dark_patches(evidence: Evidence) -> tuple[DarkPatch, ...]:
    """
    Cold regions in warm surroundings, deepest first.

    Parameters
    ----------
    evidence : Evidence

    Returns
    -------
    tuple of DarkPatch
        At most `MOST_PATCHES`; regions at the frame's edge do not count.

    Notes
    -----
    A grey closing with a square fills what is narrower than the square; what it fills is the patch and its depth.

    References
    ----------
    .. [1] J. Serra, Image Analysis and Mathematical Morphology, 1982, ch. 12 (top-hat transform).

    Examples
    --------
    >>> frame = np.full((40, 60), 30.0, dtype=np.float32)
    >>> frame[10:16, 20:30] = 22.0
    >>> [(patch.x_px, patch.y_px, patch.depth_k) for patch in dark_patches(Evidence(frame, 0.05, 0.5))]
    [(24.5, 12.5, 8.0)]
    """
    apparent = filled(evidence.apparent)
    least_k = max(LEAST_DEPTH_NOISES * evidence.noise_k, LEAST_DEPTH_K)
    found: list[DarkPatch] = []
    for opening in OPENINGS_PX:
        if 2 * opening > min(apparent.shape):
            break
        square = np.ones((opening, opening), dtype=np.uint8)
        depth = cv2.morphologyEx(apparent, cv2.MORPH_CLOSE, square, borderType=cv2.BORDER_REPLICATE) - apparent
        found.extend(_regions(depth.astype(np.float32), least_k))
    found.sort(key=lambda patch: -patch.depth_k)
    kept: list[DarkPatch] = []
    for patch in found:
        if not any(_same(patch, other) for other in kept):
            kept.append(patch)
    return tuple(kept[:MOST_PATCHES])


def _regions(depth: NDArray[np.float32], least_k: float) -> list[DarkPatch]:
    """Regions about the peaks of the depth, each cut off at half its own depth."""
    peaks = (depth >= least_k) & (depth >= cv2.dilate(depth, np.ones((3, 3), dtype=np.uint8)))
    rows, cols = depth.shape
    places = sorted(zip(*np.nonzero(peaks), strict=True), key=lambda place: -float(depth[place]))
    taken = np.zeros(depth.shape, dtype=bool)
    regions: list[DarkPatch] = []
    for row, col in places:
        if taken[row, col]:
            continue
        top = float(depth[row, col])
        mask = np.zeros((rows + 2, cols + 2), dtype=np.uint8)
        how = 4 | cv2.FLOODFILL_FIXED_RANGE | cv2.FLOODFILL_MASK_ONLY
        area, _, _, (left, upper, width, height) = cv2.floodFill(
            depth, mask, (int(col), int(row)), 0.0, top / 2, float("inf"), how
        )
        region = mask[1:-1, 1:-1][upper : upper + height, left : left + width].astype(bool)
        taken[upper : upper + height, left : left + width] |= region
        at_edge = left == 0 or upper == 0 or left + width == cols or upper + height == rows
        if area < LEAST_AREA_PX or at_edge or _solidity(region) < LEAST_SOLIDITY:
            continue
        weight = np.where(region, depth[upper : upper + height, left : left + width], 0.0)
        y, x = np.indices(weight.shape)
        centre = left + float((x * weight).sum() / weight.sum()), upper + float((y * weight).sum() / weight.sum())
        regions.append(DarkPatch(*centre, float(area), top))
    return regions


def _solidity(region: NDArray[np.bool_]) -> float:
    """Share of the hull's area that a region fills; pixels are counted as squares."""
    row, col = np.nonzero(region)
    corners = np.concatenate([np.column_stack([col + dx, row + dy]) for dx in (0, 1) for dy in (0, 1)])
    hull = cv2.convexHull(corners.astype(np.float32))
    return float(len(row) / max(cv2.contourArea(hull), 1.0))


def _same(one: DarkPatch, other: DarkPatch) -> bool:
    apart = np.hypot(one.x_px - other.x_px, one.y_px - other.y_px)
    return bool(apart < 0.35 * np.sqrt(min(one.area_px, other.area_px)) + 0.3) and (
        0.6 < one.area_px / other.area_px < 1.67
    )
