"""The judge's statistics against published examples, and against statsmodels and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.robust.scale import mad
from statsmodels.stats.multitest import multipletests

from thermscan.judge.comparison import U_DEGREES, Comparison, effective_degrees
from thermscan.judge.multiplicity import adjusted_p_values
from thermscan.judge.posterior import log_integral, log_likelihood
from thermscan.judge.spread import MAD_TO_SIGMA, robust_spread

# Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300, the example of section 4.1.
BH_1995 = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0,
]  # fmt: skip
# Mass spectrometer data of Tietjen and Moore 1972; NIST/SEMATECH e-Handbook, section 1.3.5.17.
NIST_OUTLIER = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


def test_benjamini_and_hochbergs_own_example_calls_the_first_four():
    adjusted = adjusted_p_values(BH_1995)
    # The paper at q = 0.05 rejects H(1) to H(4).
    assert (adjusted <= 0.05).tolist() == [True] * 4 + [False] * 11
    np.testing.assert_allclose(adjusted[:4], [0.0015, 0.0030, 0.0095, 0.035625], rtol=1e-12)


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=40))
def test_adjusted_p_values_are_those_of_statsmodels(p_values: list[float]):
    expected = multipletests(p_values, method="fdr_bh")[1]
    np.testing.assert_allclose(adjusted_p_values(p_values), expected, rtol=1e-12, atol=1e-300)


def test_the_handbooks_outlier_stands_out_of_the_robust_spread_and_no_other_value_does():
    # e-Handbook 1.3.5.17 labels |M| > 3.5. A plain z of the outlier is 2.47 here, and could not exceed 2.4749.
    distance = np.abs(np.array(NIST_OUTLIER) - np.median(NIST_OUTLIER)) / robust_spread(NIST_OUTLIER)
    assert (distance > 3.5).tolist() == [False] * 7 + [True]


def test_robust_spread_of_many_is_the_median_absolute_deviation_of_statsmodels():
    values = np.random.default_rng(3).normal(size=2001)
    assert robust_spread(values) == pytest.approx(float(mad(values)), rel=1e-3)
    # 1 / Phi^-1(3/4), scipy.
    assert pytest.approx(1 / stats.norm.ppf(0.75), rel=1e-12) == MAD_TO_SIGMA


@pytest.mark.parametrize("n", range(2, 15))
def test_robust_spread_of_few_normal_values_is_right_on_average(n: int):
    # Croux and Rousseeuw 1992, table of small-sample factors. 6 000 draws: 1 % standard error at most; the
    # published factors are themselves rounded to 0.1 %, and n / (n - 0.8) is an approximation good to 1 %.
    draws = np.random.default_rng(n).normal(size=(6_000, n))
    assert np.mean([robust_spread(row) for row in draws]) == pytest.approx(1.0, abs=0.025)


@pytest.mark.parametrize(("n", "factor"), [(3, 4.968275), (5, 3.041443), (10, 2.372570), (20, 2.144711)])
def test_one_more_value_is_predicted_with_the_published_factor(n: int, factor: float):
    # t sqrt(1 + 1/n), two-sided 95 %: G. J. Hahn and W. Q. Meeker, Statistical Intervals, 1991, section 4.7
    # (figures computed independently).
    comparison = _comparison(excess_k=factor, spread_k=float(np.sqrt(1 + 1 / n)), degrees=n - 1)
    assert comparison.p_value == pytest.approx(0.05, abs=1e-6)


def test_effective_degrees_of_freedom_of_the_guides_end_gauge():
    # JCGM 100:2008, H.1.6: 25 nm (18), 9.7 nm (25.6), 2.9 nm (50), 16.6 nm (2) give nu_eff = 16.7, truncated to 16.
    degrees = effective_degrees((25.0, 9.7, 2.9, 16.6), (18.0, 25.6, 50.0, 2.0))
    assert degrees == pytest.approx(16.7, abs=0.1)


@pytest.mark.parametrize(
    ("t", "n", "posterior"),
    [
        (1.645, 1, 0.42), (1.960, 1, 0.35), (2.576, 1, 0.21), (3.291, 1, 0.086),
        (1.960, 10, 0.37), (2.576, 10, 0.14), (3.291, 10, 0.024),
        (1.645, 100, 0.72), (1.960, 100, 0.60), (2.576, 100, 0.27), (3.291, 100, 0.045),
    ],
)  # fmt: skip
def test_probability_of_no_difference_is_berger_and_sellkes(t: float, n: int, posterior: float):
    # J. O. Berger and T. Sellke, J. Am. Stat. Assoc. 82 (1987), equation 1.1 and entries of table 1, from memory:
    # Pr(H0 | x) for even odds before and an alternative with the spread of one of the n observations. Two digits.
    sizes = np.linspace(-80.0, 80.0, 40_001)
    one = _comparison(excess_k=t, spread_k=1.0, degrees=1e7)
    good = float(log_likelihood(one, np.zeros(1), without_k=0.0)[0])
    spread = stats.norm.pdf(sizes, scale=np.sqrt(n))
    odds = np.exp(log_integral(sizes, log_likelihood(one, sizes, without_k=0.0), spread) - good)
    assert 1.0 / (1.0 + odds) == pytest.approx(posterior, abs=0.006)
    assert odds == pytest.approx((1 + n) ** -0.5 * np.exp(t**2 / (2 * (1 + 1 / n))), rel=1e-4)


def test_budgets_are_trusted_to_a_tenth():
    # JCGM 100:2008, G.4.2, equation G.3: nu = 1/2 (relative uncertainty of u)^-2.
    assert pytest.approx(0.5 * 0.1**-2) == U_DEGREES


def _comparison(*, excess_k: float, spread_k: float, degrees: float) -> Comparison:
    return Comparison(
        ref="U1",
        rule="peer",
        excess_k=excess_k,
        u_k=0.0,
        spread_k=spread_k,
        degrees=degrees,
        temp_excess_k=excess_k,
        expected_k=10.0,
        own_expected_k=10.0,
        count=3,
        against="3 peers",
    )
