"""How noisy a frame is, and in what steps its values come."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.robust import robust_sd

# Fewer differences than this give no trustworthy spread.
_MIN_SAMPLES = 30


def spatial_noise(values: ArrayLike) -> float | None:
    """
    Standard deviation of a pixel's noise, from one frame.

    A mask that is blind to planes and to straight edges along rows or columns leaves the noise; the median of
    its absolute values is blind to the few pixels with detail.

    Parameters
    ----------
    values : array_like of shape (rows, cols)
        Any unit; NaN pixels and their neighbours do not count.

    Returns
    -------
    float or None
        In the values' unit. None where fewer than 30 pixels have all their neighbours.

    Notes
    -----
    Noise that the camera has already smoothed comes out too small, and so does noise below the values' steps.

    References
    ----------
    .. [1] J. Immerkaer, "Fast noise variance estimation", Computer Vision and Image Understanding 64 (1996)
       300-302: the mask [[1, -2, 1], [-2, 4, -2], [1, -2, 1]], whose norm is 6.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> 0.045 < spatial_noise(22.0 + 0.05 * rng.standard_normal((60, 80))) < 0.055
    True
    """
    array = np.asarray(values, dtype=np.float64)
    if min(array.shape) < 3:
        return None
    lines = array[:-2] - 2.0 * array[1:-1] + array[2:]
    masked = (lines[:, :-2] - 2.0 * lines[:, 1:-1] + lines[:, 2:]) / 6.0
    return _robust_std(masked)


def temporal_noise(pages: Sequence[NDArray[np.float64]]) -> float | None:
    """
    Standard deviation of a pixel's noise, from the differences between frames that follow one another.

    Parameters
    ----------
    pages : sequence of ndarray of shape (rows, cols)
        Of one scene, which may warm smoothly and move by some tenths of a pixel, as in a hand.

    Returns
    -------
    float or None
        Median over the pairs, frozen (identical) pairs left out; None where no pair is left.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> 0.045 < temporal_noise([22.0 + 0.05 * rng.standard_normal((60, 80)) for _ in range(4)]) < 0.055
    True
    """
    spreads = []
    for earlier, later in pairwise(pages):
        difference = later - earlier
        if not np.any(difference[np.isfinite(difference)]):
            continue
        # The mask of spatial_noise takes out what neighbours share: warming, drift, the shutter's steps.
        spread = spatial_noise(difference)
        if spread is not None:
            spreads.append(spread / np.sqrt(2.0))
    return float(np.median(spreads)) if spreads else None


def _robust_std(sample: NDArray[np.float64]) -> float | None:
    finite = sample[np.isfinite(sample)]
    if finite.size < _MIN_SAMPLES:
        return None
    return robust_sd(finite)
