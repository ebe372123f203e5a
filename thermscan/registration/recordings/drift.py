"""How one frame has moved against another: what changed without moving is fitted along, or refused."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass
from thermscan.registration.evidence import filled, measured_noise_k
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.recordings.informative_pixels import (
    BLOCK_PX,
    BORDER_PX,
    InformativePixels,
    informative_pixels,
    smoothed,
)
from thermscan.robust import MAD_TO_SIGMA

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]

# The picture is compared at these reductions, coarse first; the coarsest keeps about 40 pixels.
LEAST_SIDE_PX, COARSEST = 40, 4
STEPS = 12
STEP_END_PX, COARSE_STEP_END_PX = 0.005, 0.1
# Where the pictures differ by more than this many robust standard deviations, something changed.
TUKEY = 4.685
# A difference that a shift of so many reduced pixels would make is not yet a change. At full resolution this is
# halved with each step, as the motion gets surer, down to the second.
SLACK_PX, LEAST_SLACK_PX = 1.0, 0.1
# A hand shifts and turns the view; what else a homography can do stays within about this share of the frame's
# width, so that a picture with little to say about it does not follow noise. Reduced pictures have least to say.
BEYOND_SIMILARITY, COARSE_BEYOND_SIMILARITY = 0.01, 0.002
# Smoothed neighbours share their noise.
PIXELS_AS_ONE = 3.0
# Below this share of the pixels in common a motion cannot be told.
LEAST_COMMON = 0.2
# remap takes places in steps of 1/32 pixel.
REMAP_STEPS = 32


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """
    Where the pixels of the first frame are found in another.

    Attributes
    ----------
    other_from_first : ndarray of shape (3, 3)
    likeness : float
        Mean over the cells of the frame of their correlation after alignment, of those that show more than
        noise; near 1 where only warming and noise differ.
    shift_px : float
        Root mean square displacement of the frame's corners.
    """

    other_from_first: FloatArray
    likeness: float
    shift_px: float


class Tracker:
    """
    One frame, prepared to find its pixels in others.

    Parameters
    ----------
    first : ndarray of float32, shape (rows, cols)
        NaN where a pixel does not count.
    noise_k : float, optional
        Of a pixel; default: measured in the first frame.
    beyond_similarity : tuple of float
        By what share of the width the frame's corners usually depart from a similarity; and as much of that as
        reduced pictures may show.
    block_px : int
        Of so many pixels a side the one with the largest gradient is taken.

    Notes
    -----
    Gauss-Newton on the four corners of the frame, coarse to fine, on the pixels that tell most. Gradients and
    design are those of the first frame, worked out once. In each cell an offset, and at full resolution a
    slope and a factor, are free: a part that warms changes those, not the motion. Pixels that differ in
    another way are refused by Tukey's biweight.

    References
    ----------
    .. [1] S. Baker, I. Matthews, Lucas-Kanade 20 years on, Int. J. Computer Vision 56 (2004) 221-255:
       the inverse compositional form (section 3.2), linear appearance variation (part 3 of the series).
    .. [2] F. Dellaert, R. Collins, Fast image-based tracking by selective pixel integration, ICCV Workshop on
       Frame-Rate Vision 1999.

    Examples
    --------
    >>> rows, cols = np.indices((60, 80), dtype=np.float32)
    >>> scene = lambda x: (np.sin(x / 4) * np.cos(rows / 5) + np.sin(x * rows / 300)).astype(np.float32)
    >>> drift = Tracker(scene(cols)).follow(scene(cols - 1.5))
    >>> bool(np.allclose(map_points(drift.other_from_first, [[40.0, 30.0]]), [[41.5, 30.0]], atol=0.05))
    True
    """

    def __init__(
        self,
        first: Float32,
        *,
        noise_k: float | None = None,
        beyond_similarity: tuple[float, float] = (BEYOND_SIMILARITY, COARSE_BEYOND_SIMILARITY),
        block_px: int = BLOCK_PX,
    ) -> None:
        self._freedom = beyond_similarity
        self._first = filled(first)
        rows, cols = first.shape
        self.box: FloatArray = np.array([[0.0, 0.0], [cols - 1.0, 0.0], [cols - 1.0, rows - 1.0], [0.0, rows - 1.0]])
        deepest = int(np.log2(max(min(first.shape) / LEAST_SIDE_PX, 1.0)))
        reductions = [2**k for k in range(min(deepest, int(np.log2(COARSEST))), -1, -1)]
        noise_k = measured_noise_k(self._first) if noise_k is None else noise_k
        self.levels = tuple(
            informative_pixels(self._first, reduction=each, noise_k=noise_k, block_px=block_px) for each in reductions
        )

    @cached_property
    def _stiffness(self) -> FloatArray:
        """What departs from a similarity by the frame's width costs, per squared pixel of a corner."""
        x, y = (self.box - self.box.mean(axis=0)).T
        zero, one = np.zeros(4), np.ones(4)
        free = [np.column_stack(pair).ravel() for pair in ((one, zero), (zero, one), (x, y), (-y, x))]
        basis, _ = np.linalg.qr(np.column_stack(free))
        stiff: FloatArray = (np.eye(8) - basis @ basis.T) / self.box[2, 0] ** 2
        return stiff

    def follow(self, other: Float32, *, start: FloatArray | None = None, near: bool = False) -> Drift:
        """
        The motion to another frame.

        Parameters
        ----------
        other : ndarray of float32, shape (rows, cols)
        start : ndarray of shape (3, 3), optional
            A motion that is right within some ten pixels.
        near : bool
            It is right within some pixels, as that of the frame before: the coarsest picture is not needed.
        """
        frame = filled(other)
        matrix = np.eye(3) if start is None else start
        corners = map_points(matrix, self.box)
        alike = 0.0
        for level in self.levels[1:] if near and len(self.levels) > 1 else self.levels:
            corners, alike = self._aligned(level, smoothed(frame, level.reduction), corners)
        drift = Drift(homography_from_corners(self.box, corners), alike, 0.0)
        return replace(drift, shift_px=self.apart_px(drift, self.at_rest))

    def likeness_at_rest(self, other: Float32) -> float:
        """As a drift's likeness, had the other frame not moved."""
        level = self.levels[-1]
        seen, good = _seen(level, smoothed(filled(other), level.reduction), np.eye(3), (1.0, 1.0))
        return _likeness(level, seen, good)

    @property
    def at_rest(self) -> Drift:
        """The first frame itself."""
        return Drift(np.eye(3), 1.0, 0.0)

    def apart_px(self, one: Drift, other: Drift) -> float:
        """Root mean square distance between where two motions put the frame's corners."""
        apart = map_points(one.other_from_first, self.box) - map_points(other.other_from_first, self.box)
        return float(np.sqrt((apart**2).sum(axis=1).mean()))

    def _aligned(self, level: InformativePixels, there: Float32, start: FloatArray) -> tuple[FloatArray, float]:
        """Gauss-Newton at one reduction; the corners, and the likeness there."""
        corners = start
        full = (self.box[2] + 1).tolist()
        scale = (full[0] / there.shape[1], full[1] / there.shape[0])
        fine = level.reduction == 1
        slack_px = SLACK_PX * level.reduction
        steepness: Float32 = np.hypot(*level.slopes)
        end = STEP_END_PX if fine else COARSE_STEP_END_PX * level.reduction
        stiffness = self._stiffness / self._freedom[0 if fine else 1] ** 2
        told = level.told.copy()
        for _ in range(STEPS):
            matrix = homography_from_corners(self.box, corners)
            seen, good = _seen(level, there, matrix, scale)
            if good.mean() < LEAST_COMMON:
                return start, 0.0
            rest = (seen - level.values) * good
            left = _without_nuisance(level, rest)
            spread = MAD_TO_SIGMA * float(np.median(np.abs(left[good]))) + 1e-6
            weights = _weights(left, np.float32(TUKEY * spread) + np.float32(slack_px) * steepness) * good
            slack_px = max(slack_px / 2, LEAST_SLACK_PX) if fine else slack_px
            told[:, 8] = left.ravel()
            normal = ((told * weights.reshape(-1, 1)).T @ told).astype(np.float64) / (PIXELS_AS_ONE * spread**2)
            stiff = normal[:8, :8] + stiffness + np.eye(8) * (1e-6 + 1e-9 * np.trace(normal))
            step = -np.linalg.solve(stiff, normal[:8, 8] + stiffness @ (corners - self.box).ravel())
            # The step was found on the first frame, so it comes before the motion so far.
            corners = map_points(matrix, self.box + step.reshape(4, 2))
            if np.abs(step).max() < end:
                break
        if not np.isfinite(corners).all():
            return start, 0.0
        if not fine:
            return corners, 0.0
        seen, good = _seen(level, there, homography_from_corners(self.box, corners), scale)
        return corners, _likeness(level, seen, good)


def _seen(
    level: InformativePixels, there: Float32, matrix: FloatArray, scale: tuple[float, float]
) -> tuple[Float32, NDArray[np.bool_]]:
    """
    The other frame's values where the pixels should be, and which lie in it; each of shape (c, n).

    Linear interpolation between pixels a fraction f apart adds f (1 - f) / 2 of the curvature, which is taken
    off. (The cubic kernel of `remap` does not give a slope back: it displaces it by up to 0.04 pixels.)
    """
    shape = level.values.shape
    u, v, depth = matrix.astype(np.float32) @ level.rays
    inside = np.ones(shape, bool)
    places, corrections = [], []
    for along, size, ratio, slope, bend in zip(
        (u, v), there.shape[::-1], scale, level.slopes, level.bends, strict=True
    ):
        at = ((along / depth + np.float32(0.5)) / np.float32(ratio) - np.float32(0.5)).reshape(shape)
        stepped = np.rint(at * REMAP_STEPS) / np.float32(REMAP_STEPS)
        part = stepped - np.floor(stepped)
        places.append(stepped)
        corrections.append(slope * ((at - stepped) * np.float32(ratio)) - bend * (part * (1 - part) * np.float32(0.5)))
        inside &= (at >= BORDER_PX) & (at <= size - 1 - BORDER_PX)
    values = cv2.remap(there, places[0], places[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return values + corrections[0] + corrections[1], inside


def _without_nuisance(level: InformativePixels, rest: Float32) -> Float32:
    """Differences less what may differ without any motion; shape (c, n)."""
    held = level.nuisance @ rest[..., None]
    result: Float32 = rest - (np.swapaxes(held, 1, 2) @ level.nuisance)[:, 0] / np.float32(rest.shape[1])
    return result


def _weights(left: Float32, allowed: Float32) -> Float32:
    """Tukey's biweight."""
    ratio = left / allowed
    root: Float32 = np.maximum(1 - ratio * ratio, 0)
    return root * root


def _likeness(level: InformativePixels, seen: Float32, good: NDArray[np.bool_]) -> float:
    """Mean correlation of the cells that show more than noise; a cell that is out of the frame does not count."""
    counted = level.contrasty & (good.mean(axis=1) > 0.7)
    if not counted.any():
        return 0.0
    share = good[counted] / good[counted].sum(axis=1, keepdims=True)
    one, two = (each[counted] - (share * each[counted]).sum(axis=1, keepdims=True) for each in (level.values, seen))
    size = np.sqrt((share * one**2).sum(axis=1) * (share * two**2).sum(axis=1))
    return float(np.clip((share * one * two).sum(axis=1) / np.maximum(size, 1e-9), 0, None).mean())
