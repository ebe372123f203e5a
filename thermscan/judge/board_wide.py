"""How all rises of a board together differ from its known-good runs: one shift and one scale."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.judge import thresholds
from thermscan.judge.finding import Finding
from thermscan.robust import biweight, robust_sd

# A scale needs this many parts in common; with fewer only the shift is fitted.
FEWEST_FOR_SCALE = 6
# Before the data: loads and airflow change all rises by about this, thermometers and cameras shift them by that.
SCALE_EXPECTED = 0.4
SHIFT_EXPECTED_K = 4.0
# Tukey's biweight; 95 % efficient for normal residuals (P. J. Huber, Robust Statistics, 1981).
BIWEIGHT = 4.685
# What is expected of good parts may be too large by this factor: they say so themselves.
LEAST_SCATTER = 0.3


@dataclass(frozen=True, slots=True)
class BoardWide:
    """
    How all rises together differ from the baseline: ``rise = shift_k + scale * baseline``.

    ``shared`` is the covariance of shift and scale: where the scale is hardly known, they err together.
    """

    shift_k: float
    scale: float
    u_shift_k: float
    u_scale: float
    parts: int
    shared: float = 0.0

    def level_k(self, mean_k: NDArray[np.float64]) -> NDArray[np.float64]:
        """The baseline's rises, brought to this run's level."""
        return self.shift_k + self.scale * mean_k

    def over(self, scale: float) -> BoardWide:
        """The same where what is called the baseline rises by so many times less."""
        return replace(self, scale=self.scale / scale, u_scale=self.u_scale / scale, shared=self.shared / scale)

    def u_level_k(self, mean_k: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Standard uncertainty of that level.

        Examples
        --------
        >>> BoardWide(0.0, 1.0, 0.5, 0.05, 12, shared=-0.025).u_level_k(np.array([0.0, 10.0])).tolist()
        [0.5, 0.0]
        """
        variance = self.u_shift_k**2 + 2.0 * self.shared * mean_k + (self.u_scale * mean_k) ** 2
        result: NDArray[np.float64] = np.sqrt(np.maximum(variance, 0.0))
        return result


def fit_board_wide(
    rise_k: NDArray[np.float64],
    mean_k: NDArray[np.float64],
    sd_k: NDArray[np.float64],
    *,
    covariance_k2: NDArray[np.float64] | None = None,
) -> BoardWide:
    """
    Shift and scale that bring the baseline to this run, blind to the few parts that differ.

    Parameters
    ----------
    rise_k, mean_k, sd_k : ndarray of shape (n,)
        Of the parts in common: now, baseline, and the difference's expected standard deviation.
    covariance_k2 : ndarray of shape (n, n), optional
        Of the differences, where parts differ together: one that draws more warms all about it.

    Returns
    -------
    BoardWide

    References
    ----------
    .. [1] A. C. Aitken, On least squares and linear combination of observations, Proceedings of the Royal Society of
       Edinburgh 55 (1936) 42-48 (differences that are not independent are made so first).

    Examples
    --------
    >>> import numpy as np
    >>> usual = np.linspace(3.0, 20.0, 12)
    >>> now = 1.0 + 1.2 * usual
    >>> now[4] += 30.0
    >>> fit = fit_board_wide(now, usual, np.full(12, 0.3))
    >>> round(fit.scale, 2), round(fit.shift_k, 1)
    (1.2, 1.0)
    """
    n = len(rise_k)
    use_scale = n >= FEWEST_FOR_SCALE and float(np.ptp(mean_k)) > 4 * float(np.median(sd_k))
    whiten = np.diag(1.0 / sd_k) if covariance_k2 is None else _inverse_root(covariance_k2)
    design, seen = whiten @ np.column_stack([np.ones(n), mean_k]), whiten @ rise_k
    # Where it is known how parts differ together, few of them may tell how little they say of the scale.
    prior_sd = np.array([SHIFT_EXPECTED_K, SCALE_EXPECTED if use_scale or covariance_k2 is not None else 0.05])
    prior = np.array([0.0, 1.0])
    solution = _first_guess(rise_k, mean_k, use_scale=use_scale)
    covariance = np.diag(prior_sd**2)
    for _ in range(30):
        residual = seen - design @ solution
        scale = max(robust_sd(residual, centre=0.0), LEAST_SCATTER)
        weight = biweight(residual / (BIWEIGHT * scale)) / scale**2
        normal = design.T @ (weight[:, None] * design) + np.diag(1 / prior_sd**2)
        covariance = np.linalg.inv(normal)
        moved = covariance @ (design.T @ (weight * seen) + prior / prior_sd**2)
        if np.allclose(moved, solution, atol=1e-9):
            break
        solution = moved
    u_shift, u_scale = np.sqrt(np.diag(covariance))
    shared = float(covariance[0, 1])
    return BoardWide(float(solution[0]), float(solution[1]), float(u_shift), float(u_scale), n, shared)


def _inverse_root(covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Symmetric: each difference is freed of what its neighbours share with it, and stays its own."""
    variances, patterns = np.linalg.eigh(covariance)
    result: NDArray[np.float64] = (patterns / np.sqrt(variances)) @ patterns.T
    return result


def board_findings(
    board_wide: BoardWide, *, scale_sd: float, watts: tuple[float, float] | None = None
) -> tuple[Finding, ...]:
    """
    One finding where the whole board differs from its known-good runs by more than they do among themselves.

    Parameters
    ----------
    board_wide : BoardWide
    scale_sd : float
        By which share one further good run differs from them.
    watts : tuple of float, optional
        The supply's watts now and in the known-good runs.
    """
    ratio = board_wide.scale - 1.0
    shifted = abs(board_wide.shift_k) >= thresholds.BOARD_SHIFT_LEAST_K + 2 * board_wide.u_shift_k
    scale_u = float(np.hypot(scale_sd, board_wide.u_scale))
    scaled = abs(ratio) >= thresholds.BOARD_SCALE_DEVIATIONS * scale_u
    if not shifted and not scaled:
        return ()
    if scaled:
        text = (
            f"All rises together are {board_wide.scale:.2f} times those of the known-good runs: another load, "
            "supply or airflow, by more than these differ among themselves. Parts were judged on what is left."
        )
        if watts is not None:
            text += f" The supply gives {watts[0]:.3g} W, {watts[1]:.3g} W in the known-good runs."
    else:
        text = (
            f"The whole board reads {abs(board_wide.shift_k):.1f} K {'higher' if board_wide.shift_k > 0 else 'lower'} "
            "than in the known-good runs beyond the stated ambient: check ambient_c and the camera."
        )
    return (
        Finding(
            ref=None,
            rule="board",
            level="watch",
            direction="hot" if (ratio if scaled else board_wide.shift_k) > 0 else "cold",
            excess_k=None if scaled else board_wide.shift_k,
            u_k=None if scaled else board_wide.u_shift_k,
            score=ratio / scale_u if scaled else board_wide.shift_k / board_wide.u_shift_k,
            text=text,
            hypotheses=(
                "supply voltage or load not as in the known-good runs?",
                "a fan, a draught or another ambient?",
            ),
        ),
    )


def _first_guess(rise_k: NDArray[np.float64], mean_k: NDArray[np.float64], *, use_scale: bool) -> NDArray[np.float64]:
    """Weighted median of the slopes between all pairs (Theil and Sen): up to 29 % of the parts may be wrong."""
    slope = 1.0
    if use_scale:
        dx = mean_k[:, None] - mean_k[None, :]
        dy = rise_k[:, None] - rise_k[None, :]
        far = dx > 0.05 * float(np.ptp(mean_k))
        # Pairs weigh by their distance: near pairs know little of the slope.
        ratio, weight = dy[far] / dx[far], dx[far]
        order = np.argsort(ratio)
        heavy = np.cumsum(weight[order])
        slope = float(np.clip(ratio[order][np.searchsorted(heavy, heavy[-1] / 2)], 0.2, 5.0))
    return np.array([float(np.median(rise_k - slope * mean_k)), slope])
