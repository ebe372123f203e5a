"""Poses from which the camera may see the board, tried on a small picture against that of a good board."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.registration.evidence import filled
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.geometry.pose import FOV_ASSUMED_DEG, focal_from_fov
from thermscan.registration.placing.baseline_raster import BaselineRaster

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]

# Longer side of the pictures that are compared.
SEARCH_PX = 48
# Steps that leave a displacement of two or three of those pixels at most, which the smoothing takes up.
TURN_STEP_DEG = 12.0
FILLS = (0.5, 0.57, 0.65, 0.74, 0.84, 0.95, 1.08)
# Tilts, with how many directions of each.
TILTS_DEG = ((0.0, 1), (24.0, 6), (40.0, 8), (52.0, 10))
SMOOTHING_PX, SLOW_PX = 1.2, 6.0
# The board may reach beyond the frame by this share of it.
BEYOND = 0.15
MOST_PLACES = 24
SAME_PX = 3.0


def likely_places(
    picture: Float32, baseline: BaselineRaster, *, corners_mm: FloatArray, fov_deg: float | None = None
) -> list[FloatArray]:
    """
    The board's corners in a picture where it looks most like the baseline's, likeliest first.

    Parameters
    ----------
    picture : ndarray of float32, shape (rows, cols)
        Without NaN.
    baseline : BaselineRaster
    corners_mm : ndarray of shape (4, 2)
    fov_deg : float, optional
        Horizontal field of view.

    Returns
    -------
    list of ndarray of shape (4, 2)

    References
    ----------
    .. [1] J. P. Lewis, Fast normalized cross-correlation, Vision Interface 1995, 120-123.
    """
    factor = max(picture.shape) / SEARCH_PX
    size = (round(picture.shape[1] / factor), round(picture.shape[0] / factor))
    around = round(BEYOND * SEARCH_PX)
    detail = _detail(cv2.resize(picture, size, interpolation=cv2.INTER_AREA))
    seen = cv2.copyMakeBorder(detail, around, around, around, around, cv2.BORDER_CONSTANT, value=0.0)
    raster = _small_raster(baseline)
    found: list[tuple[float, FloatArray]] = []
    for corners in _poses(corners_mm, size, fov_deg or FOV_ASSUMED_DEG):
        low = np.floor(corners.min(axis=0)) - 2
        cols, rows = (np.ceil(corners.max(axis=0)) + 3 - low).astype(int)
        if cols > seen.shape[1] or rows > seen.shape[0]:
            continue
        to_small = homography_from_corners(_raster_corners(raster), corners - low)
        drawn = cv2.warpPerspective(raster, to_small, (int(cols), int(rows)), flags=cv2.INTER_LINEAR)
        score = cv2.matchTemplate(seen, _detail(drawn), cv2.TM_CCOEFF_NORMED)
        _, best, _, at = cv2.minMaxLoc(np.nan_to_num(score, nan=-1.0, posinf=-1.0))
        found.append((float(best), corners - low + at - around))
    found.sort(key=lambda place: -place[0])
    kept: list[FloatArray] = []
    for _, corners in found:
        if not any(np.abs(corners - other).max() < SAME_PX for other in kept):
            kept.append(corners)
        if len(kept) == MOST_PLACES:
            break
    return [(corners + 0.5) * factor - 0.5 for corners in kept]


def likeness_within(picture: Float32, baseline: BaselineRaster, corners_px: FloatArray) -> float:
    """
    Correlation of the baseline's picture with what lies within four corners of a frame, drawn as if from above.

    Examples
    --------
    >>> baseline = BaselineRaster(np.random.default_rng(1).normal(5, 1, (60, 90)), 1.0)
    >>> picture = np.pad(baseline.rise_k.astype(np.float32), 10)
    >>> box = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 60.0], [0.0, 60.0]])
    >>> round(likeness_within(picture, baseline, box + 9.5), 1)
    1.0
    """
    raster = _small_raster(baseline)
    seen_from = homography_from_corners(_raster_corners(raster), corners_px)
    inverse = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
    within = cv2.warpPerspective(picture, seen_from, raster.shape[::-1], flags=inverse, borderMode=cv2.BORDER_REPLICATE)
    return float(cv2.matchTemplate(_detail(within), _detail(raster), cv2.TM_CCOEFF_NORMED)[0, 0])


def _poses(corners_mm: FloatArray, size: tuple[int, int], fov_deg: float) -> Iterator[FloatArray]:
    """Corners of the board around the middle of the frame, for all turns, tilts and distances."""
    focal = focal_from_fov(fov_deg, size[0])
    flat = np.column_stack([corners_mm - corners_mm.mean(axis=0), np.zeros(4)])
    flat /= np.abs(flat).max()
    for tilt_deg, ways in TILTS_DEG:
        for way in np.arange(ways) * 2 * np.pi / ways:
            tilt = cv2.Rodrigues(np.radians(tilt_deg) * np.array([np.cos(way), np.sin(way), 0.0]))[0]
            for turn_deg in np.arange(0.0, 360.0, TURN_STEP_DEG):
                turned = flat @ (tilt @ cv2.Rodrigues(np.array([0.0, 0.0, np.radians(turn_deg)]))[0]).T
                for fill in FILLS:
                    yield _at_distance(turned, focal, size, fill)


def _at_distance(turned: FloatArray, focal: float, size: tuple[int, int], fill: float) -> FloatArray:
    """Seen from where the board takes this share of the frame's width or height, whichever is tighter."""
    distance = 3.0
    seen = turned[:, :2]
    for _ in range(4):
        seen = focal * turned[:, :2] / (turned[:, 2:] + distance)
        distance = max(distance * float((np.ptp(seen, axis=0) / size).max()) / fill, 1.2)
    return seen + (np.array(size) - 1) / 2


def _small_raster(baseline: BaselineRaster) -> Float32:
    """The raster at about the resolution of the comparison."""
    longest = max(baseline.rise_k.shape)
    reduction = max(1, round(longest / (1.5 * SEARCH_PX)))
    rows, cols = (size // reduction for size in baseline.rise_k.shape)
    small = cv2.resize(filled(baseline.rise_k.astype(np.float32)), (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32)


def _raster_corners(raster: Float32) -> FloatArray:
    rows, cols = raster.shape
    return np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]]) - 0.5


def _detail(picture: NDArray[Any]) -> Float32:
    """Without what changes slowly, compressed so that one hot part does not rule."""
    soft = cv2.GaussianBlur(picture, (0, 0), SMOOTHING_PX)
    rest = soft - cv2.GaussianBlur(soft, (0, 0), SLOW_PX)
    spread = float(np.mean(np.abs(rest))) + 1e-6
    result: Float32 = np.arcsinh(rest / spread).astype(np.float32)
    return result
