"""How sharp the frame is, read from the board's own edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from thermscan.coordinates import pixel_centres
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.inner_body import PIXEL_VARIANCE_PX2
from thermscan.registration.registration import Registration
from thermscan.robust import robust_sd

# Pixels this far from an edge still belong to its profile; nearer than that other things begin.
REACH_PX = 4.0
# One stretch of edge: long enough to average noise, short enough that its contrast is one figure.
STRETCH_PX = 14.0
# A step below this many times the noise tells its place but not its width.
LEAST_STEP_PER_NOISE = 15.0
# Corners round off and see two edges at once.
CORNER_GAP_PX = 5.0
LEAST_STRETCHES = 5
# No focused camera is sharper than its pixels allow, and past the upper bound the frame is out of focus.
BLUR_RANGE_PX = (0.2, 3.0)
# An edge lies where the board's place puts it, within this.
PLACE_RANGE_PX = 2.0
# Of the fit: it ends where a step gains less than this share of the squares.
MOST_STEPS, LEAST_GAIN = 40, 1e-8
# A profile that is no step leaves more than this many times the noise unexplained.
WORST_MISFIT_PER_NOISE = 3.0


@dataclass(frozen=True, slots=True)
class Blur:
    """Standard deviation of the point spread, without the pixel's own area, and its standard uncertainty."""

    blur_px: float
    u_px: float
    stretches: int


def estimate_blur(image: ThermalImage, registration: Registration, board: Board) -> Blur | None:
    """
    The optics' blur from the step between board and bench; None where no edge is clear enough.

    Pixels along a straight edge lie at all fractions of a pixel from it, so that their readings against
    that distance trace the step finer than the pixels are (slanted-edge method).

    Parameters
    ----------
    image : ThermalImage
    registration : Registration
    board : Board

    Returns
    -------
    Blur or None

    References
    ----------
    .. [1] ISO 12233, Digital cameras - Resolution and spatial frequency responses (slanted-edge method);
       here with a Gaussian spread in place of a Fourier transform.
    """
    corners_px = registration.px(board.outline_mm)
    widths = []
    for start, end in zip(corners_px, np.roll(corners_px, -1, axis=0), strict=True):
        widths += _widths_along(image, start, end)
    if len(widths) < LEAST_STRETCHES:
        return None
    spread = np.sqrt(np.maximum(np.square(widths) - PIXEL_VARIANCE_PX2, BLUR_RANGE_PX[0] ** 2))
    middle = float(np.median(spread))
    scatter = robust_sd(spread, centre=middle)
    # The median's efficiency is 64 % of the mean's for normal scatter.
    return Blur(middle, 1.25 * scatter / np.sqrt(len(spread)), len(spread))


def _widths_along(image: ThermalImage, start: NDArray[np.float64], end: NDArray[np.float64]) -> list[float]:
    """Widths of the step on each clear stretch of one straight edge."""
    length = float(np.linalg.norm(end - start))
    if length < 2 * CORNER_GAP_PX + STRETCH_PX:
        return []
    along = (end - start) / length
    across = np.array([-along[1], along[0]])
    # Only the pixels of the box about the edge, not all of the frame.
    low, high = (np.array([start, end]).min(axis=0) - REACH_PX, np.array([start, end]).max(axis=0) + REACH_PX)
    cols, rows = (
        slice(max(int(np.floor(first)), 0), min(int(np.ceil(last)) + 1, size))
        for first, last, size in zip(low, high, image.shape[::-1], strict=True)
    )
    box = image.apparent_c[rows, cols]
    places = pixel_centres(box.shape) - (start - np.array([cols.start, rows.start]))
    position, distance = places @ along, places @ across
    near = np.abs(distance) <= REACH_PX
    position, distance, values = position[near], distance[near], box.ravel()[near]
    known = np.isfinite(values)
    edges = np.arange(CORNER_GAP_PX, length - CORNER_GAP_PX - STRETCH_PX + 1e-9, STRETCH_PX)
    found = []
    for first in edges:
        here = known & (position >= first) & (position < first + STRETCH_PX)
        width = _step_width(distance[here], values[here], image.noise_k)
        if width is not None:
            found.append(width)
    return found


def _step_width(distance: NDArray[np.float64], values: NDArray[np.float64], noise_k: float) -> float | None:
    """Standard deviation of a Gaussian-blurred step with a slope on its warm side, or None where there is none."""
    least_pixels = 30
    if len(values) < least_pixels:
        return None
    inner, outer = values[distance > 1.0], values[distance < -1.0]
    if min(len(inner), len(outer)) < least_pixels // 4:
        return None
    step_k = float(np.median(inner) - np.median(outer))
    if abs(step_k) < LEAST_STEP_PER_NOISE * noise_k:
        return None

    lowest = float(np.sqrt(BLUR_RANGE_PX[0] ** 2 + PIXEL_VARIANCE_PX2))
    bounds = np.array([[-PLACE_RANGE_PX, lowest, *[-np.inf] * 3], [PLACE_RANGE_PX, BLUR_RANGE_PX[1], *[np.inf] * 3]])
    found, left_over = _fit_step(distance, values, np.array([0.0, 0.7, np.median(outer), step_k, 0.0]), bounds)
    tolerated = WORST_MISFIT_PER_NOISE * noise_k + 0.02 * abs(step_k)
    on_bound = found[1] >= 0.99 * BLUR_RANGE_PX[1] or abs(found[0]) > 0.95 * PLACE_RANGE_PX
    return None if on_bound or left_over > tolerated else float(found[1])


def _fit_step(
    distance: NDArray[np.float64], values: NDArray[np.float64], start: NDArray[np.float64], bounds: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """
    Place, width, cold side, step and slope of a blurred step by least squares; and the root mean square left over.

    Levenberg's and Marquardt's method with the exact derivatives, steps cut at the bounds.
    """

    def left(p: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        z = (distance - p[0]) / p[1]
        share, density = ndtr(z), np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
        warm = p[3] + p[4] * (distance - p[0])
        by_place = -density / p[1] * warm - share * p[4]
        jacobian = np.column_stack(
            [by_place, -density * z / p[1] * warm, np.ones_like(z), share, share * (distance - p[0])]
        )
        return values - p[2] - share * warm, jacobian

    found, damping = start, 1e-3
    residual, jacobian = left(found)
    for _ in range(MOST_STEPS):
        normal = jacobian.T @ jacobian
        normal[np.diag_indices(len(found))] *= 1.0 + damping
        tried = np.clip(found + np.linalg.lstsq(normal, jacobian.T @ residual, rcond=None)[0], *bounds)
        again, derivatives = left(tried)
        gain = float(residual @ residual - again @ again)
        if gain < 0:
            damping *= 10.0
            continue
        small = gain <= LEAST_GAIN * float(residual @ residual)
        found, residual, jacobian, damping = tried, again, derivatives, damping / 10.0
        if small:
            break
    return found, float(np.sqrt(np.mean(residual**2)))
