"""Published examples of the rules that the heat's fit and the judge's expectations rest on."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import nnls

from thermscan.heat.nonneg import solve_nonnegative
from thermscan.judge.comparison import Comparison
from thermscan.judge.peers import _Readings, _spread
from thermscan.judge.posterior import log_integral, log_likelihood, put_together
from thermscan.judge.spread import robust_spread
from thermscan.judge.watts_seen import _robust_mean

# The worked example that the documentation of numerical programs gives for Lawson and Hanson's algorithm NNLS
# (Solving Least Squares Problems, 1974, chapter 23): the free solution is -2.56, 3.11.
NNLS_C = np.array([[0.0372, 0.2869], [0.6861, 0.7071], [0.6233, 0.6245], [0.6344, 0.6170]])
NNLS_D = np.array([0.8587, 0.1781, 0.0747, 0.8405])


def _with_a_free_unknown(matrix: np.ndarray, target: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The fit's last unknown is free: here one that stands by itself, and comes to -2."""
    rows, cols = matrix.shape
    whole = np.zeros((rows + 1, cols + 1))
    whole[:rows, :cols], whole[rows, cols] = matrix, 1.0
    return whole, np.append(target, -2.0)


def _nonnegative(matrix: np.ndarray, target: np.ndarray, bounded: np.ndarray) -> np.ndarray:
    return solve_nonnegative(matrix.T @ matrix, matrix.T @ target, bounded)


def test_non_negative_least_squares_comes_to_the_published_solution():
    matrix, target = _with_a_free_unknown(NNLS_C, NNLS_D)
    found = _nonnegative(matrix, target, np.array([True, True, False]))
    # Printed: 0, 0.6929.
    assert found == pytest.approx([0.0, 0.6929, -2.0], abs=5e-5)
    assert _nonnegative(matrix, target, np.zeros(3, bool)) == pytest.approx([-2.5627, 3.1108, -2.0], abs=5e-5)


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_non_negative_least_squares_agrees_with_a_library_on_problems_of_many_unknowns(share: float):
    rng = np.random.default_rng(8)
    for _ in range(5):
        # With a share in common the columns are alike, and most unknowns end at 0.
        matrix, target = share + rng.random((60, 25)), rng.normal(size=60)
        whole, wanted = _with_a_free_unknown(matrix, target)
        bounded = np.arange(26) < 25
        expected = nnls(matrix, target)[0]
        assert _nonnegative(whole, wanted, bounded)[:-1] == pytest.approx(expected, abs=1e-7)
        # From whichever side it is begun.
        started = solve_nonnegative(whole.T @ whole, whole.T @ wanted, bounded, start=np.zeros(26, bool))
        assert started[:-1] == pytest.approx(expected, abs=1e-7)


@pytest.mark.parametrize(("n", "prior_degrees"), [(4, 4.0), (9, 8.0)])
def test_a_groups_variance_is_moderated_by_the_expectation(n: int, prior_degrees: float):
    # G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3 (2004), article 3, section 4: the
    # posterior variance is (d0 s0^2 + d s^2) / (d0 + d), with d0 + d degrees of freedom.
    values = np.random.default_rng(n).normal(10.0, 2.0, n)
    readings = _Readings((), values, values, 10.0, 1.5, 0.0, 0.0, np.zeros(n))
    spread, degrees = _spread(readings, range(n), prior_degrees)
    seen = robust_spread(values) ** 2
    assert spread**2 == pytest.approx((prior_degrees * 1.5**2 + (n - 1) * seen) / (prior_degrees + n - 1))
    assert degrees == prior_degrees + n - 1


# B. Efron and C. Morris, J. Am. Stat. Assoc. 70 (1975) 311-319: batting averages of 18 players after 45 times at bat.
BASEBALL = [
    0.400, 0.378, 0.356, 0.333, 0.311, 0.311, 0.289, 0.267, 0.244,
    0.244, 0.222, 0.222, 0.222, 0.222, 0.222, 0.200, 0.178, 0.156,
]  # fmt: skip


def test_efron_and_morriss_players_differ_hardly_more_than_chance_makes_them():
    # With 45 times at bat chance alone makes sqrt(0.265 x 0.735 / 45) = 0.066; the paper shrinks by 0.79, so that the
    # players themselves differ by sqrt(0.21) of what is seen: a spread of about 0.03.
    values = np.array(BASEBALL)
    noise = np.full(len(values), np.sqrt(values.mean() * (1 - values.mean()) / 45))
    readings = _Readings((), values, values, 0.265, 0.03, 0.0, 0.0, noise)
    spread, _ = _spread(readings, range(len(values)), 1.0)
    assert values.mean() == pytest.approx(0.265, abs=0.0005)
    shrink = noise[0] ** 2 / (noise[0] ** 2 + spread**2)
    # The median deviation of 18 values knows their variance to about half of it.
    assert shrink == pytest.approx(0.79, abs=0.13)


def _log_bayes_factor(t: float, prior_sd: float) -> float:
    """Of a normal difference with standard deviation 1, a fault's size being normal too: by the judge's integral."""
    sizes = np.linspace(-12.0 * prior_sd - 12.0, 12.0 * prior_sd + 12.0, 40_001)
    prior = np.exp(-((sizes / prior_sd) ** 2) / 2) / (prior_sd * np.sqrt(2.0 * np.pi))
    one = Comparison("U1", "peer", t, 0.0, 1.0, 1e7, t, 10.0, 10.0, 3, "3 peers")
    return log_integral(sizes, log_likelihood(one, sizes, without_k=0.0), prior) - float(
        log_likelihood(one, np.zeros(1), without_k=0.0)[0]
    )


@pytest.mark.parametrize(("t", "ratio"), [(0.0, 1.41421), (1.96, 0.54125), (2.576, 0.26918)])
def test_two_groups_by_a_normal_and_a_wider_one_as_in_the_bayes_factor_of_one_observation(t: float, ratio: float):
    # J. O. Berger and T. Sellke, J. Am. Stat. Assoc. 82 (1987) 112-122, section 1: with a prior as wide as one
    # observation, B = sqrt(1 + n) exp(-t^2 n / (2 (n + 1))) for n = 1; the figures worked out by hand.
    assert np.exp(-_log_bayes_factor(t, 1.0)) == pytest.approx(ratio, rel=1e-3)


def test_a_mean_blind_to_outliers_is_hubers():
    # P. J. Huber, Ann. Math. Statist. 35 (1964) 73-101: residuals beyond k are counted as k. For 0, 0, 0, 0, 100 with
    # k = 2 and a flat prior: 4 m = 2, so m = 0.5.
    mean, _ = _robust_mean(np.array([0.0, 0.0, 0.0, 0.0, 100.0]), np.ones(5), prior_sd=1e6)
    assert mean == pytest.approx(0.5, abs=1e-3)


# L. Lyons, D. Gibaut and P. Clifford, How to combine correlated estimates of a single physical quantity, Nucl. Instrum.
# Meth. A 270 (1988) 110-117, section 5: four lifetimes of charmed particles (1e-13 s), and their covariances, (17').
LIFETIMES = np.array([9.5, 11.9, 11.1, 8.9])
COVARIANCE = np.array([[2.74, 1.15, 0.86, 1.31], [1.15, 1.67, 0.82, 1.32], [0.86, 0.82, 2.12, 1.05],
                       [1.31, 1.32, 1.05, 2.93]])  # fmt: skip


@pytest.mark.parametrize("pair", [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)])
def test_comparisons_with_a_shared_error_come_to_the_best_linear_estimate_of_correlated_ones(pair: tuple[int, int]):
    # Their equation (2): the mean by the inverse of the covariance, and its variance. Far from 0 a fault's size is as
    # probable everywhere, so that the posterior is that; budgets known to 50 degrees make it a few per cent wider.
    far_k, shared_k = 200.0, float(np.sqrt(COVARIANCE[pair]))
    compared = [
        Comparison(
            "U1", rule, far_k + LIFETIMES[i], shared_k, float(np.sqrt(COVARIANCE[i, i] - shared_k**2)), 1e7,
            far_k, far_k, 0.0, 3, "three runs",
        )
        for i, rule in zip(pair, ("baseline", "expected"), strict=True)
    ]  # fmt: skip
    inverse = np.linalg.inv(COVARIANCE[np.ix_(pair, pair)])
    best = inverse.sum(axis=0) @ LIFETIMES[list(pair)] / inverse.sum()
    found = put_together(compared)
    assert found.fault_k - far_k == pytest.approx(best, abs=0.06)
    assert found.u_k == pytest.approx(inverse.sum() ** -0.5, rel=0.05)
