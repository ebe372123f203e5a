import numpy as np
import pytest

from thermscan.errors import InputError
from thermscan.radiometry.calibration import (
    MODELS,
    Calibration,
    model_signal,
    model_temperature_c,
    parameter_slopes,
)
from thermscan.radiometry.fitting import fit_calibration
from thermscan.radiometry.planck import band_radiance

PARAMETERS = {
    "offset": [-1.3],
    "linear": [1.2, 1.03],
    "planck": [9.4, 170.0, 4.1e5],
    "planck-zero": [9.4, 170.0, 4.1e5, 8000.0],
}
TEMP_C = np.array([-20.0, 0.0, 25.0, 100.0, 300.0])


@pytest.mark.parametrize("model", MODELS)
def test_signal_and_temperature_undo_each_other(model):
    signal = model_signal(model, PARAMETERS[model], TEMP_C)
    assert model_temperature_c(model, PARAMETERS[model], signal) == pytest.approx(TEMP_C, abs=1e-8)


def test_a_signal_that_falls_with_temperature_is_read_too():
    parameters = [9.4, 170.0, -4.1e5, 16000.0]
    signal = model_signal("planck-zero", parameters, TEMP_C)
    assert np.all(np.diff(signal) < 0)
    assert model_temperature_c("planck-zero", parameters, signal) == pytest.approx(TEMP_C, abs=1e-8)


@pytest.mark.parametrize("model", MODELS)
def test_slopes_are_the_derivatives(model):
    parameters = np.array(PARAMETERS[model])
    values = model_signal(model, parameters, TEMP_C)
    slopes = parameter_slopes(model, parameters, values)
    for i, parameter in enumerate(parameters):
        step = np.zeros(parameters.size)
        step[i] = 1e-6 * abs(parameter)
        up, down = (model_temperature_c(model, parameters + sign * step, values) for sign in (1, -1))
        assert slopes[:, i] == pytest.approx((up - down) / (2 * step[i]), rel=1e-4)


def test_what_no_temperature_gives_is_nan():
    calibration = Calibration("planck-zero", PARAMETERS["planck-zero"], of="counts")
    assert np.isnan(calibration.temperature_c([np.nan, 8000.0, 7000.0])).all()
    assert calibration.u_k([9000.0]) is None


def test_the_uncertainty_of_a_line_is_smallest_at_its_middle():
    covariance = np.array([[0.04, -0.0008], [-0.0008, 2e-5]])
    calibration = Calibration("linear", PARAMETERS["linear"], covariance=covariance)
    # Variance 0.04 - 0.0016 v + 2e-5 v^2: least at v = 40, 0.008.
    assert calibration.u_k([40.0]) == pytest.approx(np.sqrt(0.008))
    assert np.all(calibration.u_k([0.0, 90.0]) > calibration.u_k([40.0]))


def test_the_criterion_finds_the_model_that_was_there():
    rng, temp_c = np.random.default_rng(12), np.linspace(0.0, 100.0, 12)
    noisy_c = temp_c + rng.normal(0.0, 0.1, temp_c.size)
    cameras = {
        "offset": (temp_c + 2.0, "C"),
        "linear": (1.04 * temp_c - 1.0, "C"),
        "planck-gain": (6000 + 50 * band_radiance(temp_c), "counts"),
        "planck": (50 * band_radiance(temp_c) ** 1.25, "counts"),
    }
    for name, (values, of) in cameras.items():
        assert fit_calibration(values, noisy_c, of=of).name == name


def test_each_point_is_judged_by_the_others():
    values, reference_c = np.array([0.0, 25.0, 50.0, 75.0, 100.0]), np.array([1.0, 26.0, 51.0, 79.0, 101.0])
    fit = fit_calibration(values, reference_c, model="offset")
    # The others say +1 where the fourth says +4, and (1 + 1 + 1 + 4) / 4 where it is among them.
    assert fit.leave_one_out_k == pytest.approx([0.75, 0.75, 0.75, -3.0, 0.75])
    assert fit.residuals_k == pytest.approx([0.6, 0.6, 0.6, -2.4, 0.6])
    assert fit.scatter_k == pytest.approx(np.sqrt((4 * 0.36 + 5.76) / 4))


def test_one_point_gives_an_offset_and_no_idea_how_good():
    fit = fit_calibration([21.0], [20.0])
    assert fit.calibration.parameters.tolist() == [-1.0]
    assert fit.half_width_k([21.0]) is None
    assert fit.remarks[0] == "1 point(s) for 1 parameter(s): nothing is left to tell how good the fit is"


def test_two_points_of_counts_take_the_shape_from_the_band():
    temp_c = np.array([0.0, 98.0])
    fit = fit_calibration(6000 + 50 * band_radiance(temp_c), temp_c, of="counts")
    assert fit.name == "planck-gain"
    assert fit.calibration.temperature_c(6000 + 50 * band_radiance(50.0)) == pytest.approx(50.0, abs=5e-3)


@pytest.mark.parametrize(
    ("values", "reference_c", "extra", "text"),
    [
        ([1.0], [1.0, 2.0], {}, "1 values and 2 references do not pair"),
        ([], [], {}, "do not pair"),
        ([np.nan], [1.0], {}, "not a finite number"),
        ([1.0], [-300.0], {}, "-300 C is no temperature of a reference"),
        ([1.0, 2.0], [20.0, 20.5], {"of": "counts"}, "span 0.5 K, too little to tell a gain from noise"),
        ([1.0], [20.0], {"of": "counts"}, "no model fits 1 point"),
        ([1.0, 1.0, 1.0], [0.0, 50.0, 98.0], {}, "the camera gave 1 at all 3 references; check that each frame"),
        ([1.0], [1e5], {}, "100000 C is no temperature of a reference"),
        ([1e300], [20.0], {}, r"1e\+300 is nothing that a camera writes"),
        ([1.0], [20.0], {"model": "cubic"}, 'model: "cubic" is not a model for C; choose from offset, linear'),
        ([1.0], [20.0], {"of": "volts"}, "write C or counts"),
    ],
)
def test_points_that_tell_nothing_are_refused(values, reference_c, extra, text):
    with pytest.raises(InputError, match=text):
        fit_calibration(values, reference_c, **extra)
