"""Stripes: offsets that a camera's readout gives whole columns or rows."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.frames.noise import spatial_noise
from thermscan.frozen import dataclass
from thermscan.robust import robust_sd

# Variance of x0 - (x-1 + x+1) / 2 over that of x, for independent x.
_MIDDLE_LESS_SIDES = 1.5
# Standard error of a median over that of a mean, for normal data: sqrt(pi / 2).
_MEDIAN_ERROR = 1.2533141373155003
# The profile must scatter this much beyond what the noise alone gives it, or the stripes are called none.
_CLEAR_OF_NOISE = 1.5
_MIN_LINES = 12


@dataclass(frozen=True, slots=True)
class Stripes:
    """Standard deviations of the columns' and the rows' own offsets; 0 where none shows, None if it cannot be told."""

    columns: float | None
    rows: float | None


def find_stripes(values: ArrayLike, *, noise: float | None = None) -> Stripes:
    """
    Size of a frame's column and row pattern.

    Parameters
    ----------
    values : array_like of shape (rows, cols)
        Any unit. NaN pixels do not count.
    noise : float, optional
        Of a pixel, where it is known already; see `thermscan.frames.noise.spatial_noise`.

    Returns
    -------
    Stripes
        In the values' unit.

    Notes
    -----
    Each column is compared with the mean of its two neighbours, by the median over all rows, which a board's detail
    does not reach unless it runs along more than half of the column; the scatter of these medians over the
    columns is robust against the few that do run along an edge.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> field = 22.0 + 0.05 * rng.standard_normal((120, 160))
    >>> find_stripes(field)
    Stripes(columns=0.0, rows=0.0)
    >>> found = find_stripes(field + 0.2 * rng.standard_normal(160))
    >>> 0.15 < found.columns < 0.25, found.rows
    (True, 0.0)
    """
    array = np.asarray(values, dtype=np.float64)
    noise = spatial_noise(array) if noise is None else noise
    if noise is None:
        return Stripes(None, None)
    return Stripes(_column_pattern(array, noise), _column_pattern(array.T, noise))


def line_profile(values: ArrayLike, *, fewest: int = 1) -> NDArray[np.float64]:
    """
    Each column against the mean of its two neighbours, by the median over the rows.

    Parameters
    ----------
    values : array_like of shape (rows, cols)
    fewest : int
        With fewer usable rows a column has no value.

    Returns
    -------
    ndarray of shape (cols - 2,)
        NaN where there is none.

    Examples
    --------
    >>> line_profile([[1.0, 4.0, 1.0, 1.0], [2.0, 5.0, 2.0, 2.0]]).tolist()
    [3.0, -1.5]
    """
    array = np.asarray(values, dtype=np.float64)
    against = array[:, 1:-1] - (array[:, :-2] + array[:, 2:]) / 2.0
    if len(against) >= fewest and np.isfinite(against).all():  # much quicker than the median that passes NaN over
        return np.asarray(np.median(against, axis=0))
    usable = np.isfinite(against).sum(axis=0) >= fewest
    profile = np.full(against.shape[1], np.nan)
    profile[usable] = np.nanmedian(against[:, usable], axis=0)
    return profile


def _column_pattern(array: NDArray[np.float64], noise: float) -> float | None:
    rows, cols = array.shape
    if rows < _MIN_LINES or cols < _MIN_LINES:
        return None
    profile = line_profile(array, fewest=_MIN_LINES)
    profile = profile[np.isfinite(profile)]
    if profile.size < _MIN_LINES:
        return None
    scatter = robust_sd(profile)
    by_noise = noise * np.sqrt(_MIDDLE_LESS_SIDES / rows) * _MEDIAN_ERROR
    if scatter <= _CLEAR_OF_NOISE * by_noise:
        return 0.0
    return float(np.sqrt((scatter**2 - by_noise**2) / _MIDDLE_LESS_SIDES))
