"""How noisy one frame is, measured from the frame itself."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from thermscan.robust import MAD_TO_SIGMA

# Takes out any plane and any ridge along rows or columns; its weights' squares sum to 36. Immerkaer [1].
_HIGH_PASS = np.array([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]])
_HIGH_PASS_GAIN = 6.0
# Of a normal law, half lies within this many standard deviations.
# Structure (edges of parts) only adds, so the quietest tenth of the frame's blocks tells the noise …
_BLOCK_PX, _QUIET_QUANTILE = 12, 0.10
# … and of pure noise the quietest tenth shows this share: simulated, from 160 x 120 to 640 x 480 alike to 0.002;
# tests/radiometry/test_noise.py.
_QUIET_SHARE = 0.832
_LEAST_PIXELS = 25
# Fewer blocks have no tenth to speak of.
_LEAST_BLOCKS = 30


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
    blocks = _block_sigmas(residual)
    if blocks.size >= _LEAST_BLOCKS:
        return float(np.quantile(blocks, _QUIET_QUANTILE) / _QUIET_SHARE)
    return float(np.nanmedian(np.abs(residual)) * MAD_TO_SIGMA)


def _block_sigmas(residual: NDArray[np.float64]) -> NDArray[np.float64]:
    """Robust deviation in each block of which at least half counts."""
    size = _BLOCK_PX
    rows, cols = residual.shape[0] // size, residual.shape[1] // size
    blocks = residual[: rows * size, : cols * size].reshape(rows, size, cols, size).transpose(0, 2, 1, 3)
    flat = np.abs(blocks).reshape(rows * cols, size * size)
    flat = flat[np.isfinite(flat).mean(axis=1) >= 0.5]
    sigmas: NDArray[np.float64] = np.nanmedian(flat, axis=1) * MAD_TO_SIGMA
    return sigmas
