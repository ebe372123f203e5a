import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermscan.errors import InputError
from thermscan.radiometry.surface import (
    apparent_temperature,
    is_unphysical,
    surface_sensitivities,
    surface_temperature,
    undo_camera_correction,
)

WINDOW = {"transmittance": 0.7, "window_c": 24.0}


@given(
    st.floats(-40.0, 500.0),
    st.floats(0.05, 1.0),
    st.floats(-20.0, 60.0),
    st.sampled_from([{}, WINDOW]),
)
def test_surface_temperature_undoes_apparent_temperature(surface_c, emissivity, reflected_c, window):
    given_all = {"emissivity": emissivity, "reflected_c": reflected_c, **window}
    back_c = surface_temperature(apparent_temperature(surface_c, **given_all), **given_all)
    # Asked for: 1 mK. Radiance is kept to 1e-13, of which a cold surface of emissivity 0.05 is one part in a hundred.
    assert back_c == pytest.approx(surface_c, abs=1e-5)


@given(st.floats(-30.0, 200.0), st.floats(0.01, 1.0))
def test_a_surface_as_warm_as_its_surroundings_reads_right_at_any_emissivity(temp_c, emissivity):
    found_c = apparent_temperature(temp_c, emissivity=emissivity, reflected_c=temp_c)
    assert found_c == pytest.approx(temp_c, abs=1e-7)


@pytest.mark.parametrize("window", [{}, WINDOW], ids=["free", "window"])
def test_sensitivities_are_the_derivatives(window):
    base = {"apparent_c": 60.0, "emissivity": 0.8, "reflected_c": 30.0, **window}
    found = surface_sensitivities(**base)
    pairs = {"apparent_c": "per_apparent", "emissivity": "per_emissivity", "reflected_c": "per_reflected"}
    if window:
        pairs |= {"transmittance": "per_transmittance", "window_c": "per_window"}
    for key, name in pairs.items():
        step = 1e-5 * max(abs(base[key]), 1.0)
        up, down = (surface_temperature(**(base | {key: base[key] + sign * step})) for sign in (1, -1))
        assert getattr(found, name) == pytest.approx((up - down) / (2 * step), rel=1e-5)


def test_a_reading_below_its_reflection_is_nan_and_told_from_a_missing_one():
    apparent_c = np.array([20.0, np.nan, 45.0])
    given_all = {"emissivity": 0.1, "reflected_c": 40.0}
    assert np.isnan(surface_temperature(apparent_c, **given_all)).tolist() == [True, True, False]
    assert is_unphysical(apparent_c, **given_all).tolist() == [True, False, False]


def test_an_emissivity_for_each_pixel():
    apparent_c, emissivity = np.full((2, 3), 50.0), np.array([[0.5, 0.8, 0.95], [1.0, np.nan, 0.9]])
    found_c = surface_temperature(apparent_c, emissivity=emissivity, reflected_c=20.0)
    assert found_c.shape == (2, 3)
    assert np.isnan(found_c[1, 1])
    assert found_c[1, 0] == pytest.approx(50.0, abs=1e-9)
    assert found_c[0, 1] == surface_temperature(50.0, emissivity=0.8, reflected_c=20.0)


def test_a_frame_that_the_camera_corrected_is_read_anew():
    apparent_c = 55.0
    shown_c = surface_temperature(apparent_c, emissivity=0.9, reflected_c=25.0)
    found_c = undo_camera_correction(shown_c, camera_emissivity=0.9, camera_reflected_c=25.0)
    assert found_c == pytest.approx(apparent_c, abs=1e-8)
    assert undo_camera_correction(shown_c, camera_emissivity=1.0, camera_reflected_c=99.0) == shown_c


@pytest.mark.parametrize("emissivity", [0.0, -0.1, 1.01, [0.9, 1.2]])
def test_an_impossible_emissivity_is_refused(emissivity):
    with pytest.raises(InputError, match=r"emissivity: \S+ is not an emissivity; give a value above 0 and up to 1"):
        surface_temperature([40.0, 41.0], emissivity=emissivity, reflected_c=20.0)


@pytest.mark.parametrize("transmittance", [0.0, -0.5, 1.5, np.nan])
def test_an_impossible_transmittance_is_refused(transmittance):
    with pytest.raises(InputError, match=r"transmittance: \S+ is not a transmittance"):
        surface_temperature(40.0, emissivity=0.9, reflected_c=20.0, transmittance=transmittance, window_c=20.0)


def test_a_window_without_a_temperature_is_refused():
    with pytest.raises(InputError, match=r"window_c: the window transmits 0\.8, so it radiates too"):
        apparent_temperature(40.0, emissivity=0.9, reflected_c=20.0, transmittance=0.8)
