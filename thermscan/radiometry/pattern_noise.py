"""A camera's noise and fixed pattern, from a recording of a flat scene."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import median_filter

from thermscan.errors import InputError
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.robust import MAD_TO_SIGMA
from thermscan.scales import read_only

# Fewer frames tell a pixel's own spread too badly to call it stuck or flickering.
LEAST_FRAMES = 8
# Of a few hundred thousand good pixels, none strays this far by chance (normal law: 6 in 10^10 for 6.2).
_STRAY_DEVIATIONS = 6.2
# A pixel this much noisier than the usual one flickers: with 8 frames a good one exceeds 3 times by less than 1e-9.
_FLICKER_FACTOR = 3.0
_CLEARLY = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class PatternNoise:
    """
    What a recording of a flat scene shows; standard deviations, in kelvin where the recording is in kelvin.

    Attributes
    ----------
    frames : int
    pixel : float
        Noise of one pixel from frame to frame: what is called NETD where the scene is near 30 C.
    row, column : float
        Noise that whole rows or columns share, from frame to frame.
    frame : float
        Of the whole frame's mean, from frame to frame; drift is taken out as a straight line.
    drift_per_minute : float or None
        Of the whole frame's mean; None where the recording has no times.
    fixed_row, fixed_column, fixed_pixel : float
        Pattern that stays, after the smooth shading is taken out.
    shading : float
        Largest less smallest value of that shading, a quadratic surface.
    shading_change : float
        Of that surface, from frame to frame.
    shared : float
        The part of a pixel's noise that its neighbours share: the mean over a part does not average it away.
    dead : ndarray of bool, shape (rows, cols)
        Pixels with no value, stuck, flickering, or far from their neighbours.
    """

    frames: int
    pixel: float
    row: float
    column: float
    frame: float
    drift_per_minute: float | None
    fixed_row: float
    fixed_column: float
    fixed_pixel: float
    shading: float
    shading_change: float
    shared: float
    dead: NDArray[np.bool_]

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "dead", read_only(self.dead, np.bool_))


def measure_pattern_noise(recording: ArrayLike, *, times_s: ArrayLike | None = None) -> PatternNoise:
    """
    Split the scatter of a flat scene's recording into its kinds.

    Parameters
    ----------
    recording : array_like of shape (frames, rows, cols)
        Of a flat, still scene of even temperature. NaN where a pixel has no value.
    times_s : array_like of shape (frames,), optional

    Returns
    -------
    PatternNoise

    Raises
    ------
    InputError
        Fewer than 8 frames, frames smaller than 8 x 8, or all of them alike.

    Notes
    -----
    The frames' rows and columns are averaged in turn, and of each average's variance that part is taken off which the
    noise of the single pixels leaves in it.

    References
    ----------
    .. [1] J. A. D'Agostino, C. M. Webb, Proc. SPIE 1488 (1991) 110-121: noise in three dimensions.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> found = measure_pattern_noise(30.0 + rng.normal(0.0, 0.05, (20, 60, 80)))
    >>> round(found.pixel, 3), int(found.dead.sum())
    (0.05, 0)
    """
    cube = np.array(recording, dtype=np.float64)
    if cube.ndim != 3 or cube.shape[0] < LEAST_FRAMES or min(cube.shape[1:]) < 8:
        raise InputError(
            f"a recording of shape {cube.shape} is too small",
            where="recording",
            fix=f"record {LEAST_FRAMES} frames or more of a flat scene",
        )
    dead = _dead_pixels(cube)
    if dead.mean() > 0.5:
        raise InputError(
            "most pixels are stuck or have no value", where="recording", fix="record again, without freezing the image"
        )
    still = cube.mean(axis=0)
    cube[:, dead], still[dead] = np.nan, np.nan
    n, rows, cols = cube.shape
    frame_means = np.nanmean(cube, axis=(1, 2))
    drift, per_minute = _drift(frame_means, times_s)
    moving = cube - still - (frame_means - frame_means.mean())[:, None, None]
    change, moving = _shading_change(moving)
    row_means, column_means = np.nanmean(moving, axis=2), np.nanmean(moving, axis=1)
    single = moving - row_means[:, :, None] - column_means[:, None, :]
    # Taking off the means of frames, rows and columns leaves this share of the pixels' variance.
    left = (n - 1) / n * (rows - 1) / rows * (cols - 1) / cols
    pixel_variance = float(np.nanmean(single**2)) / left
    shading, pattern = _shading(still)
    fixed_rows, fixed_columns = np.nanmean(pattern, axis=1), np.nanmean(pattern, axis=0)
    fixed_single = pattern - fixed_rows[:, None] - fixed_columns[None, :]
    fixed_pixel_variance = float(np.nanvar(fixed_single))
    return PatternNoise(
        frames=n,
        pixel=pixel_variance**0.5,
        row=_less(np.mean(row_means**2) * n / (n - 1), pixel_variance / cols),
        column=_less(np.mean(column_means**2) * n / (n - 1), pixel_variance / rows),
        frame=_less(np.sum(drift**2) / (n - 2), pixel_variance / (rows * cols)),
        drift_per_minute=per_minute,
        fixed_row=_less(np.nanvar(fixed_rows), fixed_pixel_variance / cols),
        fixed_column=_less(np.nanvar(fixed_columns), fixed_pixel_variance / rows),
        fixed_pixel=_less(fixed_pixel_variance, pixel_variance / n),
        shading=float(np.ptp(shading)),
        shading_change=change,
        shared=_shared(single, pixel_variance),
        dead=dead,
    )


def _dead_pixels(cube: NDArray[np.float64]) -> NDArray[np.bool_]:
    missing = np.isnan(cube).any(axis=0)
    cube = np.where(missing, 0.0, cube)
    common = np.median(cube[:, ~missing], axis=1) if not missing.all() else np.zeros(len(cube))
    spread = np.std(cube - common[:, None, None], axis=0)
    usual = float(np.median(spread[~missing])) if not missing.all() else 0.0
    stuck = np.ptp(cube, axis=0) == 0
    if usual == 0:
        frozen: NDArray[np.bool_] = missing | stuck
        return frozen
    flickering = spread > _FLICKER_FACTOR * usual
    still = cube.mean(axis=0)
    still[missing] = np.median(still[~missing])
    beside = still - median_filter(still, size=5, mode="nearest")
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(beside[~missing])))
    straying = np.abs(beside) > _STRAY_DEVIATIONS * max(sigma, usual / np.sqrt(len(cube)))
    dead: NDArray[np.bool_] = missing | stuck | flickering | straying
    return dead


def _drift(frame_means: NDArray[np.float64], times_s: ArrayLike | None) -> tuple[NDArray[np.float64], float | None]:
    """What a straight line leaves of the frames' means, and the line's slope in a minute."""
    known = times_s is not None
    times = np.asarray(times_s if known else np.arange(frame_means.size), dtype=np.float64)
    if np.ptp(times) == 0:
        known, times = False, np.arange(frame_means.size, dtype=np.float64)
    slope, start = np.polyfit(times - times.mean(), frame_means, 1)
    return frame_means - start - slope * (times - times.mean()), float(slope) * 60.0 if known else None


def _shading(still: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The quadratic surface through a frame, and what it leaves; the fit passes over pixels without a value."""
    terms = _quadratic(*still.shape)
    good = np.isfinite(still)
    weights, *_ = np.linalg.lstsq(terms[good], still[good], rcond=None)
    surface: NDArray[np.float64] = terms @ weights
    return surface, still - surface


def _quadratic(rows: int, cols: int) -> NDArray[np.float64]:
    """The six terms of a quadratic surface; shape (rows, cols, 6)."""
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, cols), indexing="ij")
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _shading_change(moving: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    """Standard deviation of the frames' own quadratic surfaces, and the frames without them."""
    n, rows, cols = moving.shape
    terms = _quadratic(rows, cols).reshape(rows * cols, -1)
    flat = moving.reshape(n, -1).T
    good = np.isfinite(flat).all(axis=1)
    weights = np.linalg.lstsq(terms[good], flat[good], rcond=None)[0]
    # What white noise leaves in the surfaces is taken off: its variance times the terms, over the pixels.
    surfaces = terms @ weights
    noise = float(np.mean((flat[good] - surfaces[good]) ** 2)) * terms.shape[1] / good.sum()
    return _less(np.mean(surfaces**2) * n / (n - 1), noise), moving - surfaces.T.reshape(moving.shape)


def _shared(single: NDArray[np.float64], variance: float) -> float:
    """Noise that falls off over some pixels: its covariance at one and two pixels, drawn back to none."""
    n, rows, cols = single.shape

    def at(lag: int) -> float:
        along = np.nanmean(single[:, :, :-lag] * single[:, :, lag:])
        across = np.nanmean(single[:, :-lag] * single[:, lag:])
        return float(along + across) / 2

    one, two = at(1), at(2)
    # Of white noise the covariance scatters by its variance over the root of the pairs; four times that is seen.
    if one <= _CLEARLY * variance / np.sqrt(2 * n * rows * cols) or two <= 0:
        return 0.0
    return float(np.sqrt(min(max(one * one / two, one), variance)))


def _less(variance: np.floating[Any] | float, of_noise: float) -> float:
    """Standard deviation once the noise's share of the variance is taken off; 0 where nothing is left."""
    return float(np.sqrt(max(float(variance) - of_noise, 0.0)))
