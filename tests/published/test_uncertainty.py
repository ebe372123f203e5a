"""Worked examples of the GUM and its first supplement."""

import numpy as np
import pytest

from thermscan.radiometry.propagation import propagate
from thermscan.radiometry.surface import apparent_temperature

ZERO_C_ABS_K = 273.15  # SI Brochure, 9th edition, 2.3.1; typed in, not imported
# JCGM 100:2008, H.2, table H.2: five simultaneous observations of V (volt), I (ampere) and phi (radian).
VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
AMPERES = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
RADIANS = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def impedance(inputs):
    volts, amperes, radians = inputs
    z = volts / amperes
    return np.array([z * np.cos(radians), z * np.sin(radians), z])


def test_the_correlated_example_of_the_gum_comes_out_as_printed():
    observations = np.array([VOLTS, AMPERES, RADIANS])
    found = propagate(impedance, observations.mean(axis=1), covariance=np.cov(observations) / 5)
    # JCGM 100:2008, table H.3: R = 127.732, u 0.071; X = 219.847, u 0.295; Z = 254.260, u 0.236 ohm. The data as
    # printed give 0.2956 for the second, so one unit of the last digit is allowed.
    assert found.values == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert found.u == pytest.approx([0.071, 0.295, 0.236], abs=1.0e-3)
    # Independent computation to eight digits.
    assert found.u == pytest.approx([0.0710714, 0.2955817, 0.2363361], abs=2e-7)
    r = found.correlation
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=6e-4)


def test_the_end_gauge_of_the_gum_has_its_uncertainty():
    # JCGM 100:2008, H.1: 25, 9.7, 2.9 and 16.6 nm make 32 nm (from memory).
    u_nm = [25.0, 9.7, 2.9, 16.6]
    combined = propagate(np.sum, np.zeros(4), covariance=u_nm).u[0]
    assert round(combined) == 32


def test_the_sum_of_four_normal_quantities():
    # JCGM 101:2008, 9.2.2: u 2.00 (from memory).
    assert propagate(np.sum, np.zeros(4), covariance=np.ones(4)).u[0] == pytest.approx(2.0, rel=1e-9)


def surface_by_fourth_power(inputs):
    """The radiance balance for total radiation, which goes with T^4."""
    apparent, emissivity, reflected = inputs
    return ((apparent**4 - (1 - emissivity) * reflected**4) / emissivity) ** 0.25


VALUES, UNCERTAINTIES = [347.968904, 0.95, 300.0], [0.5, 0.02, 2.0]


def test_a_thermal_reading_carried_to_first_order():
    # Closed form, computed independently: sensitivities 1.0344120, -42.38914 K, -0.0331441; u 0.9953048 K.
    found = propagate(surface_by_fourth_power, VALUES, covariance=UNCERTAINTIES)
    assert found.values[0] == pytest.approx(350.0, abs=1e-6)
    assert found.sensitivities[0] == pytest.approx([1.0344120, -42.38914, -0.0331441], rel=2e-6)
    # The central difference over a hundredth of u(e) adds a few 1e-8 of curvature.
    assert found.u[0] == pytest.approx(0.9953048, abs=5e-7)


def test_a_thermal_reading_drawn_at_random_scatters_as_the_first_order_says():
    # JCGM 101:2008, 7: inputs drawn from their distributions; 2e6 trials elsewhere gave 350.0142 and s 0.99615.
    drawn = surface_by_fourth_power(np.random.default_rng(13).normal(VALUES, UNCERTAINTIES, size=(500_000, 3)).T)
    found = propagate(surface_by_fourth_power, VALUES, covariance=UNCERTAINTIES)
    # Of half a million trials the mean scatters by 0.0014, s by 0.001; the function's bend moves the mean by 0.014 K.
    assert found.u[0] == pytest.approx(drawn.std(ddof=1), rel=5e-3)
    assert found.values[0] == pytest.approx(drawn.mean(), abs=0.02)


# Emissivity, transmittance, To, Tr and Tw, apparent, in closed form with T^4: 300^4 = 8.1e9, 350^4 = 1.500625e10,
# 400^4 = 2.56e10 exactly.
FOURTH_POWER = [
    (1.0, 1.0, 350.0, 300.0, 350.0),
    (0.95, 1.0, 350.0, 300.0, 347.9689042646528),
    (0.50, 1.0, 350.0, 300.0, 1.1553125e10**0.25),
    (0.10, 1.0, 350.0, 300.0, 306.1998252171217),
    (0.50, 1.0, 400.0, 300.0, 1.685e10**0.25),
    (0.95, 0.9, 350.0, 300.0, 344.0088116189242),
]


@pytest.mark.parametrize("case", FOURTH_POWER)
def test_the_balance_for_total_radiation_is_that_of_a_very_wide_band(case):
    emissivity, transmittance, surface_abs_k, reflected_abs_k, apparent_abs_k = case
    found = apparent_temperature(
        surface_abs_k - ZERO_C_ABS_K,
        emissivity=emissivity,
        reflected_c=reflected_abs_k - ZERO_C_ABS_K,
        band_um=(0.5, 20000.0),
        transmittance=transmittance,
        window_c=reflected_abs_k - ZERO_C_ABS_K,
    )
    # Beyond 20 mm lies less than 1e-9 of the radiation at 300 K.
    assert found + ZERO_C_ABS_K == pytest.approx(apparent_abs_k, abs=1e-6)
