"""Planck's law, band fractions, the Planck form of Sakuma and Hattori, and the radiance balance, against tables."""

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from thermscan.radiometry.angle import dielectric_emissivity
from thermscan.radiometry.calibration import model_signal, model_temperature_c
from thermscan.radiometry.planck import (
    FIRST_RADIATION_CONSTANT,
    SECOND_RADIATION_CONSTANT_UM_K,
    band_radiance,
    band_radiance_slope,
    band_temperature_c,
    spectral_radiance,
)
from thermscan.radiometry.surface import apparent_temperature, surface_temperature

HERE = Path(__file__).parent
ZERO_C_ABS_K = 273.15  # SI Brochure, 9th edition, 2.3.1: t/degree C = T/K - 273.15; typed in, not imported
STEFAN_BOLTZMANN = 5.670374419e-8  # W m-2 K-4, CODATA 2018; typed in, not imported
WIEN_DISPLACEMENT_UM_K = 2897.771955  # CODATA 2018
BANDS = ((8.0, 14.0), (3.0, 5.0))

FRACTIONS = np.loadtxt(HERE / "band_fractions.txt")
RADIANCES = np.loadtxt(HERE / "band_radiance.txt")
BALANCES = np.loadtxt(HERE / "radiance_balance.txt")


def test_the_radiation_constants_are_those_of_the_si():
    # CODATA 2018: c1L = 1.191042972e-16 W m2 sr-1 and c2 = 1.438776877e-2 m K, ten digits.
    assert pytest.approx(1.191042972e8, rel=5e-10) == FIRST_RADIATION_CONSTANT
    assert pytest.approx(1.438776877e4, rel=5e-10) == SECOND_RADIATION_CONSTANT_UM_K


@pytest.mark.parametrize(("wavelength_um", "radiance"), [(10.0, 9.92403333007), (4.0, 0.721976422571)])
def test_spectral_radiance_at_300_kelvin(wavelength_um, radiance):
    # mpmath, made independently of this project; 12 digits.
    assert spectral_radiance(wavelength_um, 300 - ZERO_C_ABS_K) == pytest.approx(radiance, rel=1e-11)


@pytest.mark.parametrize("temp_c", [-20.0, 25.0, 85.0, 400.0])
def test_all_wavelengths_together_give_the_stefan_boltzmann_law(temp_c):
    exitance = np.pi * quad(spectral_radiance, 0.5, 2000.0, args=(temp_c,), limit=500, epsrel=1e-9)[0]
    # What lies beyond 2000 um at -20 C is about 1e-6 of the whole: that sets the tolerance.
    assert exitance == pytest.approx(STEFAN_BOLTZMANN * (temp_c + ZERO_C_ABS_K) ** 4, rel=2e-6)


@pytest.mark.parametrize("temp_abs_k", [250.0, 300.0, 600.0])
def test_the_brightest_wavelength_is_that_of_wiens_law(temp_abs_k):
    lengths_um = WIEN_DISPLACEMENT_UM_K / temp_abs_k * np.array([0.9999, 1.0, 1.0001])
    below, at, above = spectral_radiance(lengths_um, temp_abs_k - ZERO_C_ABS_K)
    assert at > below
    assert at > above


@pytest.mark.parametrize(("product_um_k", "printed", "exact"), FRACTIONS)
def test_band_fractions_are_those_of_the_table(product_um_k, printed, exact):
    # Ten digits are given, fewer where the value is small: 1e-9 of the whole.
    share = np.pi * band_radiance(26.85, band_um=(0.1, product_um_k / 300)) / (STEFAN_BOLTZMANN * 300.0**4)
    assert share == pytest.approx(exact, abs=1e-9)
    if np.isfinite(printed):
        # The printed table was made with older constants: 2e-5 covers that and its rounding.
        assert share == pytest.approx(printed, abs=2e-5)


@pytest.mark.parametrize("row", RADIANCES, ids=lambda row: f"{row[0]:g} K")
@pytest.mark.parametrize("column", [0, 1], ids=["8-14 um", "3-5 um"])
def test_band_radiance_slope_and_share_are_those_of_the_table(row, column):
    temp_c, (radiance, slope, share) = row[0] - ZERO_C_ABS_K, row[1 + 3 * column : 4 + 3 * column]
    band_um = BANDS[column]
    # To the digits given: ten for the radiance, eight (7.857785e-1: seven) for the others.
    assert band_radiance(temp_c, band_um=band_um) == pytest.approx(radiance, rel=5e-10)
    assert band_radiance_slope(temp_c, band_um=band_um) == pytest.approx(slope, rel=7e-8)
    assert np.pi * radiance / (STEFAN_BOLTZMANN * row[0] ** 4) == pytest.approx(share, abs=6e-9)


@pytest.mark.parametrize("row", RADIANCES, ids=lambda row: f"{row[0]:g} K")
def test_the_tables_radiance_gives_the_tables_temperature(row):
    # Ten digits of radiance are less than 1e-7 K.
    assert band_temperature_c(row[1]) == pytest.approx(row[0] - ZERO_C_ABS_K, abs=1e-7)
    assert band_temperature_c(row[4], band_um=(3.0, 5.0)) == pytest.approx(row[0] - ZERO_C_ABS_K, abs=1e-7)


# C python floats, with the derivative checked by central differences: A 10 um, B 100 um K, C 1000.
SAKUMA_HATTORI = [
    (273.15, 6.250505731874814, 0.1128707958290848),
    (300.0, 9.739914431277358, 0.1472430237631323),
    (350.0, 18.722046518954503, 0.2117373498877067),
    (373.15, 23.95803868127122, 0.2404303072823087),
]


@pytest.mark.parametrize(("temp_abs_k", "signal", "slope"), SAKUMA_HATTORI)
def test_the_planck_form_of_sakuma_and_hattori(temp_abs_k, signal, slope):
    # S = C / (exp(c2 / (A T + B)) - 1): Sakuma and Hattori 1982; BIPM CCT-WG5 (2008).
    parameters, temp_c = [10.0, 100.0, 1000.0], temp_abs_k - ZERO_C_ABS_K
    assert model_signal("planck", parameters, temp_c) == pytest.approx(signal, rel=1e-12)
    assert model_temperature_c("planck", parameters, signal) == pytest.approx(temp_c, abs=1e-9)
    up, down = model_signal("planck", parameters, [temp_c + 1e-3, temp_c - 1e-3])
    assert (up - down) / 2e-3 == pytest.approx(slope, rel=1e-8)


def test_the_expansion_of_a_wide_band_meets_plancks_law_as_far_as_published():
    # Saunders' expansion (from memory): A = lc (1 - w^2 / 2 lc^2), B = c2 w^2 / 24 lc^2. Errors of the inverse for
    # 8-14 um, matched at 323.15 K: -0.094 K at 273.15 K and +0.211 K at 400 K (scipy quadrature, independent).
    centre, width, c2 = 11.0, 6.0, SECOND_RADIATION_CONSTANT_UM_K
    a, b = centre * (1 - width**2 / (2 * centre**2)), c2 * width**2 / (24 * centre**2)
    assert (a, b) == pytest.approx((9.36363636, 178.360770), rel=1e-7)
    gain = float(band_radiance(50.0) / model_signal("planck", [a, b, 1.0], 50.0))
    for temp_abs_k, error_k in ((273.15, -0.094), (400.0, 0.211)):
        found = model_temperature_c("planck", [a, b, gain], band_radiance(temp_abs_k - ZERO_C_ABS_K))
        assert found - (temp_abs_k - ZERO_C_ABS_K) == pytest.approx(error_k, abs=6e-4)


@pytest.mark.parametrize("row", BALANCES)
def test_the_radiance_balance_and_its_inverse_are_those_of_the_table(row):
    start, stop, e, tau, surface_abs_k, reflected_abs_k, window_abs_k, radiance, apparent_abs_k = row
    given = {
        "emissivity": e,
        "reflected_c": reflected_abs_k - ZERO_C_ABS_K,
        "band_um": (start, stop),
        "transmittance": tau,
        "window_c": None if np.isnan(window_abs_k) else window_abs_k - ZERO_C_ABS_K,
    }
    apparent_c = apparent_temperature(surface_abs_k - ZERO_C_ABS_K, **given)
    assert band_radiance(apparent_c, band_um=(start, stop)) == pytest.approx(radiance, rel=5e-10)
    # Five decimals are given.
    assert apparent_c == pytest.approx(apparent_abs_k - ZERO_C_ABS_K, abs=6e-6)
    # Rounded to them, a reading of emissivity 0.1 comes back ten times coarser.
    back = surface_temperature(apparent_abs_k - ZERO_C_ABS_K, **given)
    assert back == pytest.approx(surface_abs_k - ZERO_C_ABS_K, abs=1e-5 / e / tau)


@pytest.mark.parametrize(
    ("angle_deg", "emissivity"),
    [(0, 0.9600), (30, 0.9585), (45, 0.9498), (60, 0.9108), (70, 0.8290), (75, 0.7469), (80, 0.6123), (85, 0.3872)],
)
def test_a_smooth_dielectric_follows_fresnel(angle_deg, emissivity):
    # Unpolarised Fresnel reflection, n = 1.5, computed independently of this project; four digits.
    assert dielectric_emissivity(angle_deg) == pytest.approx(emissivity, abs=6e-5)
    if angle_deg in (0, 60):
        assert dielectric_emissivity(angle_deg, index=1.6) == pytest.approx(
            {0: 0.9467, 60: 0.8948}[angle_deg], abs=6e-5
        )
