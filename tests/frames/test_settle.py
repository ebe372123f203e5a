"""A frame's unit: given, stated, or the only plausible one; otherwise refused with what each unit would give."""

from __future__ import annotations

import re

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.errors import InputError
from thermscan.frames.plausible import unit_outcomes
from thermscan.frames.reading import read_frames
from thermscan.frames.units import TEMPERATURE_UNITS, kelvin_a_step

RNG = np.random.default_rng(11)
ZERO = {"C": 0.0, "F": 32.0, "K": 273.15, "dK": 2731.5, "cK": 27315.0, "mK": 273150.0}


def in_unit(temp_c, unit):
    return ZERO[unit] + np.asarray(temp_c) / kelvin_a_step(unit)


def bench(ambient_c, *, warm_k=0.0, hot_k=30.0):
    scene = ambient_c + warm_k + 0.05 * RNG.standard_normal((24, 32))
    scene[8:16, 10:20] += hot_k
    return scene


@pytest.fixture
def written(tmp_path):
    def write(temp_c, unit, *, description=None):
        path = tmp_path / "idle.tiff"
        tifffile.imwrite(path, in_unit(temp_c, unit).astype(np.float32), description=description, metadata=None)
        return path

    return write


@settings(max_examples=150, deadline=None)
@given(
    unit=st.sampled_from(TEMPERATURE_UNITS),
    ambient_c=st.floats(8.0, 38.0),
    warm_k=st.floats(0.0, 30.0),
    hot_k=st.floats(5.0, 110.0),
    known=st.booleans(),
)
def test_the_true_unit_of_a_bench_is_always_among_the_plausible_ones(unit, ambient_c, warm_k, hot_k, known):
    scene = bench(ambient_c, warm_k=warm_k, hot_k=hot_k)
    outcomes = unit_outcomes(in_unit(scene, unit), ambient_c=ambient_c if known else None)
    plausible = [outcome.unit for outcome in outcomes if outcome.plausible]
    assert unit in plausible
    # All units but Celsius and Fahrenheit are tens or hundreds of kelvin apart: no other confusion is possible.
    assert set(plausible) <= ({"C", "F"} if unit in {"C", "F"} else {unit})


@pytest.mark.parametrize("unit", TEMPERATURE_UNITS)
def test_the_only_plausible_unit_is_assumed_and_the_option_that_fixes_it_is_said(written, unit):
    (frame,) = read_frames(written(bench(23.0), unit), ambient_c=23.0)
    assert (frame.unit, frame.unit_source) == (unit, "assumed")
    (remark,) = [remark for remark in frame.remarks if "assumed" in remark]
    assert f"--unit {unit}" in remark
    assert f'unit = "{unit}" in the run file' in remark


def test_warm_celsius_without_an_ambient_may_be_fahrenheit_and_is_refused(written):
    with pytest.raises(InputError) as caught:
        read_frames(written(bench(45.0), "C"))
    message = str(caught.value)
    assert "C and F are each plausible" in message
    assert re.search(r"would be C 44\.\d / 45\.\d / 75\.\d °C or F 7\.\d / 7\.\d / 24\.\d °C; ", message)
    assert "--unit C" in message


def test_ambient_tells_celsius_from_fahrenheit(written):
    assert read_frames(written(bench(45.0), "C"), ambient_c=22.0)[0].unit == "C"


def test_a_unit_that_makes_nothing_plausible_is_refused_with_what_each_would_give(written):
    with pytest.raises(
        InputError, match="not stated, and none is plausible for a bench; coldest / median / hott"
    ) as caught:
        read_frames(written(bench(23.0) * 37.0, "C"))
    message = str(caught.value)
    # The two units that are nearest to a bench, and the two likeliest causes; not six conversions.
    assert message.count(" °C") == 2
    assert (
        "most likely they are raw counts, which need a camera file (--camera), or the brightness of a pict" in message
    )


def test_the_given_unit_outweighs_the_file_and_the_difference_is_said(written):
    (frame,) = read_frames(written(bench(45.0), "C", description="Temperature unit: F"), unit="degC")
    assert (frame.unit, frame.unit_source) == ("C", "given")
    assert 'read in C as given, though the file states F ("Temperature unit: F")' in frame.remarks


def test_a_given_unit_that_agrees_with_the_file_needs_no_remark(written):
    (frame,) = read_frames(written(bench(23.0), "C", description="unit: Celsius"), unit="C")
    assert frame.remarks == ()


def test_the_stated_unit_is_taken(written):
    (frame,) = read_frames(written(bench(45.0), "F", description="unit: fahrenheit"))
    assert (frame.unit, frame.unit_source) == ("F", "file")


@pytest.mark.parametrize(("true", "wrong"), [("cK", "K"), ("cK", "C"), ("K", "cK"), ("mK", "cK"), ("dK", "F")])
def test_a_unit_that_cannot_be_right_is_refused_whoever_says_it(written, true, wrong):
    with pytest.raises(InputError, match=f"{wrong}, the unit given, cannot be right; .*--unit {true}"):
        read_frames(written(bench(23.0), true), unit=wrong)
    with pytest.raises(InputError, match=f"{wrong}, the unit stated in the file, cannot be right"):
        read_frames(written(bench(23.0), true, description=f"unit: {wrong}"))


def test_two_units_stated_are_refused_with_both(written):
    with pytest.raises(InputError, match=r"it states different units: K \(unit: K\) and cK \(unit: cK\)"):
        read_frames(written(bench(23.0), "K", description="unit: K\nunit: cK"))


def test_counts_are_left_alone(written):
    (frame,) = read_frames(written(bench(23.0) * 100.0, "C"), unit="counts")
    assert (frame.unit, frame.unit_source) == ("counts", "given")


def test_a_few_dead_or_filled_pixels_do_not_hide_the_unit(written):
    scene = in_unit(bench(23.0), "cK")
    scene[0, :8] = 0.0
    scene[1, :5] = 65535.0
    path = written(bench(23.0), "C")
    tifffile.imwrite(path, scene.astype(np.uint16))
    (frame,) = read_frames(path)
    assert frame.unit == "cK"
    # 65535 would be 382 °C: more than solder and plastics stand, so it is a filling value as 0 is.
    assert np.isnan(frame.values).sum() == 8 + 5


def test_bytes_of_a_picture_are_never_taken_for_temperatures_if_they_span_black_to_white(tmp_path):
    path = tmp_path / "grey.tiff"
    tifffile.imwrite(path, np.tile(np.arange(256, dtype=np.uint8), (64, 1)))
    with pytest.raises(InputError, match="none is plausible"):
        read_frames(path)
