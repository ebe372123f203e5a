"""What all parts of a visit share against a level: one shift and one scale, for many visits at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.judge.board_wide import BIWEIGHT, FEWEST_FOR_SCALE, SCALE_EXPECTED, SHIFT_EXPECTED_K
from thermscan.robust import MAD_TO_SIGMA, biweight

# Three parts tell a shift from what one of them does by itself.
FEWEST_SHARED = 3
# A scale is held near 1 where the parts do not tell it.
_SCALE_HELD = 0.05
# A spread below this share of the stated one would make a few parts that agree by chance rule the fit.
_LEAST_SPREAD = 0.3
_ROUNDS = 25
# Pairs of parts looked at in one go: 4 million doubles are 32 MB.
_PAIRS_AT_ONCE = 4_000_000
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SharedLevel:
    """
    ``rise = shift + scale * level``, one row a visit; NaN where too few parts share it.

    Arrays are of shape (visits,); ``covariance`` is that of shift and scale, of shape (visits, 2, 2).
    """

    shift_k: Array
    scale: Array
    covariance: Array

    def u_level_k(self, level_k: Array) -> Array:
        """Standard uncertainty of shift and scale together at a level, of shape (visits, parts)."""
        variance = self.covariance[:, :1, 0] + 2 * self.covariance[:, :1, 1] * level_k
        result: Array = np.sqrt(np.maximum(variance + self.covariance[:, 1:, 1] * level_k**2, 0.0))
        return result


def fit_shared_level(rise_k: Array, level_k: Array, sd_k: Array) -> SharedLevel:
    """
    The judge's board-wide fit (`thermscan.judge.board_wide.fit_board_wide`) for many visits at once.

    Parameters
    ----------
    rise_k, level_k, sd_k : ndarray of shape (visits, parts)
        Now, level, and the difference's expected standard deviation. NaN where a part was not measured.

    References
    ----------
    .. [1] P. K. Sen, J. Am. Statist. Ass. 63 (1968) 1379-1389: the first guess, the median of the slopes of all pairs.
    .. [2] P. J. Huber, Robust Statistics (1981): the biweight and its tuning.

    Examples
    --------
    >>> usual = np.linspace(3.0, 20.0, 12)[None, :]
    >>> now = 1.0 + 1.2 * usual
    >>> now[0, 4] += 30.0
    >>> fit = fit_shared_level(now, usual, np.full((1, 12), 0.3))
    >>> round(float(fit.scale[0]), 2), round(float(fit.shift_k[0]), 1)
    (1.2, 1.0)
    """
    there = np.isfinite(rise_k) & np.isfinite(level_k) & np.isfinite(sd_k)
    count = np.count_nonzero(there, axis=1)
    rise, level = np.where(there, rise_k, 0.0), np.where(there, level_k, 0.0)
    sd = np.where(there, sd_k, 1.0)
    told = (count >= FEWEST_FOR_SCALE) & (_extent(level, there) > 4 * _row_median(sd, there))
    prior_sd = np.stack([np.full(len(rise), SHIFT_EXPECTED_K), np.where(told, SCALE_EXPECTED, _SCALE_HELD)], axis=1)
    scale = np.where(told, _median_slope(rise, level, there), 1.0)
    shift = _row_median(rise - scale[:, None] * level, there)
    covariance = np.zeros((len(rise), 2, 2))
    for _ in range(_ROUNDS):
        residual = (rise - shift[:, None] - scale[:, None] * level) / sd
        spread = np.maximum(MAD_TO_SIGMA * _row_median(np.abs(residual), there), _LEAST_SPREAD)[:, None]
        kept = biweight(residual / (BIWEIGHT * spread))
        weight = np.where(there, kept / (spread * sd) ** 2, 0.0)
        covariance = _inverse(weight, level, prior_sd)
        right = np.stack([np.sum(weight * rise, axis=1), np.sum(weight * level * rise, axis=1)], axis=1)
        right[:, 1] += 1.0 / prior_sd[:, 1] ** 2
        moved = np.einsum("vij,vj->vi", covariance, right)
        still = np.allclose(moved, np.stack([shift, scale], axis=1), atol=1e-6)
        shift, scale = moved[:, 0], moved[:, 1]
        if still:
            break
    few = count < FEWEST_SHARED
    shift, scale = np.where(few, np.nan, shift), np.where(few, np.nan, scale)
    return SharedLevel(shift, scale, covariance)


def _inverse(weight: Array, level: Array, prior_sd: Array) -> Array:
    """Of the 2 x 2 normal matrices."""
    a = np.sum(weight, axis=1) + 1.0 / prior_sd[:, 0] ** 2
    b = np.sum(weight * level, axis=1)
    c = np.sum(weight * level**2, axis=1) + 1.0 / prior_sd[:, 1] ** 2
    inverse: Array = np.array([[c, -b], [-b, a]]).transpose(2, 0, 1) / (a * c - b * b)[:, None, None]
    return inverse


def _extent(level: Array, there: NDArray[np.bool_]) -> Array:
    high = np.where(there, level, -np.inf).max(axis=1, initial=-np.inf)
    low = np.where(there, level, np.inf).min(axis=1, initial=np.inf)
    return np.where(np.isfinite(high - low), high - low, 0.0)


def _row_median(values: Array, there: NDArray[np.bool_]) -> Array:
    """Median of what is there in each row; 0 for nothing."""
    ordered = np.sort(np.where(there, values, np.inf), axis=1)
    count = np.count_nonzero(there, axis=1)
    rows = np.arange(len(values))
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, values.shape[1] - 1)
    middle: Array = np.where(count > 0, (ordered[rows, low] + ordered[rows, high]) / 2, 0.0)
    return middle


def _median_slope(rise: Array, level: Array, there: NDArray[np.bool_]) -> Array:
    one, other = np.triu_indices(rise.shape[1], 1)
    slopes = np.ones(len(rise))
    if len(one) == 0:
        return slopes
    step = max(1, _PAIRS_AT_ONCE // max(len(one), 1))
    for start in range(0, len(rise), step):
        rows = slice(start, start + step)
        dx, dy = level[rows, one] - level[rows, other], rise[rows, one] - rise[rows, other]
        # Near pairs know little of the slope.
        far = there[rows, one] & there[rows, other]
        far &= np.abs(dx) > 0.25 * _extent(level[rows], there[rows])[:, None]
        ratio = dy / np.where(far, dx, 1.0)
        slopes[rows] = np.where(far.any(axis=1), np.clip(_row_median(ratio, far), 0.2, 5.0), 1.0)
    return slopes
