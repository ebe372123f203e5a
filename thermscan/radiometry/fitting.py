"""A camera's calibration from reference points: which model, how good, and how sure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from thermscan.errors import InputError
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.radiometry.calibration import Calibration, model_temperature_c
from thermscan.radiometry.model_forms import FORMS, LEAST_SPAN_K, ModelForm, fit_form, parameter_covariance
from thermscan.radiometry.planck import DEFAULT_BAND_UM, Band
from thermscan.scales import ZERO_C_ABS_K, read_only

# Beyond these it is a slip of the pen.
_HOTTEST_C, _LARGEST_VALUE = 2500.0, 1e9
# Residuals below a microkelvin are rounding; without a floor a perfect fit would have no information criterion.
_LEAST_RMS_K = 1e-6
# A model with less than this Akaike weight is spoken against, 19 to 1.
_LEAST_SUPPORT = 0.05


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
        The same, each point judged by a fit without it; NaN where the others do not suffice or it was not asked for.
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

    __reduce__ = reduce_frozen

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
        return self._reach_k(values, lambda degrees: float(stdtrit(degrees, (1 + coverage) / 2)))

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
    leave_one_out: bool = True,
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
    leave_one_out : bool
        Whether to judge each point by the others; that takes as many fits as there are points.

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
    forms = [form for form in FORMS[of] if model in (None, form.name)]
    if not forms:
        known = ", ".join(form.name for form in FORMS[of])
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
    found = _with_evidence(forms[best], candidates[best], v, reference, candidates=candidates)
    if not leave_one_out:
        return found
    return replace(found, leave_one_out_k=_leave_one_out(forms[best], v, reference, band_um))


def _checked_points(
    values: ArrayLike, reference_c: ArrayLike, of: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    v, reference = np.asarray(values, dtype=np.float64), np.asarray(reference_c, dtype=np.float64)
    if of not in FORMS:
        raise InputError(f'"{of}" cannot be calibrated', where="of", fix="write C or counts")
    if v.ndim != 1 or v.shape != reference.shape or v.size == 0:
        raise InputError(f"{v.size} values and {reference.size} references do not pair", where="points")
    if not (np.all(np.isfinite(v)) and np.all(np.isfinite(reference))):
        raise InputError("a value or a reference is not a finite number", where="points")
    if np.any(reference <= -ZERO_C_ABS_K) or np.any(reference > _HOTTEST_C):
        raise InputError(
            f"{reference[np.argmax(np.abs(reference))]:g} C is no temperature of a reference",
            where="points",
            fix="give degrees Celsius",
        )
    if np.any(np.abs(v) > _LARGEST_VALUE):
        raise InputError(f"{v[np.argmax(np.abs(v))]:g} is nothing that a camera writes", where="points")
    if v.size > 1 and np.ptp(v) == 0 and np.ptp(reference) >= LEAST_SPAN_K:
        raise InputError(
            f"the camera gave {v[0]:g} at all {v.size} references",
            where="points",
            fix="check that each frame shows its own reference, and that the camera's range is not exceeded",
        )
    if v.size > 1 and np.ptp(reference) < LEAST_SPAN_K and of == "counts":
        raise InputError(
            f"the references span {np.ptp(reference):.2g} K, too little to tell a gain from noise",
            where="points",
            fix="add references at other temperatures, such as melting ice and hot water",
        )
    return v, reference


def _candidate(
    form: ModelForm,
    values: NDArray[np.float64],
    reference_c: NDArray[np.float64],
    of: str,
    band_um: Band,
    *,
    tried: bool,
) -> FitCandidate:
    parameters = fit_form(form, values, reference_c, band_um) if tried else None
    if parameters is None:
        return FitCandidate(form.name, form.words, form.free)
    n, k, degrees = values.size, form.free + 1, values.size - form.free
    squares = float(np.sum((model_temperature_c(form.model, parameters, values) - reference_c) ** 2))
    rms = max(np.sqrt(squares / n), _LEAST_RMS_K)
    covariance = parameter_covariance(form, parameters, values, squares / degrees) if degrees > 0 else None
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
    form: ModelForm,
    chosen: FitCandidate,
    values: NDArray[np.float64],
    reference_c: NDArray[np.float64],
    *,
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
        leave_one_out_k=np.full(values.size, np.nan),
        scatter_k=float(np.sqrt(np.sum(residuals_k**2) / degrees)) if degrees > 0 else float("nan"),
        degrees=degrees,
        candidates=candidates,
        remarks=_remarks(form, candidates, values.size, degrees),
    )


def _leave_one_out(
    form: ModelForm, values: NDArray[np.float64], reference_c: NDArray[np.float64], band_um: Band
) -> NDArray[np.float64]:
    errors = np.full(values.size, np.nan)
    if values.size <= form.free:
        return errors
    for i in range(values.size):
        others = np.arange(values.size) != i
        parameters = fit_form(form, values[others], reference_c[others], band_um)
        if parameters is not None:
            errors[i] = model_temperature_c(form.model, parameters, values[i]) - reference_c[i]
    return errors


def _remarks(form: ModelForm, candidates: tuple[FitCandidate, ...], points: int, degrees: int) -> tuple[str, ...]:
    remarks = []
    if degrees <= 0:
        remarks.append(f"{points} point(s) for {form.free} parameter(s): nothing is left to tell how good the fit is")
    untried = [c.name for c in candidates if c.aicc is None and c.name != form.name and points < c.free + 3]
    if untried:
        remarks.append(f"{points} points are too few to weigh {', '.join(untried)}; more would tell")
    return tuple(remarks)
