"""A camera's calibration from reference points: which model, how good, and how sure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.stats import t as student_t

from thermscan.errors import InputError
from thermscan.radiometry.calibration import Calibration, model_signal, model_temperature_c, parameter_slopes
from thermscan.radiometry.planck import DEFAULT_BAND_UM, SECOND_RADIATION_CONSTANT_UM_K, Band, band_radiance
from thermscan.scales import ZERO_C_ABS_K, abs_k_from_c, read_only

# Two points closer than this tell a gain no better than noise does.
_LEAST_SPAN_K = 1.0
# Residuals below a microkelvin are rounding; without a floor a perfect fit would have no information criterion.
_LEAST_RMS_K = 1e-6
# A model with less than this Akaike weight is spoken against (about 6 to 1 in likelihood, with as many parameters).
_LEAST_SUPPORT = 0.05
# What a trial fit that gives no temperature is charged for a point.
_LOST_K = 1e3
# Over these temperatures the Planck form takes the shape of the band's own radiance.
_SHAPE_RANGE_C = (-20.0, 150.0)


@dataclass(frozen=True, slots=True)
class _Form:
    """A model with some of its parameters left free."""

    name: str
    model: str
    free: int
    words: str


# From the simplest; where two have as many free parameters, the physical one first.
_FORMS = {
    "C": (
        _Form("offset", "offset", 1, "a constant added"),
        _Form("linear", "linear", 2, "a constant and a gain"),
    ),
    "counts": (
        _Form("planck-gain", "planck-zero", 2, "Planck form with the band's own shape; gain and zero free"),
        _Form("linear", "linear", 2, "a constant and a gain"),
        _Form("planck", "planck", 3, "Planck form of Sakuma and Hattori"),
        _Form("planck-zero", "planck-zero", 4, "Planck form with a zero of its own"),
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class FitCandidate:
    """
    One model that was weighed.

    Attributes
    ----------
    name, words : str
        ``planck-gain`` is the model ``planck-zero`` with its shape taken from the band.
    free : int
        How many parameters were fitted.
    aicc : float or None
        Information criterion; the lowest is best. None where the points are too few for it.
    rms_k : float or None
        None where it was not fitted, or the fit failed.
    calibration : Calibration or None
    support : float
        How far the points alone speak for it among those weighed (Akaike weight); they add up to 1.
    """

    name: str
    words: str
    free: int
    aicc: float | None = None
    rms_k: float | None = None
    calibration: Calibration | None = None
    support: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class CalibrationFit:
    """
    A calibration with the evidence for it.

    Attributes
    ----------
    calibration : Calibration
    name : str
        Of the candidate chosen.
    values, reference_c : ndarray of shape (n,)
    residuals_k : ndarray of shape (n,)
        Calibrated minus reference.
    leave_one_out_k : ndarray of shape (n,)
        The same, each point judged by a fit without it; NaN where the others do not suffice.
    scatter_k : float
        Standard deviation of the residuals, n - p in the denominator; NaN with no point to spare.
    degrees : int
        n - p.
    candidates : tuple of FitCandidate
    remarks : tuple of str
    """

    calibration: Calibration
    name: str
    values: NDArray[np.float64]
    reference_c: NDArray[np.float64]
    residuals_k: NDArray[np.float64]
    leave_one_out_k: NDArray[np.float64]
    scatter_k: float
    degrees: int
    candidates: tuple[FitCandidate, ...]
    remarks: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        for name in ("values", "reference_c", "residuals_k", "leave_one_out_k"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def u_k(self, values: ArrayLike) -> NDArray[np.float64] | None:
        """Standard uncertainty of the calibrated temperature, as `half_width_k` with a factor of 1."""
        return self._reach_k(values, lambda _degrees: 1.0)

    def half_width_k(self, values: ArrayLike, *, coverage: float = 0.95) -> NDArray[np.float64] | None:
        """
        Half-width about the calibrated temperature that holds the true one; None with no point to spare.

        Few points favour the simplest model even where a richer one is true, and its small variance would then
        mislead. So the interval reaches to the end of that of every model that the points do not speak against.

        References
        ----------
        .. [1] JCGM 100:2008, G.3: Student's factor for few degrees of freedom.
        """
        return self._reach_k(values, lambda degrees: float(student_t.ppf((1 + coverage) / 2, degrees)))

    def _reach_k(self, values: ArrayLike, factor: Callable[[int], float]) -> NDArray[np.float64] | None:
        chosen_c = self.calibration.temperature_c(values)
        own_k = self.calibration.u_k(values)
        if own_k is None:
            return None
        reach_k = factor(self.degrees) * own_k
        for candidate in self.candidates:
            if candidate.support >= _LEAST_SUPPORT and candidate.calibration is not None:
                u_k = candidate.calibration.u_k(values)
                if u_k is not None:
                    apart_k = np.abs(candidate.calibration.temperature_c(values) - chosen_c)
                    reach_k = np.fmax(reach_k, apart_k + factor(self.values.size - candidate.free) * u_k)
        return reach_k


def fit_calibration(
    values: ArrayLike,
    reference_c: ArrayLike,
    *,
    of: str = "C",
    band_um: Band = DEFAULT_BAND_UM,
    model: str | None = None,
) -> CalibrationFit:
    """
    The calibration that a few reference points tell.

    Parameters
    ----------
    values : array_like of shape (n,)
        What the camera wrote: apparent temperature in Celsius, or counts.
    reference_c : array_like of shape (n,)
        Apparent temperature that each reference has: its own, corrected for its emissivity.
    of : str
        ``C`` or ``counts``.
    band_um : pair of float or SpectralResponse
        Gives the Planck form its shape where the points are too few to.
    model : str, optional
        Take this one (as in `FitCandidate.name`); by default the information criterion chooses.

    Returns
    -------
    CalibrationFit

    Raises
    ------
    InputError
        Values and references that do not pair, are not finite, or are too few; an unknown model; no model fits.

    Notes
    -----
    The fit minimises squares of temperature, for counts too, so that all models are compared in kelvin. Errors of
    the references that all points share (the thermometer's) do not show in the residuals: add them.

    References
    ----------
    .. [1] N. Sugiura, Communications in Statistics A7 (1978) 13-26: the corrected criterion
       AICc = n ln(RSS/n) + 2 k + 2 k (k + 1) / (n - k - 1), with the variance counted in k.

    Examples
    --------
    >>> fit = fit_calibration([1.4, 24.1, 49.0, 74.2, 99.1], [0.0, 23.0, 47.6, 73.1, 97.8])
    >>> fit.name, fit.calibration.parameters.round(2).tolist()
    ('offset', [-1.26])
    """
    v, reference = _checked_points(values, reference_c, of)
    forms = [form for form in _FORMS[of] if model in (None, form.name)]
    if not forms:
        known = ", ".join(form.name for form in _FORMS[of])
        raise InputError(f'"{model}" is not a model for {of}', where="model", fix=f"choose from {known}")
    weighable = [form for form in forms if v.size >= form.free + 3]
    # With too few points for any criterion, the simplest that can be had.
    tried = weighable or [form for form in forms if form.free == min(f.free for f in forms) <= v.size]
    candidates = _weighed([_candidate(form, v, reference, of, band_um, tried=form in tried) for form in forms], v.size)
    fitted = [i for i, candidate in enumerate(candidates) if candidate.calibration is not None]
    if not fitted:
        raise InputError(
            f"no model fits {v.size} point(s)",
            where="points",
            fix=f"give {min(form.free for form in forms) + 3} or more, well spread in temperature",
        )
    best = min(fitted, key=lambda i: _rank(candidates[i]))
    return _with_evidence(forms[best], candidates[best], v, reference, band_um=band_um, candidates=candidates)


def _checked_points(
    values: ArrayLike, reference_c: ArrayLike, of: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    v, reference = np.asarray(values, dtype=np.float64), np.asarray(reference_c, dtype=np.float64)
    if of not in _FORMS:
        raise InputError(f'"{of}" cannot be calibrated', where="of", fix="write C or counts")
    if v.ndim != 1 or v.shape != reference.shape or v.size == 0:
        raise InputError(f"{v.size} values and {reference.size} references do not pair", where="points")
    if not (np.all(np.isfinite(v)) and np.all(np.isfinite(reference))):
        raise InputError("a value or a reference is not a finite number", where="points")
    if np.any(reference <= -ZERO_C_ABS_K):
        raise InputError(f"{reference.min():g} C is below absolute zero", where="points")
    if v.size > 1 and np.ptp(reference) < _LEAST_SPAN_K and of == "counts":
        raise InputError(
            f"the references span {np.ptp(reference):.2g} K, too little to tell a gain from noise",
            where="points",
            fix="add references at other temperatures, such as melting ice and hot water",
        )
    return v, reference


def _fit_form(
    form: _Form, values: NDArray[np.float64], reference_c: NDArray[np.float64], band_um: Band
) -> NDArray[np.float64] | None:
    """All parameters of the form's model, or None where it cannot be had from these points."""
    if form.name == "offset":
        return np.array([np.mean(reference_c - values)])
    if np.ptp(values) == 0 or np.ptp(reference_c) < _LEAST_SPAN_K:
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
    form: _Form, start: NDArray[np.float64], values: NDArray[np.float64], reference_c: NDArray[np.float64]
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
            residuals, start[free] / size, jac=slopes, x_scale="jac", xtol=1e-10, ftol=1e-10, gtol=1e-10, max_nfev=100
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
    form = _Form("planck", "planck", 3, "")
    first = np.array([1 / slope, 50.0, 0.0])
    first[2] = radiance[17] / model_signal("planck", [first[0], first[1], 1.0], temp_c[17])
    parameters = _least_squares(form, first, radiance, temp_c)
    if parameters is None:
        raise InputError("the band's radiance has no Planck form", where="band_um", fix="choose the model linear")
    return float(parameters[0]), float(parameters[1])


def _candidate(
    form: _Form,
    values: NDArray[np.float64],
    reference_c: NDArray[np.float64],
    of: str,
    band_um: Band,
    *,
    tried: bool,
) -> FitCandidate:
    parameters = _fit_form(form, values, reference_c, band_um) if tried else None
    if parameters is None:
        return FitCandidate(form.name, form.words, form.free)
    n, k, degrees = values.size, form.free + 1, values.size - form.free
    squares = float(np.sum((model_temperature_c(form.model, parameters, values) - reference_c) ** 2))
    rms = max(np.sqrt(squares / n), _LEAST_RMS_K)
    covariance = _covariance(form, parameters, values, squares / degrees) if degrees > 0 else None
    return FitCandidate(
        name=form.name,
        words=form.words,
        free=form.free,
        aicc=2 * n * float(np.log(rms)) + 2 * k + 2 * k * (k + 1) / (n - k - 1) if n > k + 1 else None,
        rms_k=float(np.sqrt(squares / n)),
        calibration=Calibration(
            form.model,
            parameters,
            of=of,
            covariance=covariance,
            range_c=(float(reference_c.min()), float(reference_c.max())),
        ),
    )


def _weighed(candidates: list[FitCandidate], points: int) -> tuple[FitCandidate, ...]:
    """
    The candidates with their Akaike weights; 0 where a model was not fitted.

    References
    ----------
    .. [1] K. P. Burnham, D. R. Anderson, Model Selection and Multimodel Inference, 2nd edition (2002), 2.9.
    """
    aic = [
        np.inf if c.rms_k is None else 2 * points * np.log(max(c.rms_k, _LEAST_RMS_K)) + 2 * (c.free + 1)
        for c in candidates
    ]
    if not np.any(np.isfinite(aic)):
        return tuple(candidates)
    raw = np.exp((np.min(aic) - np.array(aic)) / 2)
    return tuple(replace(c, support=float(w)) for c, w in zip(candidates, raw / raw.sum(), strict=True))


def _rank(candidate: FitCandidate) -> tuple[float, float]:
    """The lower criterion first; where there is none, the smaller residuals, and of equals the first listed."""
    return candidate.aicc if candidate.aicc is not None else 0.0, max(candidate.rms_k or 0.0, _LEAST_RMS_K)


def _with_evidence(
    form: _Form,
    chosen: FitCandidate,
    values: NDArray[np.float64],
    reference_c: NDArray[np.float64],
    *,
    band_um: Band,
    candidates: tuple[FitCandidate, ...],
) -> CalibrationFit:
    assert chosen.calibration is not None
    residuals_k = chosen.calibration.temperature_c(values) - reference_c
    degrees = values.size - form.free
    return CalibrationFit(
        calibration=chosen.calibration,
        name=form.name,
        values=values,
        reference_c=reference_c,
        residuals_k=residuals_k,
        leave_one_out_k=_leave_one_out(form, values, reference_c, band_um),
        scatter_k=float(np.sqrt(np.sum(residuals_k**2) / degrees)) if degrees > 0 else float("nan"),
        degrees=degrees,
        candidates=candidates,
        remarks=_remarks(form, candidates, values.size, degrees),
    )


def _covariance(
    form: _Form, parameters: NDArray[np.float64], values: NDArray[np.float64], variance_k2: float
) -> NDArray[np.float64]:
    """Of all parameters; 0 for those that the band gave. The columns are scaled, since they differ by 10^6."""
    slopes = parameter_slopes(form.model, parameters, values)[:, -form.free :]
    size = np.linalg.norm(slopes, axis=0)
    inverse = np.linalg.pinv(slopes / size, rcond=1e-12)
    covariance = np.zeros((parameters.size, parameters.size))
    covariance[-form.free :, -form.free :] = variance_k2 * (inverse @ inverse.T) / np.outer(size, size)
    return covariance


def _leave_one_out(
    form: _Form, values: NDArray[np.float64], reference_c: NDArray[np.float64], band_um: Band
) -> NDArray[np.float64]:
    errors = np.full(values.size, np.nan)
    if values.size <= form.free:
        return errors
    for i in range(values.size):
        others = np.arange(values.size) != i
        parameters = _fit_form(form, values[others], reference_c[others], band_um)
        if parameters is not None:
            errors[i] = model_temperature_c(form.model, parameters, values[i]) - reference_c[i]
    return errors


def _remarks(form: _Form, candidates: tuple[FitCandidate, ...], points: int, degrees: int) -> tuple[str, ...]:
    remarks = []
    if degrees <= 0:
        remarks.append(f"{points} point(s) for {form.free} parameter(s): nothing is left to tell how good the fit is")
    untried = [c.name for c in candidates if c.aicc is None and c.name != form.name and points < c.free + 3]
    if untried:
        remarks.append(f"{points} points are too few to weigh {', '.join(untried)}; more would tell")
    return tuple(remarks)
