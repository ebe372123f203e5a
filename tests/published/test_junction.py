"""
Junction temperature by psi_JT.

Source of the form: JESD51-2A and JESD51-12, psi_JT = (T_J - T_T) / P_H with T_T at the top's centre and the whole
power (from memory). The pair of theta_JC and psi_JT: Texas Instruments SLLA305A, ESD451 in X2SON-2.
"""

from __future__ import annotations

import pytest

from thermscan.judge.junction import estimate_junction


def test_a_top_of_62_degrees_with_0_8_watts_and_8_kelvin_a_watt_has_a_junction_of_68_4():
    assert estimate_junction(62.0, 0.80, psi_jt_k_per_w=8.0).temp_c == pytest.approx(68.4, abs=1e-9)


def test_psi_is_not_the_resistance_to_the_case():
    # ESD451: psi_JT 2.6 K/W, theta_JC(top) 201.2 K/W. With 0.1 W the top is 0.26 K below the junction, not 20 K.
    assert estimate_junction(50.0, 0.1, psi_jt_k_per_w=2.6).temp_c - 50.0 == pytest.approx(0.26, abs=1e-9)


def test_uncertainty_of_top_watts_and_psi_add_as_squares():
    # 0.5 K, 8 K/W x 0.1 W = 0.8 K, and a quarter of 6.4 K = 1.6 K: JCGM 100:2008 (GUM), 5.1.2.
    found = estimate_junction(62.0, 0.80, psi_jt_k_per_w=8.0, u_top_k=0.5, u_w=0.1, psi_share=0.25)
    assert found.u_k == pytest.approx((0.5**2 + 0.8**2 + 1.6**2) ** 0.5, rel=1e-12)
