"""
The step between array order and point order. Nowhere else.

Arrays are ``[row, col]``. Points are float arrays of shape (n, 2), x then y, y down; (0, 0) is the
centre of the top left pixel.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def pixel_centres(shape: tuple[int, int]) -> NDArray[np.float64]:
    """
    The centre of every pixel, in reading order.

    Returns
    -------
    ndarray of shape (rows * cols, 2)
        x, y in pixels.

    Examples
    --------
    >>> pixel_centres((1, 2)).tolist()
    [[0.0, 0.0], [1.0, 0.0]]
    """
    rows, cols = np.indices(shape, dtype=np.float64)
    return np.column_stack([cols.ravel(), rows.ravel()])


def points_where(mask: ArrayLike) -> NDArray[np.float64]:
    """
    The centres of the pixels that a mask holds, in reading order; shape (n, 2).

    Examples
    --------
    >>> points_where([[False, True, True]]).tolist()
    [[1.0, 0.0], [2.0, 0.0]]
    """
    rows, cols = np.nonzero(np.asarray(mask, dtype=bool))
    return np.column_stack([cols, rows]).astype(np.float64)


def array_order(points: ArrayLike) -> NDArray[np.float64]:
    """
    Points as array places: rows, then columns; shape (n, 2).

    Examples
    --------
    >>> array_order([[3.0, 1.0]]).tolist()
    [[1.0, 3.0]]
    """
    return np.asarray(points, dtype=np.float64)[:, ::-1]


def map_points(homography: ArrayLike, points: ArrayLike) -> NDArray[np.float64]:
    """
    Points carried through a plane homography; a point on its horizon gives inf or NaN.

    Parameters
    ----------
    homography : array_like of shape (3, 3)
        Acts on column vectors (x, y, 1).
    points : array_like of shape (n, 2)

    Returns
    -------
    ndarray of shape (n, 2)

    Examples
    --------
    >>> map_points([[2, 0, 1], [0, 2, 0], [0, 0, 1]], [[1.0, 1.0]]).tolist()
    [[3.0, 2.0]]
    """
    h = np.asarray(homography, dtype=np.float64)
    xy = np.asarray(points, dtype=np.float64)
    mapped = xy @ h[:, :2].T + h[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        result: NDArray[np.float64] = mapped[:, :2] / mapped[:, 2:]
    return result


def sample_bilinear(array: ArrayLike, points: ArrayLike) -> NDArray[np.float64]:
    """
    Values of an array between its pixels; NaN outside it and where a NaN pixel takes part.

    Parameters
    ----------
    array : array_like of shape (rows, cols)
    points : array_like of shape (n, 2)
        x, y in pixels.

    Returns
    -------
    ndarray of shape (n,)

    Examples
    --------
    >>> sample_bilinear([[0.0, 2.0]], [[0.5, 0.0]]).tolist()
    [1.0]
    """
    values = np.asarray(array, dtype=np.float64)
    rows, cols = values.shape
    xy = np.asarray(points, dtype=np.float64)
    x, y = xy[:, 0], xy[:, 1]
    with np.errstate(invalid="ignore"):
        inside = (x >= 0) & (y >= 0) & (x <= cols - 1) & (y <= rows - 1)
    x, y = np.where(inside, x, 0.0), np.where(inside, y, 0.0)
    left = np.minimum(x.astype(np.intp), max(cols - 2, 0))
    top = np.minimum(y.astype(np.intp), max(rows - 2, 0))
    right, bottom = np.minimum(left + 1, cols - 1), np.minimum(top + 1, rows - 1)
    u, v = x - left, y - top
    result = (values[top, left] * (1 - u) + values[top, right] * u) * (1 - v) + (
        values[bottom, left] * (1 - u) + values[bottom, right] * u
    ) * v
    return np.where(inside, result, np.nan)
