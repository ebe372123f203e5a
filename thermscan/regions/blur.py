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
    steps = [
        step
        for start, end in zip(corners_px, np.roll(corners_px, -1, axis=0), strict=True)
        for step in _steps_along(image, start, end)
    ]
    widths = _widths(steps, image.noise_k) if steps else []
    if len(widths) < LEAST_STRETCHES:
        return None
    spread = np.sqrt(np.maximum(np.square(widths) - PIXEL_VARIANCE_PX2, BLUR_RANGE_PX[0] ** 2))
    middle = float(np.median(spread))
    scatter = robust_sd(spread, centre=middle)
    # The median's efficiency is 64 % of the mean's for normal scatter.
    return Blur(middle, 1.25 * scatter / np.sqrt(len(spread)), len(spread))


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    """The pixels about a clear stretch of edge: how far within it each lies, what it shows; outside, and the step."""

    distance_px: NDArray[np.float64]
    values_c: NDArray[np.float64]
    outer_c: float
    step_k: float


def _steps_along(image: ThermalImage, start: NDArray[np.float64], end: NDArray[np.float64]) -> list[_Step]:
    """Each clear stretch of one straight edge."""
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
        step = _clear_step(distance[here], values[here], image.noise_k)
        if step is not None:
            found.append(step)
    return found


def _clear_step(distance: NDArray[np.float64], values: NDArray[np.float64], noise_k: float) -> _Step | None:
    least_pixels = 30
    if len(values) < least_pixels:
        return None
    inner, outer = values[distance > 1.0], values[distance < -1.0]
    if min(len(inner), len(outer)) < least_pixels // 4:
        return None
    outer_c = float(np.median(outer))
    step_k = float(np.median(inner) - outer_c)
    return _Step(distance, values, outer_c, step_k) if abs(step_k) >= LEAST_STEP_PER_NOISE * noise_k else None


def _widths(steps: list[_Step], noise_k: float) -> list[float]:
    """Standard deviations of Gaussian-blurred steps with a slope on their warm side; what is no step is left out."""
    size = max(len(step.values_c) for step in steps)
    distance, values, counts = np.zeros((3, len(steps), size))
    for number, step in enumerate(steps):
        here = slice(len(step.values_c))
        distance[number, here], values[number, here], counts[number, here] = step.distance_px, step.values_c, 1.0
    step_k, outer_c = (np.array([getattr(step, name) for step in steps]) for name in ("step_k", "outer_c"))
    zero = np.zeros(len(steps))
    start = np.column_stack([zero, zero + 0.7, outer_c, step_k, zero])
    lowest = float(np.sqrt(BLUR_RANGE_PX[0] ** 2 + PIXEL_VARIANCE_PX2))
    bounds = np.array([[-PLACE_RANGE_PX, lowest, *[-np.inf] * 3], [PLACE_RANGE_PX, BLUR_RANGE_PX[1], *[np.inf] * 3]])
    found, left_over = _fit_steps(distance, values, counts, start, bounds)
    tolerated = WORST_MISFIT_PER_NOISE * noise_k + 0.02 * np.abs(step_k)
    on_bound = (found[:, 1] >= 0.99 * BLUR_RANGE_PX[1]) | (np.abs(found[:, 0]) > 0.95 * PLACE_RANGE_PX)
    widths: list[float] = found[~on_bound & (left_over <= tolerated), 1].tolist()
    return widths


def _fit_steps(
    distance: NDArray[np.float64],
    values: NDArray[np.float64],
    counts: NDArray[np.float64],
    start: NDArray[np.float64],
    bounds: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Place, width, cold side, step and slope of each blurred step by least squares; and the root mean square left over.

    Levenberg's and Marquardt's method with the exact derivatives, steps cut at the bounds; all steps at once. Of the
    first three, shape (steps, pixels), only what ``counts`` does.
    """

    def left(p: NDArray[np.float64], at: NDArray[np.intp]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        place, width, cold, step, slope = p.T[:, :, None]
        inwards, on = distance[at] - place, counts[at]
        z = inwards / width
        share, density = ndtr(z) * on, np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) * on
        warm = step + slope * inwards
        by_place = -density / width * warm - share * slope
        jacobian = np.stack([by_place, -density * z / width * warm, on, share, share * inwards], axis=-1)
        return on * (values[at] - cold) - share * warm, jacobian

    found, damping = start.copy(), np.full(len(start), 1e-3)
    going = np.arange(len(start))
    residual, jacobian = left(found, going)
    for _ in range(MOST_STEPS):
        if not len(going):
            break
        turned, before = jacobian[going].swapaxes(1, 2), residual[going]
        normal = turned @ jacobian[going]
        normal[:, np.arange(5), np.arange(5)] *= 1.0 + damping[going, None]
        change = np.linalg.pinv(normal, rcond=5 * np.finfo(float).eps, hermitian=True) @ (turned @ before[..., None])
        tried = np.clip(found[going] + change[..., 0], *bounds)
        again, derivatives = left(tried, going)
        squares = (before**2).sum(axis=1)
        gain = squares - (again**2).sum(axis=1)
        better = gain >= 0
        at = going[better]
        found[at], residual[at], jacobian[at] = tried[better], again[better], derivatives[better]
        damping[going] *= np.where(better, 0.1, 10.0)
        going = going[~better | (gain > LEAST_GAIN * squares)]
    return found, np.sqrt((residual**2).sum(axis=1) / counts.sum(axis=1))
