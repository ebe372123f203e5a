"""What the methods of this room need of a frame, prepared once."""

from __future__ import annotations

import warnings

import cv2
import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import map_points
from thermscan.frozen import dataclass
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.robust import MAD_TO_SIGMA, robust_sd
from thermscan.smoothing import gaussian

# The blur that is assumed where none is stated: a pixel's own width as a standard deviation.
PIXEL_BLUR_PX = 0.29
LEAST_BLUR_PX = 0.5
# Of the second difference 1 -2 1 by 1 -2 1 applied to white noise.
NOISE_GAIN = 6.0
LEAST_NOISE_K = 1e-3
# Stripes are told from so much of the frame at either end, against the rows within so much of it; none is larger than
# so many robust standard deviations of them all.
STRIPE_MARGIN, STRIPE_ROWS, STRIPE_MOST = 0.1, 1 / 8, 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """
    One view, at one scale.

    Attributes
    ----------
    apparent : ndarray of float32, shape (rows, cols)
        Degrees Celsius; NaN where a pixel does not count.
    noise_k : float
        Standard deviation of a pixel's noise, from the frame itself.
    blur_px : float
    scale : float
        Pixels of this evidence per pixel of the frame.
    fov_deg : float or None
        Horizontal field of view, where the camera states it.
    """

    apparent: NDArray[np.float32]
    noise_k: float
    blur_px: float
    scale: float = 1.0
    fov_deg: float | None = None

    def from_frame(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the frame in the pixels of this evidence."""
        return map_points(self._matrix(), points_px)

    def to_frame(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """And back."""
        return map_points(np.linalg.inv(self._matrix()), points_px)

    def _matrix(self) -> NDArray[np.float64]:
        shift = (self.scale - 1) / 2
        return np.array([[self.scale, 0, shift], [0, self.scale, shift], [0, 0, 1]])


def prepare(image: ThermalImage, *, fov_deg: float | None = None) -> Evidence:
    """The frame as evidence, at its own scale."""
    apparent = without_stripes(image.apparent_c.astype(np.float32))
    return Evidence(apparent, measured_noise_k(apparent), max(image.blur_px, LEAST_BLUR_PX), fov_deg=fov_deg)


def without_stripes(apparent: NDArray[np.float32]) -> NDArray[np.float32]:
    """
    The frame without what its sensor adds to whole rows and columns: else each stripe is a straight edge.

    Notes
    -----
    A stripe goes on across the frame, a board hardly ever does: a row's own part is what the margins at its two ends
    both show, the smaller of the two where they differ, and nothing where their signs do. Edges of the board that lie
    in one margin stay.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(20, 0.05, (120, 160)).astype(np.float32)
    >>> striped = noise + np.random.default_rng(2).normal(0, 0.3, (120, 1)).astype(np.float32)
    >>> bool(np.std(without_stripes(striped).mean(axis=1)) < 0.2 * np.std(striped.mean(axis=1)))
    True
    """
    result = apparent
    for across in (False, True):
        turned = result.T if across else result
        width = max(int(turned.shape[1] * STRIPE_MARGIN), 4)
        with np.errstate(invalid="ignore"), warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # a row of bad pixels has no median
            left, right = (_own_part(np.nanmedian(part, axis=1)) for part in (turned[:, :width], turned[:, -width:]))
        own = np.where(left * right > 0, np.sign(left) * np.minimum(np.abs(left), np.abs(right)), 0.0)
        cleaned = turned - own[:, None].astype(np.float32)
        result = cleaned.T if across else cleaned
    return np.ascontiguousarray(result)


def _own_part(profile: NDArray[np.float32]) -> NDArray[np.float32]:
    """What each row differs by from those around it; no more than stripes differ, so that an object stays."""
    known = np.nan_to_num(profile, nan=float(np.nanmedian(profile)) if np.isfinite(profile).any() else 0.0)
    around = gaussian(np.column_stack([known]), len(known) * STRIPE_ROWS)[:, 0].astype(np.float32)
    own = known - around
    most = STRIPE_MOST * robust_sd(own)
    result: NDArray[np.float32] = np.clip(own, -most, most)
    return result


def reduced(evidence: Evidence, longest_px: int) -> Evidence:
    """The same with whole pixels averaged, so that the longer side has at most ``longest_px``."""
    factor = int(np.ceil(max(evidence.apparent.shape) / longest_px))
    if factor <= 1:
        return evidence
    rows, cols = (size // factor for size in evidence.apparent.shape)
    blocks = evidence.apparent[: rows * factor, : cols * factor].reshape(rows, factor, cols, factor)
    mean = blocks.mean(axis=(1, 3))  # one bad pixel makes its block bad: there are plenty
    blur = float(np.hypot(evidence.blur_px / factor, PIXEL_BLUR_PX))
    scale = evidence.scale / factor
    return Evidence(mean, measured_noise_k(mean), max(blur, LEAST_BLUR_PX), scale, evidence.fov_deg)


def measured_noise_k(apparent: NDArray[np.float32]) -> float:
    """
    Noise of a pixel from the frame's own finest detail, robust to the picture in it.

    References
    ----------
    .. [1] J. Immerkaer, Fast noise variance estimation, Computer Vision and Image Understanding 64
       (1996) 300-302; here with the median in place of the mean.

    Examples
    --------
    >>> frame = np.random.default_rng(1).normal(20, 0.05, (120, 160)).astype(np.float32)
    >>> abs(measured_noise_k(frame) - 0.05) < 0.003
    True
    """
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    detail = cv2.filter2D(apparent, cv2.CV_32F, kernel)[1:-1, 1:-1]
    finite = np.abs(detail[np.isfinite(detail)])
    return max(float(MAD_TO_SIGMA * np.median(finite)) / NOISE_GAIN, LEAST_NOISE_K) if finite.size else LEAST_NOISE_K


def filled(apparent: NDArray[np.float32]) -> NDArray[np.float32]:
    """Bad pixels replaced by the mean around them, for methods that cannot do without a value."""
    bad = ~np.isfinite(apparent)
    if not bad.any():
        return apparent
    known = np.where(bad, 0, apparent).astype(np.float32)
    result = apparent.copy()
    reach = 1.5
    while bad.any():
        weight = cv2.GaussianBlur((~np.isnan(result)).astype(np.float32), (0, 0), reach)
        mean = cv2.GaussianBlur(known, (0, 0), reach) / np.maximum(weight, 1e-12)
        fill = bad & (weight > 1e-3)
        result[fill] = mean[fill]
        known = np.nan_to_num(result)
        bad = ~np.isfinite(result)
        reach *= 2
        if reach > 4 * max(apparent.shape):
            return np.nan_to_num(result)
    return result
