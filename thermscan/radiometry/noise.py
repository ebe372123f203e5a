"""How noisy one frame is, measured from the frame itself."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

# Takes out any plane and any ridge along rows or columns; its weights' squares sum to 36. Immerkaer [1].
_HIGH_PASS = np.array([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]])
_HIGH_PASS_GAIN = 6.0
# Of a normal law, half lies within this many standard deviations.
_MAD_TO_SIGMA = 1.482602218506
# Structure (edges of parts) only adds, so the quiet quarter of the frame's blocks tells the noise …
_BLOCK_PX, _QUIET_QUANTILE = 16, 0.25
# … and of pure noise the quiet quarter shows 0.93 of it: from 400 simulated frames, tests/radiometry/test_noise.py.
_QUIET_SHARE = 0.93
_LEAST_PIXELS = 25


def frame_noise(values: ArrayLike) -> float | None:
    """
    Standard deviation of the pixels' noise, whatever the scene.

    Parameters
    ----------
    values : array_like of shape (rows, cols)
        NaN where a pixel does not count.

    Returns
    -------
    float or None
        In the unit of the values. None where fewer than 25 places have all their neighbours.

    Notes
    -----
    A fixed pattern of single pixels counts as noise, and so do stripes only where they cross. A camera
    that smooths its frames shows less than a pixel's noise here; the mean over a part then varies more than
    noise / sqrt(pixels).

    References
    ----------
    .. [1] J. Immerkaer, Computer Vision and Image Understanding 64 (1996) 300-302.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> scene = np.linspace(20.0, 60.0, 160) + np.zeros((120, 1))
    >>> round(frame_noise(scene + rng.normal(0.0, 0.05, scene.shape)), 2)
    0.05
    """
    frame = np.asarray(values, dtype=np.float64)
    if min(frame.shape) < 3:
        return None
    residual = np.einsum("rcij,ij->rc", sliding_window_view(frame, (3, 3)), _HIGH_PASS) / _HIGH_PASS_GAIN
    if np.count_nonzero(np.isfinite(residual)) < _LEAST_PIXELS:
        return None
    quiet = [sigma for block in _blocks(residual) if (sigma := _robust_sigma(block)) is not None]
    if len(quiet) >= 12:  # fewer blocks have no quarter to speak of
        return float(np.quantile(quiet, _QUIET_QUANTILE) / _QUIET_SHARE)
    return float(np.nanmedian(np.abs(residual)) * _MAD_TO_SIGMA)


def _blocks(residual: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    rows, cols = residual.shape
    return [
        residual[top : top + _BLOCK_PX, left : left + _BLOCK_PX]
        for top in range(0, rows - _BLOCK_PX + 1, _BLOCK_PX)
        for left in range(0, cols - _BLOCK_PX + 1, _BLOCK_PX)
    ]


def _robust_sigma(block: NDArray[np.float64]) -> float | None:
    good = block[np.isfinite(block)]
    if good.size < block.size / 2:
        return None
    return float(np.median(np.abs(good)) * _MAD_TO_SIGMA)
