"""Warm-up and lock-in against textbook results: the source stands beside each."""

import numpy as np
import pytest

from thermscan.dynamics.exponentials import fit_exponentials
from thermscan.dynamics.spectrum import fit_spectrum

# Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, section 5.1: T = Ta + dT (1 - exp(-t/tau)).
# Shares of the way gone at 0.5, 1, 2, 3 and 5 time constants; computed from the closed form.
STEP_SHARES = ((0.5, 0.393469), (1.0, 0.632121), (2.0, 0.864665), (3.0, 0.950213), (5.0, 0.993262))
# A bare board: rho 1850 kg/m3, cp 1100 J/(kg K), 1.6 mm, 10 W/(m2 K) on each side: tau = rho cp t / h.
BOARD_TAU_S = 1850.0 * 1100.0 * 1.6e-3 / 20.0


def test_a_first_order_step_passes_the_tabulated_shares():
    assert abs(BOARD_TAU_S - 162.8) < 0.05
    t = np.arange(0.0, 5.2 * BOARD_TAU_S, 2.0)
    found = fit_exponentials(t, 22.0 + 10.0 * (1.0 - np.exp(-t / BOARD_TAU_S)))
    assert found.tau_s == pytest.approx((BOARD_TAU_S,), rel=1e-6)
    for constants, share in STEP_SHARES:
        # The shares have six digits.
        assert found.curve_c(np.array([constants * BOARD_TAU_S]))[0] - 22.0 == pytest.approx(10.0 * share, abs=2e-5)


@pytest.mark.parametrize(("ratio", "parted"), [(8.0, True), (3.0, True), (1.15, False)])
def test_two_exponentials_part_as_their_ratio_allows(ratio, parted):
    """
    C. Lanczos, Applied Analysis (1956), IV.23: near rates cannot be told apart at the noise of any reading.

    At a signal of 3000 times the noise a ratio of 3 parts (Istratov and Vyvenko, Rev. Sci. Instrum. 70 (1999) 1233: the
    limit of resolution falls to about 2 as the noise does); one of 1.15 is told as a single one.
    """
    t = np.arange(0.0, 500.0, 1.0)
    taus = (40.0, 40.0 * ratio)
    noise = np.random.default_rng(3).normal(0.0, 15.0 / 3000.0, len(t))
    found = fit_exponentials(t, 50.0 - 7.0 * np.exp(-t / taus[0]) - 8.0 * np.exp(-t / taus[1]) + noise)
    assert len(found.tau_s) == (2 if parted else 1)
    if parted:
        assert found.tau_s == pytest.approx(taus, rel=0.12)


def test_the_end_of_a_board_is_held_by_its_interval():
    """Four lumped parts on one board, two time constants each, seen for twice the slower: known ends (closed form)."""
    t = np.arange(0.0, 240.0, 0.5)
    rng = np.random.default_rng(8)
    ends = np.array([14.0, 20.0, 9.0, 30.0])
    fast = np.array([0.3, 0.5, 0.2, 0.6])
    curves = ends * (1.0 - fast * np.exp(-t / 25.0)[:, None] - (1 - fast) * np.exp(-t / 120.0)[:, None])
    found = fit_spectrum(t, 22.0 + curves + rng.normal(0.0, 0.01, curves.shape))
    end_k, u_k = found.told(np.eye(len(found.taus) + 1)[0])
    error = found.level_c + end_k - 22.0 - ends
    assert np.all(np.abs(error) < 2.5 * u_k)
    assert np.all(u_k < 0.2 * ends)
