"""Units under every name, and what states one for the pixels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermscan.errors import InputError
from thermscan.frames.units import TEMPERATURE_UNITS, celsius, kelvin_a_step, known_unit, stated_units, unit_named

# By definition of the scales: 0 °C = 32 °F = 273.15 K, and 100 °C = 212 °F = 373.15 K.
FIXED = {
    "C": (0.0, 100.0),
    "F": (32.0, 212.0),
    "K": (273.15, 373.15),
    "dK": (2731.5, 3731.5),
    "cK": (27315, 37315),
    "mK": (273150, 373150),
}


@pytest.mark.parametrize("unit", TEMPERATURE_UNITS)
def test_ice_and_boiling_water_read_0_and_100_in_every_unit(unit):
    # One part in 1e13 of 373 K is what the subtraction leaves of a double.
    np.testing.assert_allclose(celsius(FIXED[unit], unit), [0.0, 100.0], atol=1e-10)


@given(st.sampled_from(TEMPERATURE_UNITS), st.floats(0, 4e5), st.floats(-100, 100))
def test_a_step_in_a_unit_is_worth_the_same_everywhere(unit, value, step):
    risen = celsius(value + step, unit) - celsius(value, unit)
    assert float(risen) == pytest.approx(((value + step) - value) * kelvin_a_step(unit), abs=1e-8)


def test_bad_pixels_stay_bad():
    assert np.isnan(celsius([np.nan, 300.0], "K")).tolist() == [True, False]


NAMES = {
    "C": [
        "C",
        "c",
        "°C",
        "º C",
        "℃",
        "degC",
        "deg. C",
        "deg C",
        "Celsius",
        "CELSIUS",
        "degrees Celsius",
        "[°C]",
        '"C"',
    ],
    "F": ["F", "f", "°F", "℉", "degF", "Fahrenheit", "degrees fahrenheit", "(F)"],
    "K": ["K", "k", "kelvin", "KELVIN", "Kelvins", "K", "[K]"],
    "cK": [
        *("cK", "ck", "CK", "centikelvin", "Centi-Kelvin", "centi kelvin", "K*100", "kelvin * 100", "K x 100", "K×100"),
        *("100*K", "K/100", "1/100 K", "0.01 K", "0,01 K", "0.01K", "1e-2 K", "10 mK", "hundredths of a kelvin"),
    ],
    "dK": ["dK", "dk", "decikelvin", "K*10", "kelvin x 10", "0.1 K", "1/10 K", "tenths of a kelvin", "100 mK"],
    "mK": ["mK", "mk", "millikelvin", "K*1000", "0.001 K", "thousandths of a kelvin", "milli-kelvin"],
    "counts": ["counts", "Counts", "raw counts", "DN", "digital numbers"],
}


@pytest.mark.parametrize(("unit", "name"), [(unit, name) for unit, names in NAMES.items() for name in names])
def test_a_unit_is_known_by_its_written_forms(unit, name):
    assert unit_named(name) == unit


@pytest.mark.parametrize("name", ["MK", "", "m", "mm", "0.1 C", "K*7", "Kg", "degrees", "cC", "celsius kelvin", "1"])
def test_what_is_no_unit_here_is_not_taken_for_one(name):
    assert unit_named(name) is None


def test_an_unknown_unit_is_refused_with_those_known():
    with pytest.raises(InputError) as caught:
        known_unit("Reaumur", where="--unit")
    assert str(caught.value) == '--unit: "Reaumur" is not a unit; write one of cK dK K C F mK counts'


def test_counts_are_no_temperatures():
    with pytest.raises(InputError, match="counts are not temperatures; name a camera file"):
        celsius([1.0], "counts")


STATED = {
    "cK": [
        "unit: cK",
        "unit=cK",
        "UNIT = CENTIKELVIN",
        "Units;centikelvin",
        "<unit>cK</unit>",
        '<pixels unit="cK" rows="120"/>',
        "temperature_unit: 0.01 K",
        "Pixel values are in centikelvin.",
        "values are kelvin*100",
        "Radiometric data (K x 100)",
        "bench camera, 16 bit, centikelvin",
        "cK",
        "raw data in 0.01 K, emissivity 0.95, ambient 22 C",
        '{"camera": "bench", "unit": "cK"}',
        '{"frames": [{"meta": {"temperatureUnit": "centikelvin"}}], "ambient_unit": "C"}',
        '{"comment": "unit: cK"}',
        "Distance unit: m\nTemperature unit: cK",
        "Noise: 40 mK\nUnit: cK",
        "each count is 0.01 K",
        "Scale: 0.01 K per count",
        "0.01 K/digit",
        '{"scale": 0.01, "unit": "K"}',
        "unit: kelvin\nscale factor = 0.01\noffset = 0.0",
        "raw16; T[K] = value / 100",
    ],
    "C": [
        "Temperature [°C]",
        "Temperature (C)",
        "temperatures in degrees Celsius",
        "T in °C",
        "T/°C",
        "Temperature, °C",
        "Unit: °C",
        "Unit: Celsius; Ambient: 71 °F",
        "Temperatur [°C];;;;",
        "degC",
        "Thermal image, Celsius, emissivity 1",
        "Temperature unit\tC",
        "Einheit;°C",
        "Temperature;°C",
        "Ambient;71,5;°F;Einheit;C",
        '"Unit","°C"',
    ],
    "K": [
        '{"scale": 1.0, "unit": "K"}',
        '{"scale": 0.04, "unit": "K"}',
        "unit: K, scale: 0.01, offset: 200",
        "Unit;K",
        "unit: kelvin",
        "Values: Kelvin",
        "temperature (K)",
        "K",
        "stored in kelvin",
    ],
    "F": ["temperature_unit: F", "Temperature (°F)", "unit degrees Fahrenheit", "degF"],
    "dK": ["temperatures are in tenths of a kelvin", "unit = dK", "pixel unit: K*10"],
    "mK": ["unit: mK", "values in mK", "millikelvin"],
}


@pytest.mark.parametrize(("unit", "text"), [(unit, text) for unit, texts in STATED.items() for text in texts])
def test_a_plain_statement_is_understood(unit, text):
    assert [stated.unit for stated in stated_units([text])] == [unit]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "ambient: 22 °C",
        "Emissivity 0.95, reflected 22 C",
        "reflected temperature [°C]: 22",
        "Room temperature in °C",
        "noise 40 mK",
        "sensitivity 0.05 K",
        "NETD (mK): 40",
        "Min [°C];21.4",
        "Max: 80.2 °C",
        "resolution 0.1 K",
        "accuracy 2 K",
        "camera F",
        "Camera unit 3",
        "unit: micron",
        "unit=\\u00B5m",
        "Distance unit: m",
        '{"shape": [120, 160]}',
        '{"ambient_unit": "C"}',
        "A;B;C;D;E;F;G;H;I;J;K",
        "unit: MK",
        "file C:\\data\\run.tif",
        "Class F insulation; K factor",
        "taken 2026-05-02 at 22.5 C",
        "Ambient;22,4;°C",
        "Ambient\t22.4\t°C",
        '"Spot 1","85.2","°C"',
        "Max;85.2;°C;Min;21.0;°C",
    ],
)
def test_what_states_no_unit_for_the_pixels_is_not_taken_to(text):
    assert stated_units([text]) == ()


def test_contradicting_statements_are_both_returned():
    assert {stated.unit for stated in stated_units(["unit: K", "unit: cK"])} == {"K", "cK"}


def test_a_keyed_unit_outweighs_running_text():
    assert [stated.unit for stated in stated_units(["converted from Celsius", "unit: cK"])] == ["cK"]
