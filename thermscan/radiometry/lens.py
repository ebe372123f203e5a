"""Frames and points as a lens without distortion would show them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.radiometry.camera import Lens
from thermscan.radiometry.thermal_image import ThermalImage

# Each step of the inversion gains about a digit; 60 reach the last one even for a strong barrel.
_MOST_STEPS, _CLOSE_PX, _LOST_PX = 60, 1e-9, 1e-3


def straighten_points(points_px: ArrayLike, lens: Lens) -> NDArray[np.float64]:
    """
    Where a pinhole of the same focal length would show points that the lens shows.

    Parameters
    ----------
    points_px : array_like of shape (n, 2)
        x, y in the frame. NaN gives NaN.
    lens : Lens

    Returns
    -------
    ndarray of shape (n, 2)
        NaN where no point of a pinhole's view comes to lie there.

    Examples
    --------
    >>> barrel = Lens(200.0, 200.0, 79.5, 59.5, k1=-0.2)
    >>> straighten_points([[79.5, 59.5], [0.0, 0.0]], barrel).round(1).tolist()
    [[79.5, 59.5], [-4.6, -3.5]]
    """
    seen = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
    straight = seen.copy()
    with np.errstate(over="ignore", invalid="ignore"):
        for _ in range(_MOST_STEPS):
            step = seen - bend_points(straight, lens)
            straight += step
            if np.nanmax(np.abs(step), initial=0.0) < _CLOSE_PX:
                return straight
        # Beyond where the model turns back there is no answer.
        met = np.abs(seen - bend_points(straight, lens)).max(axis=1) <= _LOST_PX
    straight[~met] = np.nan
    return straight


def bend_points(points_px: ArrayLike, lens: Lens) -> NDArray[np.float64]:
    """
    Where the lens shows points that a pinhole would show: inverse of `straighten_points`.

    Parameters
    ----------
    points_px : array_like of shape (n, 2)
    lens : Lens

    Returns
    -------
    ndarray of shape (n, 2)

    References
    ----------
    .. [1] D. C. Brown, Photogrammetric Engineering 32 (1966) 444-462.

    Examples
    --------
    >>> barrel = Lens(200.0, 200.0, 79.5, 59.5, k1=-0.2)
    >>> bend_points(straighten_points([[10.0, 20.0]], barrel), barrel).round(6).tolist()
    [[10.0, 20.0]]
    """
    xy = np.asarray(points_px, dtype=np.float64)
    x, y = (xy[:, 0] - lens.cx_px) / lens.fx_px, (xy[:, 1] - lens.cy_px) / lens.fy_px
    r2 = x * x + y * y
    radial = 1 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
    bent_x = x * radial + 2 * lens.p1 * x * y + lens.p2 * (r2 + 2 * x * x)
    bent_y = y * radial + lens.p1 * (r2 + 2 * y * y) + 2 * lens.p2 * x * y
    return np.column_stack([bent_x * lens.fx_px + lens.cx_px, bent_y * lens.fy_px + lens.cy_px])


def straighten_image(image: ThermalImage, lens: Lens) -> ThermalImage:
    """
    An image resampled to what a pinhole would show, of the same size.

    Parameters
    ----------
    image : ThermalImage
    lens : Lens

    Returns
    -------
    ThermalImage
        NaN where the lens did not look, and beside pixels that do not count.

    Notes
    -----
    Resampling is by a cubic spline; it evens out up to a third of the pixels' noise, which is left as stated.

    Examples
    --------
    >>> view = ThermalImage(np.full((120, 160), 25.0), 0.05, 1.15, (8.0, 14.0), 0.6)
    >>> straight = straighten_image(view, Lens(200.0, 200.0, 79.5, 59.5, k1=-0.2))
    >>> straight.shape, round(float(straight.apparent_c[60, 80]), 6)
    ((120, 160), 25.0)
    """
    from scipy.ndimage import (  # noqa: PLC0415 - most views are straight
        binary_dilation,
        distance_transform_edt,
        map_coordinates,
    )

    rows, cols = image.shape
    x, y = np.meshgrid(np.arange(cols, dtype=np.float64), np.arange(rows, dtype=np.float64))
    seen = bend_points(np.column_stack([x.ravel(), y.ravel()]), lens)
    columns, lines = seen[:, 0].reshape(rows, cols), seen[:, 1].reshape(rows, cols)
    whole = (columns >= 0) & (columns <= cols - 1) & (lines >= 0) & (lines <= rows - 1)
    values = np.asarray(image.apparent_c)
    missing = ~np.isfinite(values)
    if missing.all():
        return image
    if missing.any():
        # The spline needs a number everywhere; what it touches within two pixels of a missing one does not count.
        nearest = distance_transform_edt(missing, return_distances=False, return_indices=True)
        values = values[tuple(nearest)]
        near = map_coordinates(binary_dilation(missing, iterations=2).astype(np.float64), [lines, columns], order=1)
        whole &= near == 0
    straight = map_coordinates(values, [lines, columns], order=3, mode="nearest")
    return replace(image, apparent_c=np.where(whole, straight, np.nan))
