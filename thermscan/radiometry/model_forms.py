"""The models a calibration may have, each fitted by least squares of temperature."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.radiometry.calibration import model_signal, model_temperature_c, parameter_slopes
from thermscan.radiometry.planck import SECOND_RADIATION_CONSTANT_UM_K, Band, band_radiance
from thermscan.scales import abs_k_from_c

# Two points closer than this tell a gain no better than noise does.
LEAST_SPAN_K = 1.0
# What a trial fit that gives no temperature is charged for a point.
_LOST_K = 1e3
# Over these temperatures the Planck form takes the shape of the band's own radiance.
_SHAPE_RANGE_C = (-20.0, 150.0)


@dataclass(frozen=True, slots=True)
class ModelForm:
    """A model with some of its parameters left free."""

    name: str
    model: str
    free: int
    words: str


# From the simplest; where two have as many free parameters, the physical one first.
FORMS = {
    "C": (
        ModelForm("offset", "offset", 1, "a constant added"),
        ModelForm("linear", "linear", 2, "a constant and a gain"),
    ),
    "counts": (
        ModelForm("planck-gain", "planck-zero", 2, "Planck form with the band's own shape; gain and zero free"),
        ModelForm("linear", "linear", 2, "a constant and a gain"),
        ModelForm("planck", "planck", 3, "Planck form of Sakuma and Hattori"),
        ModelForm("planck-zero", "planck-zero", 4, "Planck form with a zero of its own"),
    ),
}


def fit_form(
    form: ModelForm, values: NDArray[np.float64], reference_c: NDArray[np.float64], band_um: Band
) -> NDArray[np.float64] | None:
    """All parameters of the form's model, or None where it cannot be had from these points."""
    if form.name == "offset":
        return np.array([np.mean(reference_c - values)])
    if np.ptp(values) == 0 or np.ptp(reference_c) < LEAST_SPAN_K:
        return None
    if form.name == "linear":
        slope, intercept = np.polyfit(values, reference_c, 1)
        return np.array([intercept, slope]) if slope != 0 else None
    shape = np.array(_band_shape(band_um))
    gain, zero = np.polyfit(model_signal("planck", [*shape, 1.0], reference_c), values, 1)
    if form.name == "planck":
        return _least_squares(form, _planck_start(shape, values, reference_c), values, reference_c)
    return _least_squares(form, np.array([*shape, gain, zero]), values, reference_c)


def _planck_start(
    shape: NDArray[np.float64], values: NDArray[np.float64], reference_c: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The band's shape with the gain that meets the middle point; the rest is for the fit to find."""
    middle = int(np.argsort(reference_c)[reference_c.size // 2])
    return np.array([*shape, values[middle] / model_signal("planck", [*shape, 1.0], reference_c[middle])])


def _least_squares(
    form: ModelForm, start: NDArray[np.float64], values: NDArray[np.float64], reference_c: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    """Least squares of temperature over the form's free parameters, which stand last; None where it finds nothing."""
    free = slice(start.size - form.free, None)
    size = np.maximum(np.abs(start[free]), 1e-12)

    def build(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.concatenate([start[: start.size - form.free], x * size])

    def residuals(x: NDArray[np.float64]) -> NDArray[np.float64]:
        found = model_temperature_c(form.model, build(x), values) - reference_c
        return np.where(np.isfinite(found), found, _LOST_K)

    def slopes(x: NDArray[np.float64]) -> NDArray[np.float64]:
        found = parameter_slopes(form.model, build(x), values)[:, free] * size
        return np.where(np.isfinite(found), found, 0.0)

    with np.errstate(all="ignore"):
        done = least_squares(
            residuals, start[free] / size, jac=slopes, method="lm", xtol=1e-10, ftol=1e-10, gtol=1e-10, max_nfev=200
        )
        parameters = build(done.x)
        fitted = model_temperature_c(form.model, parameters, values)
    sound = parameters[0] > 0 and parameters[2] != 0 and np.all(np.isfinite(fitted))
    return parameters if sound else None


@lru_cache(maxsize=16)
def _band_shape(band_um: Band) -> tuple[float, float]:
    """a_um and b_um_k with which the Planck form follows a band's radiance, within some hundredths of a kelvin."""
    temp_c = np.linspace(*_SHAPE_RANGE_C, 35)
    radiance = band_radiance(temp_c, band_um=band_um)
    inverse_temp = SECOND_RADIATION_CONSTANT_UM_K / abs_k_from_c(temp_c)
    slope = -np.polyfit(inverse_temp, np.log(radiance), 1)[0]
    form = ModelForm("planck", "planck", 3, "")
    first = np.array([1 / slope, 50.0, 0.0])
    first[2] = radiance[17] / model_signal("planck", [first[0], first[1], 1.0], temp_c[17])
    parameters = _least_squares(form, first, radiance, temp_c)
    if parameters is None:
        raise InputError("the band's radiance has no Planck form", where="band_um", fix="choose the model linear")
    return float(parameters[0]), float(parameters[1])


def parameter_covariance(
    form: ModelForm, parameters: NDArray[np.float64], values: NDArray[np.float64], variance_k2: float
) -> NDArray[np.float64]:
    """Of all parameters; 0 for those that the band gave. The columns are scaled, since they differ by 10^6."""
    slopes = parameter_slopes(form.model, parameters, values)[:, -form.free :]
    size = np.linalg.norm(slopes, axis=0)
    inverse = np.linalg.pinv(slopes / size, rcond=1e-12)
    covariance = np.zeros((parameters.size, parameters.size))
    covariance[-form.free :, -form.free :] = variance_k2 * (inverse @ inverse.T) / np.outer(size, size)
    return covariance
