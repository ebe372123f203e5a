"""How much good parts differ: expectation and data weighed together."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from thermscan.robust import MAD_TO_SIGMA

# Makes the median absolute deviation of few normal values right on average; C. Croux and P. J. Rousseeuw,
# Time-efficient algorithms for two highly robust estimators of scale, Computational Statistics 1 (1992)
# 411-428; beyond nine n / (n - 0.8).
_SMALL_SAMPLE = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}
# The median absolute deviation uses 37 % of what normal data know about their scale (Hampel 1974).
MAD_EFFICIENCY = 0.37


def robust_spread(values: ArrayLike) -> float:
    """
    Standard deviation by the median absolute deviation, corrected for few values; 0 for fewer than two.

    Examples
    --------
    >>> round(robust_spread([3.2, 3.3, 2.9, 3.1, 3.0, 3.2, 3.1, 9.0]), 3)
    0.167
    """
    data = np.asarray(values, dtype=np.float64)
    n = len(data)
    if n < 2:
        return 0.0
    deviation = float(np.median(np.abs(data - np.median(data))))
    return MAD_TO_SIGMA * _SMALL_SAMPLE.get(n, n / (n - 0.8)) * deviation


def shrunk_scale(
    deviations: ArrayLike, expected_sd: ArrayLike, *, noise: ArrayLike, degrees: float, bounds: tuple[float, float]
) -> tuple[float, float]:
    """
    How far the natural spread is from the expected one, as a factor, and the degrees of freedom behind it.

    Parameters
    ----------
    deviations : array_like of shape (n,)
        From their centres, noise included.
    expected_sd : array_like of shape (n,)
        Standard deviation that is expected of them by nature, for a factor of 1.
    noise : array_like of shape (n,)
        Standard uncertainty of measuring them, which comes on top.
    degrees : float
        How many observations the expectation is worth.
    bounds : tuple of float
        The factor is kept between these.

    Returns
    -------
    factor, degrees : float

    Notes
    -----
    The factor for which the deviations' median is what a normal distribution's is. Robust: a few faulty parts
    among many leave it nearly as it is. Where most of what is seen is noise, the data say less.

    Examples
    --------
    >>> shrunk_scale([], [], noise=[], degrees=8.0, bounds=(0.5, 2.0))
    (1.0, 8.0)
    >>> import numpy as np
    >>> seen = np.random.default_rng(1).normal(0.0, np.hypot(1.5, 1.0), 4000)
    >>> factor, _ = shrunk_scale(seen, np.ones(4000), noise=np.ones(4000), degrees=8.0, bounds=(0.5, 2.0))
    >>> round(factor, 1)
    1.5
    """
    data, nature, known = (np.asarray(values, dtype=np.float64) for values in (deviations, expected_sd, noise))
    if not len(data):
        return 1.0, degrees

    def beyond(factor: float) -> float:
        return MAD_TO_SIGMA * float(np.median(np.abs(data) / np.hypot(factor * nature, known))) - 1.0

    low, high = bounds
    if beyond(low) <= 0:
        seen = low
    elif beyond(high) >= 0:
        seen = high
    else:
        # Monotonic between its bounds: halved until nothing that is told can change.
        while high - low > 1e-4:
            seen = 0.5 * (low + high)
            low, high = (seen, high) if beyond(seen) > 0 else (low, seen)
        seen = 0.5 * (low + high)
    of_nature = float(np.median((seen * nature) ** 2 / ((seen * nature) ** 2 + known**2)))
    worth = MAD_EFFICIENCY * len(data) * of_nature
    variance = (degrees + worth * seen**2) / (degrees + worth)
    return float(np.clip(np.sqrt(variance), *bounds)), degrees + worth
