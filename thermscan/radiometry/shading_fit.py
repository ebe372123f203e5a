"""A sensor's unevenness from frames of a flat scene: a matt card at room temperature that fills the view."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.noise import spatial_noise
from thermscan.frames.repair import repair_values
from thermscan.radiometry.shading import Shading, smooth_terms
from thermscan.robust import robust_sd

# Between neighbouring means over 8 x 8 pixels a scene's edges show. Noise that neighbours share leaves about a pixel's
# noise there on one uncooled camera, three times that on a poor one; the largest of some hundred is thrice that again.
_BLOCK_PX = 8
FLAT_STEP = 10.0
# A camera that claims to be within 2 K at every pixel may be shaded by 4 K from one place to another, a poor one by
# more than twice that; a scene's own unevenness has no such bound.
MOST_SHADING_K = 10.0
# A card at room temperature is not even itself: breath, hands, the bench below. A judgement.
CARD_K = 0.1
# What was taken out changes with the minutes (seen on one uncooled camera, without a figure). A judgement.
CHANGED_SHARE = 0.3
_LEAST_SIDE = 24
_CARD = "fill the view with a matt card at room temperature, out of focus, and keep hands and reflections away from it"


def fit_shading(frames_c: Sequence[NDArray[np.float64]], *, where: str | None = None) -> Shading:
    """
    The unevenness that flat frames show.

    Parameters
    ----------
    frames_c : sequence of ndarray of shape (rows, cols)
        Apparent temperatures of one flat scene, of one camera.
    where : str, optional
        For messages.

    Returns
    -------
    Shading

    Raises
    ------
    InputError
        The frames are of different sizes, too small, or not of a flat scene.

    Notes
    -----
    Smooth shading is fitted by least squares over pixels that do not stray; what rows and columns have in common
    beyond it is their pattern. Several frames are averaged first, each without its own mean.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> y, x = np.mgrid[-1:1:60j, -1:1:80j]
    >>> found = fit_shading([22.0 + 0.5 * (x**2 + y**2) + rng.normal(0.0, 0.05, (60, 80))])
    >>> field = smooth_terms((60, 80)) @ found.coefficients
    >>> round(float(field[0, 0] - field[30, 40]), 1)
    1.0
    """
    shapes = {frame.shape for frame in frames_c}
    if len(shapes) != 1:
        sizes = ", ".join(f"{cols} x {rows}" for rows, cols in sorted(shapes))
        raise InputError(f"frames of different sizes ({sizes})", where=where, fix="give frames of one camera")
    shape = shapes.pop()
    if min(shape) < _LEAST_SIDE:
        raise InputError(f"{shape[1]} x {shape[0]} pixels are too few", where=where, fix="save the camera's full frame")
    repaired = [repair_values(frame, clear=0.0).values for frame in frames_c]
    at_c = float(np.nanmedian([np.nanmedian(frame) for frame in repaired]))
    mean = np.mean([frame - np.nanmean(frame) for frame in repaired], axis=0)
    noise_k = spatial_noise(repaired[0])
    if noise_k is None or noise_k <= 0:
        raise InputError("it shows no noise at all", where=where, fix="save the camera's temperatures unaltered")
    smooth, coefficients = _smooth(mean, noise_k)
    rest = mean - smooth
    columns = np.nanmedian(rest, axis=0)
    rows = np.nanmedian(rest - columns, axis=1)
    _check_flat(rest - columns - rows[:, None], smooth, noise_k=noise_k, where=where)
    edge_k = float(np.sqrt(np.mean((_edge_middles(smooth) - smooth[shape[0] // 2, shape[1] // 2]) ** 2)))
    return Shading(
        pixels=(shape[1], shape[0]),
        at_c=at_c,
        coefficients=coefficients,
        rows_k=rows,
        columns_k=columns,
        left_k=float(np.hypot(CARD_K, CHANGED_SHARE * edge_k)),
    )


def _smooth(mean: NDArray[np.float64], noise_k: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The smooth part of a frame and its coefficients, without the constant; pixels that stray do not count."""
    terms = smooth_terms(mean.shape)
    flat, values = terms.reshape(-1, terms.shape[-1]), mean.ravel()
    good = np.isfinite(values)
    coefficients: NDArray[np.float64] = np.zeros(terms.shape[-1])
    for _ in range(3):
        gram = flat[good].T @ flat[good]
        coefficients = np.asarray(np.linalg.lstsq(gram, flat[good].T @ values[good], rcond=None)[0], np.float64)
        left = values - flat @ coefficients
        spread = robust_sd(left, centre=0.0)
        with np.errstate(invalid="ignore"):
            good = np.isfinite(values) & (np.abs(left) <= 4 * max(spread, noise_k))
    coefficients[0] = 0.0
    result: NDArray[np.float64] = terms @ coefficients
    return result, coefficients


def _edge_middles(smooth: NDArray[np.float64]) -> NDArray[np.float64]:
    rows, cols = smooth.shape
    return np.array([smooth[0, cols // 2], smooth[-1, cols // 2], smooth[rows // 2, 0], smooth[rows // 2, -1]])


def _check_flat(rest: NDArray[np.float64], smooth: NDArray[np.float64], *, noise_k: float, where: str | None) -> None:
    rows, cols = (size // _BLOCK_PX for size in rest.shape)
    blocks = rest[: rows * _BLOCK_PX, : cols * _BLOCK_PX].reshape(rows, _BLOCK_PX, cols, _BLOCK_PX)
    means = np.nanmean(blocks, axis=(1, 3))
    step_k = max(float(np.nanmax(np.abs(np.diff(means, axis=axis)))) for axis in (0, 1))
    if step_k > FLAT_STEP * noise_k:
        raise InputError(
            f"this is no flat scene: places beside each other differ by {step_k:.2g} K, at a noise of {noise_k:.2g} K",
            where=where,
            fix=_CARD,
        )
    if np.ptp(smooth) > MOST_SHADING_K:
        raise InputError(
            f"this is no flat scene: it changes smoothly by {np.ptp(smooth):.2g} K, more than a sensor's own shading",
            where=where,
            fix=_CARD,
        )
