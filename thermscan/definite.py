"""Symmetric positive definite matrices by Cholesky's method, where there are many unknowns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# From so many unknowns on, half the operations are worth the 0.05 s that scipy.linalg takes to load: a split of heat
# solves some thirty systems (8 against 20 ms each at 1,000) and inverts half a dozen (30 against 80 ms).
MANY = 400


def solve_definite(matrix: NDArray[np.float64], right: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    The x of ``matrix`` x = ``right``, for one right side or several; of its shape.

    Parameters
    ----------
    matrix : ndarray of shape (n, n)
        Symmetric; positive definite but for rounding.
    right : ndarray of shape (n,) or (n, k)

    Raises
    ------
    numpy.linalg.LinAlgError
        The matrix is singular.

    Examples
    --------
    >>> solve_definite(np.array([[2.0, 1.0], [1.0, 2.0]]), np.array([3.0, 3.0])).round(12).tolist()
    [1.0, 1.0]
    """
    if len(matrix) >= MANY:
        from scipy.linalg.lapack import dposv  # noqa: PLC0415 - few boards have so many parts

        _, solution, failed = dposv(matrix.T, right, lower=True)
        if not failed:
            return np.asarray(solution, dtype=np.float64)
    return np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)


def inverse_of_definite(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    The inverse of a symmetric matrix, positive definite but for rounding; shape (n, n).

    Raises
    ------
    numpy.linalg.LinAlgError
        The matrix is singular.

    Examples
    --------
    >>> inverse_of_definite(np.array([[2.0, 0.0], [0.0, 4.0]])).tolist()
    [[0.5, 0.0], [0.0, 0.25]]
    """
    if len(matrix) >= MANY:
        from scipy.linalg.lapack import dpotrf, dpotri  # noqa: PLC0415 - few boards have so many parts

        factor, failed = dpotrf(matrix.T, lower=True)
        if not failed:
            half, _ = dpotri(factor, lower=True)
            inverse: NDArray[np.float64] = np.tril(half)
            inverse += np.tril(half, -1).T
            return np.ascontiguousarray(inverse)
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
