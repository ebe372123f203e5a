import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from thermscan.errors import InputError
from thermscan.radiometry.planck import (
    SpectralResponse,
    band_radiance,
    band_radiance_slope,
    band_temperature_c,
    spectral_radiance,
)

BANDS = [
    (8.0, 14.0),
    (7.5, 13.0),
    (3.0, 5.0),
    (1.0, 2.5),
    (0.9, 25.0),
    SpectralResponse((7.0, 8.0, 13.0, 15.0), (0, 1, 0.8, 0)),
]


@pytest.mark.parametrize("band_um", BANDS, ids=str)
def test_the_inverse_is_exact_from_minus_40_to_500(band_um):
    temp_c = np.linspace(-40.0, 500.0, 5001)
    back_c = band_temperature_c(band_radiance(temp_c, band_um=band_um), band_um=band_um)
    # Asked for: 1 mK. The cubic pieces leave about 1e-9 K.
    assert back_c == pytest.approx(temp_c, abs=1e-7)


@given(st.floats(-200.0, 2000.0), st.floats(1.0, 20.0), st.floats(0.2, 10.0))
def test_any_band_gives_its_temperature_back(temp_c, start_um, width_um):
    band_um = (start_um, start_um + width_um)
    assert band_temperature_c(band_radiance(temp_c, band_um=band_um), band_um=band_um) == pytest.approx(
        temp_c, abs=1e-4
    )


@pytest.mark.parametrize("temp_c", [-60.0, 22.0, 350.0, 1200.0])
@pytest.mark.parametrize("band_um", [(8.0, 14.0), (3.0, 5.0), (10.0, 10.2)])
def test_radiance_is_the_integral_of_plancks_law(band_um, temp_c):
    expected = quad(spectral_radiance, *band_um, args=(temp_c,), epsrel=1e-12, epsabs=0)[0]
    assert band_radiance(temp_c, band_um=band_um) == pytest.approx(expected, rel=1e-9)


def test_a_flat_response_is_a_rectangle():
    flat = SpectralResponse((8.0, 11.0, 14.0), (2.0, 2.0, 2.0))
    assert band_radiance(60.0, band_um=flat) == pytest.approx(2 * band_radiance(60.0), rel=1e-9)


def test_a_response_weighs_the_spectrum():
    response = SpectralResponse((8.0, 10.0, 14.0), (0.0, 1.0, 0.0))

    def weighed(length_um):
        return np.interp(length_um, response.wavelengths_um, response.response) * spectral_radiance(length_um, 60.0)

    expected = quad(weighed, 8.0, 10.0, epsrel=1e-11)[0] + quad(weighed, 10.0, 14.0, epsrel=1e-11)[0]
    assert band_radiance(60.0, band_um=response) == pytest.approx(expected, rel=1e-9)


def test_the_slope_is_the_derivative():
    temp_c, step_k = np.array([-30.0, 25.0, 90.0, 400.0]), 1e-3
    by_difference = (band_radiance(temp_c + step_k) - band_radiance(temp_c - step_k)) / (2 * step_k)
    assert band_radiance_slope(temp_c) == pytest.approx(by_difference, rel=1e-7)


def test_what_has_no_answer_is_nan():
    assert np.isnan(band_radiance([np.nan, -273.15, -300.0, 5000.0])).all()
    assert np.isnan(band_temperature_c([np.nan, 0.0, -1.0, np.inf])).all()
    assert np.isnan(spectral_radiance(10.0, [-273.15, np.nan])).all()


@pytest.mark.parametrize("band_um", [(14.0, 8.0), (0.0, 5.0), (8.0, 8.0), (np.nan, 14.0)])
def test_a_band_without_extent_is_refused(band_um):
    with pytest.raises(InputError, match="is not a band; give the shorter and the longer wavelength"):
        band_radiance(20.0, band_um=band_um)


@pytest.mark.parametrize(
    ("wavelengths", "response", "text"),
    [
        ((8.0,), (1.0,), "two or more"),
        ((8.0, 9.0), (1.0,), "1 values stand at 2 wavelengths"),
        ((9.0, 8.0), (1.0, 1.0), "must rise"),
        ((8.0, 9.0), (1.0, -0.1), "0 or more"),
        ((8.0, 9.0), (0.0, 0.0), "not all 0"),
    ],
)
def test_a_senseless_response_is_refused(wavelengths, response, text):
    with pytest.raises(InputError, match=text):
        SpectralResponse(wavelengths, response)
