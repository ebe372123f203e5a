"""Boiling point of water against air pressure and altitude."""

import pytest
from iapws import IAPWS97

from thermscan.radiometry.bench_temperatures import boiling_point_c, standard_pressure_kpa

# IAPWS-IF97, R7-97(2012), table 36: saturation temperature at 0.1 MPa is 372.755919 K (from memory).
IF97_TABLE = [(100.0, 372.755919 - 273.15)]
# Printed vapour pressure of water, public table: 95 C 84.529 kPa, 90 C 70.117 kPa, 100 C 101.32 kPa. Older formulations
# than IF97 differ by up to 0.03 K.
PRINTED = [(84.529, 95.0), (70.117, 90.0), (101.32, 100.0)]
# iapws 1.5.5, made independently of this project.
COMPUTED = [(101.325, 99.974), (100.0, 99.606), (95.0, 98.178), (90.0, 96.687)]
# ISO 2533 (altitude in metres, pressure in kPa), and the boiling point there by iapws 1.5.5.
ALTITUDES = [(500, 95.461, 98.312), (1000, 89.875, 96.649), (1500, 84.556, 94.983), (2000, 79.495, 93.315)]


@pytest.mark.parametrize(("pressure_kpa", "temp_c"), IF97_TABLE)
def test_the_formulations_own_check_value(pressure_kpa, temp_c):
    assert boiling_point_c(pressure_kpa) == pytest.approx(temp_c, abs=1e-6)


@pytest.mark.parametrize(("pressure_kpa", "temp_c"), COMPUTED)
def test_boiling_point_to_the_digits_given(pressure_kpa, temp_c):
    assert boiling_point_c(pressure_kpa) == pytest.approx(temp_c, abs=6e-4)


@pytest.mark.parametrize(("pressure_kpa", "temp_c"), PRINTED)
def test_boiling_point_is_that_of_the_printed_table(pressure_kpa, temp_c):
    assert boiling_point_c(pressure_kpa) == pytest.approx(temp_c, abs=0.03)


@pytest.mark.parametrize("pressure_kpa", [31.0, 50.0, 70.0, 101.325, 108.0, 119.0])
def test_boiling_point_is_that_of_an_independent_program(pressure_kpa):
    # IAPWS97 prints to full precision; both solve the same quadratic.
    expected_c = IAPWS97(P=pressure_kpa / 1000, x=0).T - 273.15
    assert boiling_point_c(pressure_kpa) == pytest.approx(expected_c, abs=1e-9)


@pytest.mark.parametrize(("altitude_m", "pressure_kpa", "temp_c"), ALTITUDES)
def test_pressure_and_boiling_point_at_altitude(altitude_m, pressure_kpa, temp_c):
    assert standard_pressure_kpa(altitude_m) == pytest.approx(pressure_kpa, abs=6e-4)
    assert boiling_point_c(standard_pressure_kpa(altitude_m)) == pytest.approx(temp_c, abs=6e-4)
