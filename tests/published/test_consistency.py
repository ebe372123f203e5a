"""Weighted mean and Birge ratio against a published adjustment."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.views.combining import consistency

# E. Tiesinga, P. J. Mohr, D. B. Newell, B. N. Taylor, CODATA recommended values of the fundamental physical constants:
# 2018, Rev. Mod. Phys. 93 (2021) 025010, table of the sixteen measurements of the constant of gravitation, in
# 1e-11 m3 kg-1 s-2 and units of the last digits (typed from memory). The text gives chi-square 198 (197.7 from these
# rounded values) on 15 degrees of freedom, a Birge ratio of 3.6, and 6.67430 after the expansion of all uncertainties.
G = [6.67248, 6.6729, 6.67398, 6.674255, 6.67559, 6.67422, 6.67387, 6.67222]
G += [6.67425, 6.67349, 6.67260, 6.67554, 6.67191, 6.67435, 6.674184, 6.674484]
U = [43e-5, 50e-5, 70e-5, 9.2e-5, 27e-5, 98e-5, 27e-5, 87e-5, 12e-5, 18e-5, 25e-5, 16e-5, 99e-5, 13e-5, 7.8e-5, 7.8e-5]


def test_sixteen_values_of_the_constant_of_gravitation_scatter_3_6_times_as_much_as_stated() -> None:
    told = consistency(np.array(G), np.array(U))
    assert np.sqrt(told.chi_square / 15) == pytest.approx(3.6, abs=0.05)
    # Correlations between some of the sixteen move the published mean by less than its last digit's unit.
    assert told.mean == pytest.approx(6.67430, abs=2e-5)
    assert told.chance < 1e-30


def test_the_chance_is_the_chi_square_tables() -> None:
    """NIST/SEMATECH e-Handbook, 1.3.6.7.4, upper critical values: 5.991 at 5 % with 2 degrees of freedom."""
    third = np.sqrt(5.991 / 2)
    told = consistency(np.array([-third, 0.0, third]), np.ones(3))
    assert told.chi_square == pytest.approx(5.991)
    assert told.chance == pytest.approx(0.05, abs=2e-5)
