"""Location and spread that a few wild values do not move. Every stage takes them from here."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Standard deviation of a normal distribution over its median absolute deviation, 1 / Phi^-1(3/4) (NIST e-Handbook
# of Statistical Methods, 1.3.5.17: 0.6745).
MAD_TO_SIGMA = 1.482602218506


def robust_sd(values: ArrayLike, *, centre: float | None = None) -> float:
    """
    Standard deviation of normal values, by their median absolute deviation.

    Parameters
    ----------
    values : array_like
        Any shape; NaN values do not count.
    centre : float, optional
        What they scatter about, where that is known; else their median.

    Returns
    -------
    float
        NaN where no value counts.

    Examples
    --------
    >>> round(robust_sd([1.0, 2.0, 3.0, 4.0, 99.0]), 3)
    1.483
    >>> round(robust_sd([-1.0, 1.0, 1.0], centre=0.0), 3)
    1.483

    References
    ----------
    .. [1] F. R. Hampel, The influence curve and its role in robust estimation, JASA 69 (1974) 383-393.
    """
    data = np.asarray(values)
    data = data[~np.isnan(data)]
    if not data.size:
        return float("nan")
    about = _middle(data.ravel()) if centre is None else centre
    if not np.isfinite(about):
        return float("nan")
    return MAD_TO_SIGMA * _middle(np.abs(data - about).ravel())


def _middle(known: NDArray[Any]) -> float:
    """The median of values none of which is NaN: `numpy.median` asks for that, at three times the cost of a few."""
    half = len(known) // 2
    parted = np.partition(known, half)
    return float(parted[half] if len(known) % 2 else (parted[:half].max() + parted[half]) / 2)


def biweight(deviations: ArrayLike) -> NDArray[np.float64]:
    """
    Tukey's biweight: how much each value counts, by its deviation in units of the one from which on it counts nothing.

    Examples
    --------
    >>> biweight([0.0, 0.5, 2.0]).tolist()
    [1.0, 0.5625, 0.0]

    References
    ----------
    .. [1] A. E. Beaton and J. W. Tukey, Technometrics 16 (1974) 147-185.
    """
    root: NDArray[np.float64] = np.maximum(1.0 - np.asarray(deviations, dtype=np.float64) ** 2, 0.0)
    return root * root
