"""Least squares of which some unknowns may not be below 0."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from thermscan.definite import solve_definite

# Exchanges of whole sets that make nothing better, before single ones are made (Portugal and others take 10 at most).
PATIENCE = 5
# Of the largest diagonal: what rounding makes of 0.
ROUNDING = 1e-11


def solve_nonnegative(
    normal: NDArray[np.float64],
    right: NDArray[np.float64],
    bounded: NDArray[np.bool_],
    *,
    start: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """
    The x of least x' N x / 2 - r' x, not below 0 where bounded.

    Parameters
    ----------
    normal : ndarray of shape (n, n)
        Symmetric, positive definite: the normal equations of a least squares problem.
    right : ndarray of shape (n,)
    bounded : ndarray of bool, shape (n,)
    start : ndarray of bool, shape (n,), optional
        Which unknowns are held to be above 0 at first, as known from a problem much like it; all where not given.

    Returns
    -------
    ndarray of shape (n,)

    Raises
    ------
    numpy.linalg.LinAlgError
        Where the matrix is singular.

    Notes
    -----
    Block principal pivoting: whole sets change sides at once, single ones (Murty's rule) where that does not help.

    References
    ----------
    .. [1] L. F. Portugal, J. J. Judice and L. N. Vicente, Mathematics of Computation 63 (1994) 625-643.

    Examples
    --------
    >>> normal, right = np.array([[2.0, 1.0], [1.0, 2.0]]), np.array([1.0, -1.0])
    >>> solve_nonnegative(normal, right, np.array([True, True])).tolist()
    [0.5, 0.0]
    """
    # Unit diagonal: what counts as 0 is then the same for all unknowns.
    scale = 1.0 / np.sqrt(np.diag(normal))
    matrix, wanted = normal * scale[:, None] * scale, right * scale
    above = np.ones(len(right), dtype=bool) if start is None else start | ~bounded
    fewest, patience = len(right) + 1, PATIENCE
    least = ROUNDING * max(float(np.abs(wanted).max(initial=0.0)), 1.0)
    while True:
        solution = np.zeros(len(right))
        inner = matrix if above.all() else matrix[np.ix_(above, above)]
        solution[above] = solve_definite(inner, wanted[above])
        slope = matrix @ solution - wanted
        wrong = np.flatnonzero(bounded & np.where(above, solution < -least, slope < -least))
        if not len(wrong):
            break
        if len(wrong) < fewest:
            fewest, patience = len(wrong), PATIENCE
        elif patience > 0:
            patience -= 1
        else:
            wrong = wrong[-1:]
        above[wrong] = ~above[wrong]
    result: NDArray[np.float64] = np.where(bounded, np.maximum(solution, 0.0), solution) * scale
    return result


def mean_square_above(deviations: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Mean square above 0 of a normal density of mean ``-deviations`` and standard deviation 1.

    References
    ----------
    .. [1] N. L. Johnson, S. Kotz and N. Balakrishnan, Continuous Univariate Distributions 1, 2nd ed. 1994, section
       13.10.1 (moments of a truncated normal density).

    Examples
    --------
    >>> mean_square_above(np.array([0.0, 2.0, 40.0])).round(4).tolist()
    [1.0, 0.2536, 0.0012]
    """
    far = np.minimum(deviations, 30.0)
    hazard = np.exp(-0.5 * far**2 - log_ndtr(-far)) / np.sqrt(2.0 * np.pi)
    return np.where(deviations < 30.0, 1.0 + far**2 - far * hazard, 2.0 / np.maximum(deviations, 30.0) ** 2)
