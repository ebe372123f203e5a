"""How sharp the sharpest edges of a frame are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.frames.noise import spatial_noise
from thermscan.smoothing import gaussian

# Widths by which the frame is blurred again, in pixels: enough to lay the noise, little enough to keep edges apart.
_NARROW_PX, _WIDE_PX = 1.5, 3.0
# An edge must be this many times as steep as the noise alone makes the blurred frame; its ratio is then known to
# some hundredths.
_CLEAR_OF_NOISE = 20.0
# And a good part of the steepest, which are the edges that the optics had to draw.
_OF_STEEPEST = 0.25
# A board's outline is longer than this share of the frame's rows and columns together. Fewer clear edge pixels come
# from a few warm spots, soft by nature, and say nothing about the optics.
_MIN_EDGE_SHARE = 0.3
# Heat flows, so most edges on a board are soft by nature; the optics show in the sharpest of the clear ones.
_SHARPEST_PERCENT = 25.0


def edge_blur_px(values: ArrayLike, *, noise: float | None = None) -> float | None:
    """
    Width of the sharpest edges of a frame: standard deviation of a Gaussian point spread, in pixels.

    Parameters
    ----------
    values : array_like of shape (rows, cols)
        Any unit. NaN pixels are filled with the median and what lies around them does not count.
    noise : float, optional
        Of a pixel, where it is known already.

    Returns
    -------
    float or None
        None where the frame has no edge that stands clear of its noise. The optics are at least this sharp.

    Notes
    -----
    An edge of width s, blurred again by s1 or s2, is as steep as 1 / sqrt(s^2 + s1^2) or s2, whatever its height; the
    ratio of both gradients at the edge gives s. Pixels add about 0.3 to the optics' own width (their area's standard
    deviation, in squares). Below about one pixel the figure is vague, since the noise has to be laid first.

    References
    ----------
    .. [1] S. Zhuo, T. Sim, "Defocus map estimation from a single image", Pattern Recognition 44 (2011) 1852-1858.

    Examples
    --------
    >>> step = np.where(np.arange(64) < 32, 22.0, 40.0) * np.ones((48, 1))
    >>> rng = np.random.default_rng(1)
    >>> blurred = gaussian(step, 2.0) + 0.05 * rng.standard_normal(step.shape)
    >>> 1.8 < edge_blur_px(blurred) < 2.2
    True
    """
    array = np.asarray(values, dtype=np.float64)
    noise = spatial_noise(array) if noise is None else noise
    if noise is None or min(array.shape) < 8:
        return None
    bad = ~np.isfinite(array)
    filled = np.where(bad, np.median(array[~bad]), array)
    slopes = tuple(np.gradient(gaussian(filled, _NARROW_PX)))
    steep = np.hypot(*slopes)
    near_bad = gaussian(bad, _WIDE_PX, beyond="reflect") > 1e-3 if bad.any() else np.zeros_like(bad)
    # White noise of deviation 1 blurred by s has a gradient of deviation 1 / (sqrt(8 pi) s^2) in each direction.
    by_noise = noise / (np.sqrt(8.0 * np.pi) * _NARROW_PX**2)
    least = max(_CLEAR_OF_NOISE * by_noise, _OF_STEEPEST * float(np.percentile(steep, 99.5)), 1e-9)
    clear = (steep > least) & ~near_bad
    edge = round(_WIDE_PX)
    clear[:edge] = clear[-edge:] = clear[:, :edge] = clear[:, -edge:] = False
    rows, cols = np.nonzero(clear)
    crest = _crest(slopes, steep, rows, cols)
    rows, cols = rows[crest], cols[crest]
    if len(rows) < _MIN_EDGE_SHARE * sum(array.shape):
        return None
    # Only there is the softer frame's slope asked for; none of these pixels lies at the border.
    wide = gaussian(filled, _WIDE_PX)
    down, across = (wide[rows + i, cols + j] - wide[rows - i, cols - j] for i, j in ((1, 0), (0, 1)))
    softer = np.hypot(down / 2.0, across / 2.0)
    ratio2 = np.clip((steep[rows, cols] / np.maximum(softer, 1e-12)) ** 2, 1.0 + 1e-6, (_WIDE_PX / _NARROW_PX) ** 2)
    widths = np.sqrt((_WIDE_PX**2 - ratio2 * _NARROW_PX**2) / (ratio2 - 1.0))
    return float(np.percentile(widths, _SHARPEST_PERCENT))


def _crest(
    slopes: Sequence[NDArray[np.float64]],
    steep: NDArray[np.float64],
    rows: NDArray[np.intp],
    cols: NDArray[np.intp],
) -> NDArray[np.bool_]:
    """
    Which pixels are the steepest along the edge's own direction, taken as row or column, whichever is nearer.

    None of them may lie at the border.
    """
    down, across = (np.abs(part[rows, cols]) for part in slopes)
    beside = np.maximum(steep[rows, cols - 1], steep[rows, cols + 1])
    above = np.maximum(steep[rows - 1, cols], steep[rows + 1, cols])
    result: NDArray[np.bool_] = steep[rows, cols] >= np.where(across >= down, beside, above)
    return result
