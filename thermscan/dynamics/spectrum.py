"""
Where each part of a board will end, from the beginning of its warm-up.

A board cools and warms by many exponentials whose time constants all its parts share. So each part's curve is taken for
a sum over a fixed range of time constants, and how much each of them usually contributes is learned from all parts
together. For each part the end then follows with an uncertainty that grows where the recording is too short to tell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.robust import MAD_TO_SIGMA

FloatArray = NDArray[np.float64]

# Between a leaf-thin part's time constant and a heavy transformer's.
SHORTEST_S, LONGEST_S, A_DECADE = 1.5, 1000.0, 8
# Before any data: boards of 1.6 mm in still air take two to three minutes (rho c t / h = 163 s at 20 W/(m2 K), FR-4 of
# 1850 kg/m3 and 1100 J/(kg K)), parts on them less; a factor of four is not unusual, a factor of ten is.
USUAL_S, USUAL_FACTOR = 100.0, 3.0
# That expectation counts as so many parts' worth; the board's own parts overrule it.
EXPECTATION_PARTS = 2.0
ROUNDS = 40
# What is learned of the shares is not known itself, and all parts of a board share that: found on six boards warmed up
# by finite elements (tests/benchmarks/warmup_trials.py, seeds 100 to 105), with others to check it.
SHARES_DOUBT = 1.35
# Rounding: no point is known better than this.
LEAST_NOISE_K = 0.003
# A camera's shading and a draught wander, not alike for all parts: a random walk that ends about here (in kelvin, and
# as a share of the rise), by so many terms of its series.
WANDER_K, WANDER_SHARE, WANDER_TERMS = 0.02, 0.001, 8
MOST_CORRELATED = 0.98


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """
    What was fitted: for every part the end, and the amplitude at each time constant.

    Attributes
    ----------
    taus : ndarray of shape (k,)
    mean : ndarray of shape (parts, k + 1)
        The end (relative to ``level_c``), then the amplitudes.
    covariance : ndarray of shape (parts, k + 1, k + 1)
    level_c, noise_k, correlation : ndarray of shape (parts,)
    """

    taus: FloatArray
    mean: FloatArray
    covariance: FloatArray
    level_c: FloatArray
    noise_k: FloatArray
    correlation: FloatArray

    def told(self, row: FloatArray) -> tuple[FloatArray, FloatArray]:
        """A linear function of end and amplitudes, with its standard uncertainty, for every part."""
        variance = np.einsum("i,pij,j->p", row, self.covariance, row)
        return self.mean @ row, SHARES_DOUBT * np.sqrt(np.maximum(variance, 0.0))

    def row_at(self, since_s: float) -> FloatArray:
        """The row that tells the temperature at a time since power-on."""
        return np.concatenate([[1.0], -np.exp(-max(since_s, 0.0) / self.taus)])

    @property
    def row_slope(self) -> FloatArray:
        """The row that tells the slope just after power-on."""
        return np.concatenate([[0.0], 1.0 / self.taus])


def fit_spectrum(since_s: FloatArray, mean_c: FloatArray, *, weights: FloatArray | None = None) -> Spectrum:
    """
    Warm-up curves of all parts together.

    Parameters
    ----------
    since_s : ndarray of shape (n,)
        Time since power-on; what is before it counts as the start.
    mean_c : ndarray of shape (n, parts)
        Without NaN.
    weights : ndarray of shape (n,), optional
        How many frames each point stands for.

    References
    ----------
    .. [1] M. E. Tipping, J. Machine Learning Research 1 (2001) 211-244: the variance of each term learned by
       maximum likelihood (here one for all parts).
    .. [2] G. E. P. Box, G. M. Jenkins, Time Series Analysis: points with correlation r from one to the next count for
       (1 - r) / (1 + r) of as many independent ones.

    Examples
    --------
    >>> t = np.arange(0.0, 200.0, 2.0)
    >>> ends = np.array([30.0, 40.0, 50.0, 60.0])
    >>> curves = ends - (ends - 22.0) * np.exp(-t / 90.0)[:, None]
    >>> found = fit_spectrum(t, curves + np.random.default_rng(1).normal(0, 0.02, curves.shape))
    >>> end_k, u_k = found.told(np.eye(len(found.taus) + 1)[0])
    >>> bool((abs(found.level_c + end_k - ends) < 3 * u_k).all())
    True
    """
    weight = np.ones(len(since_s)) if weights is None else weights
    taus = np.geomspace(SHORTEST_S, LONGEST_S, int(np.log10(LONGEST_S / SHORTEST_S) * A_DECADE) + 1)
    curve = np.column_stack([np.ones(len(since_s)), -np.exp(-np.maximum(since_s, 0.0)[:, None] / taus)])
    design = np.column_stack([curve, _wander(since_s)])
    level = np.average(mean_c, axis=0, weights=weight)
    y = mean_c - level
    normal = (design * weight[:, None]).T @ design
    right = ((design * weight[:, None]).T @ y).T
    parts = y.shape[1]
    noise = np.maximum(_rough_noise(y, weight), LEAST_NOISE_K)
    # Parts that hardly rise share the shape too, but must not be taken for its size.
    reach = np.maximum(np.ptp(_pieces(y), axis=0), 4 * noise)
    usual = np.exp(-0.5 * (np.log(taus / USUAL_S) / np.log(USUAL_FACTOR)) ** 2)
    usual *= 2.0 / usual.sum()
    share = usual.copy()
    correlation = np.zeros(parts)
    for round_ in range(ROUNDS):
        effective = noise**2 * (1 + correlation) / (1 - correlation)
        mean, covariance = _solve(normal, right, effective, reach, share)
        told = (mean**2 + np.diagonal(covariance, axis1=1, axis2=2))[:, 1 : len(taus) + 1] / reach[:, None] ** 2
        share = (EXPECTATION_PARTS * usual + told.sum(axis=0)) / (EXPECTATION_PARTS + parts)
        if round_ in (3, 10, 20):
            noise, correlation = _scatter(y - design @ mean.T, weight)
    size = len(taus) + 1
    return Spectrum(taus, mean[:, :size], covariance[:, :size, :size], level, noise, correlation)


def _wander(since_s: FloatArray) -> FloatArray:
    """The terms of a random walk (Karhunen and Loeve), each with the spread that it has in one that ends at 1."""
    along = (since_s - since_s[0]) / max(float(since_s[-1] - since_s[0]), 1e-9)
    rates = (np.arange(WANDER_TERMS) + 0.5) * np.pi
    result: FloatArray = np.sqrt(2.0) * np.sin(along[:, None] * rates) / rates
    return result


def _solve(
    normal: FloatArray, right: FloatArray, variance: FloatArray, reach_k: FloatArray, share: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of end and amplitudes for each part; scaled, so that the matrices are tame."""
    of_curve = np.concatenate([[1e3], np.sqrt(share)]) * reach_k[:, None]
    wander_k = np.hypot(WANDER_K, WANDER_SHARE * reach_k)
    spread = np.concatenate([of_curve, np.repeat(wander_k[:, None], WANDER_TERMS, axis=1)], axis=1)
    scaled = spread[:, :, None] * normal * spread[:, None, :] / variance[:, None, None]
    inverse = np.linalg.inv(scaled + np.eye(spread.shape[1]))
    covariance = spread[:, :, None] * inverse * spread[:, None, :]
    mean = (covariance @ (right / variance[:, None])[..., None])[..., 0]
    return mean, covariance


def _pieces(y: FloatArray) -> FloatArray:
    """Means of some points, so that the range is the curve's and not the noise's."""
    return np.array([piece.mean(axis=0) for piece in np.array_split(y, min(30, len(y)))])


def _rough_noise(y: FloatArray, weight: FloatArray) -> FloatArray:
    """Standard deviation of a point of weight 1, from second differences, which no smooth curve has."""
    bent = np.diff(y * np.sqrt(weight)[:, None], n=2, axis=0)
    result: FloatArray = MAD_TO_SIGMA * np.median(np.abs(bent), axis=0) / np.sqrt(6.0)
    return result


def _scatter(left: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Scatter for a weight of 1, and its correlation from point to point, with what the fit took of it given back."""
    seen = left * np.sqrt(weight)[:, None]
    n = len(seen)
    noise = np.maximum(np.sqrt((seen**2).sum(axis=0) / max(n - 5, 1)), LEAST_NOISE_K)
    size = np.maximum((seen**2).sum(axis=0), 1e-30)
    correlation = np.clip((seen[:-1] * seen[1:]).sum(axis=0) / size + 4.0 / n, 0.0, MOST_CORRELATED)
    return noise, correlation
