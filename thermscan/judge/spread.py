"""How much good parts differ: expectation and data weighed together."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.frozen import dataclass
from thermscan.robust import MAD_TO_SIGMA

# Makes the median absolute deviation of few normal values right on average; C. Croux and P. J. Rousseeuw,
# Time-efficient algorithms for two highly robust estimators of scale, Computational Statistics 1 (1992)
# 411-428; beyond nine n / (n - 0.8).
_SMALL_SAMPLE = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}
# The median absolute deviation uses 37 % of what normal data know about their scale (Hampel 1974).
MAD_EFFICIENCY = 0.37
# What does not grow with a part's heat, the sensor's unevenness above all, is known from one published camera; others
# of its class are better or worse by a factor of two (judgement; one standard deviation, as a logarithm).
STEADY_SPREAD = float(np.log(2.0))
# So many parts may differ by anything, as faulty ones do: one in twenty (as of those with another duty).
STRANGERS = 0.05
# Points of the integrals over both scales, in standard deviations of what is expected of them.
_STEPS = np.linspace(-3.0, 3.0, 25)


@dataclass(frozen=True, slots=True)
class Scales:
    """By which factors what grows with a part's heat and what does not are off, and how surely the first is known."""

    nature: float
    steady: float
    degrees: float


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


def shrunk_scales(
    deviations: ArrayLike,
    expected_sd: ArrayLike,
    *,
    noise: ArrayLike,
    degrees: float,
    bounds: tuple[float, float],
    steady: ArrayLike = 0.0,
) -> Scales:
    """
    How far what makes good parts differ is from what is expected of it.

    Parameters
    ----------
    deviations : array_like of shape (n,)
        From their centres, noise included.
    expected_sd : array_like of shape (n,)
        Standard deviation that is expected of them by nature, for a factor of 1: a share of each part's heat.
    noise : array_like of shape (n,)
        Standard uncertainty of measuring them, which comes on top.
    degrees : float
        How many observations the expectation is worth.
    bounds : tuple of float
        The factor on the natural spread is kept between these.
    steady : array_like of shape (n,), optional
        What is expected to come on top whatever the heat, and is known no better than by its order: the sensor's
        unevenness, draughts and mounting.

    Returns
    -------
    Scales

    Notes
    -----
    Root mean squares over the posterior of both factors, their logarithms being normal beforehand and their mean
    squares 1. Deviations are normal, but for a few that may be any (Cauchy's density): faulty parts are of no account.
    Where both make much the same, either may be told for the other: their sum is what is judged by.

    References
    ----------
    .. [1] J. W. Tukey, A survey of sampling from contaminated distributions, in I. Olkin (ed.), Contributions to
       Probability and Statistics, 1960, 448-485.

    Examples
    --------
    >>> shrunk_scales([], [], noise=[], degrees=8.0, bounds=(0.5, 2.0))
    Scales(nature=1.0, steady=1.0, degrees=8.0)
    >>> import numpy as np
    >>> seen = np.random.default_rng(1).normal(0.0, np.hypot(1.5, 1.0), 4000)
    >>> known = {"noise": np.ones(4000), "degrees": 8.0, "bounds": (0.5, 2.0)}
    >>> round(shrunk_scales(seen, np.ones(4000), **known).nature, 1)
    1.5
    """
    data, nature, known, always = np.broadcast_arrays(*map(np.atleast_1d, (deviations, expected_sd, noise, steady)))
    if not data.size:
        return Scales(1.0, 1.0, degrees)
    # A variance known with n degrees of freedom is known to sqrt(2 / n) of itself (GUM, G.4.2).
    log_nature, before_nature = _beforehand(degrees**-0.5 / np.sqrt(2.0))
    log_steady, before_steady = _beforehand(STEADY_SPREAD) if always.any() else (np.zeros(1), np.zeros(1))
    of_nature = np.exp(2.0 * np.clip(log_nature, *np.log(bounds)))
    of_steady = np.exp(2.0 * log_steady)
    posterior = before_nature[:, None] + before_steady[None, :]
    for value, *variances in zip(data, nature**2, known**2, always**2, strict=True):
        variance = of_nature[:, None] * variances[0] + variances[1] + of_steady[None, :] * variances[2]
        square = value**2 / variance
        good = (1.0 - STRANGERS) * np.exp(-0.5 * square) / np.sqrt(2.0 * np.pi)
        posterior += np.log(good + STRANGERS / (np.pi * (1.0 + square))) - 0.5 * np.log(variance)
    weight: NDArray[np.float64] = np.exp(posterior - posterior.max())
    weight /= weight.sum()
    told = weight.sum(axis=1)
    mean = float(told @ of_nature)
    spread = float(told @ (of_nature - mean) ** 2)
    sure = max(2.0 * mean**2 / max(spread, 1e-12), degrees)
    return Scales(float(np.sqrt(mean)), float(np.sqrt(weight.sum(axis=0) @ of_steady)), sure)


def _beforehand(spread: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points of a factor's logarithm, and the logarithm of its density there; the factor's mean square is 1."""
    return spread * _STEPS - spread**2, -0.5 * _STEPS**2
