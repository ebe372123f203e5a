"""From what a camera wrote to apparent temperature: offset, linear, or the Planck form of Sakuma and Hattori."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.radiometry.planck import SECOND_RADIATION_CONSTANT_UM_K
from thermscan.scales import abs_k_from_c, c_from_abs_k, read_only

# Model: names of its parameters, in the order of the file's list.
MODELS: dict[str, tuple[str, ...]] = {
    "offset": ("offset_k",),
    "linear": ("intercept_c", "slope"),
    "planck": ("a_um", "b_um_k", "c"),
    "planck-zero": ("a_um", "b_um_k", "c", "zero"),
}
INPUTS = ("C", "counts")


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """
    One camera's calibration, with how well it is known.

    Attributes
    ----------
    model : str
        ``offset`` (T = v + offset), ``linear`` (T = intercept + slope v), ``planck`` (Sakuma-Hattori, Planck form)
        or ``planck-zero`` (the same for a signal that does not vanish with the radiance).
    parameters : ndarray of shape (p,)
        In the order of ``MODELS``.
    of : str
        What ``v`` is: ``C`` (apparent temperature as the camera gave it) or ``counts``.
    covariance : ndarray of shape (p, p) or None
        Of the parameters, from the fit; None: not known.
    range_c : tuple of float or None
        Lowest and highest reference temperature.
    """

    model: str
    parameters: NDArray[np.float64]
    of: str = "C"
    covariance: NDArray[np.float64] | None = None
    range_c: tuple[float, float] | None = field(default=None)

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        names = MODELS.get(self.model)
        if names is None:
            raise InputError(f'"{self.model}" is not a model', where="model", fix=f"write {_one_of(MODELS)}")
        if self.of not in INPUTS:
            raise InputError(f'"{self.of}" cannot be calibrated', where="of", fix=f"write {_one_of(INPUTS)}")
        parameters = read_only(self.parameters)
        if parameters.shape != (len(names),) or not np.all(np.isfinite(parameters)):
            raise InputError(
                f"a model {self.model} has {len(names)} finite parameters, not {parameters.tolist()}",
                where="parameters",
                fix=f"write [{', '.join(names)}]",
            )
        _refuse_senseless(self.model, parameters)
        object.__setattr__(self, "parameters", parameters)
        if self.covariance is not None:
            object.__setattr__(self, "covariance", _checked_covariance(self.covariance, len(names)))

    def temperature_c(self, values: ArrayLike) -> NDArray[np.float64]:
        """Apparent temperature of what the camera wrote; NaN stays NaN, and so does what no temperature gives."""
        return model_temperature_c(self.model, self.parameters, values)

    def signal(self, temp_c: ArrayLike) -> NDArray[np.float64]:
        """What the camera writes at an apparent temperature: inverse of `temperature_c`."""
        return model_signal(self.model, self.parameters, temp_c)

    def u_k(self, values: ArrayLike) -> NDArray[np.float64] | None:
        """Standard uncertainty that the parameters' covariance gives at these values; None where it is not known."""
        if self.covariance is None:
            return None
        slopes = parameter_slopes(self.model, self.parameters, values)
        variance = np.einsum("...i,ij,...j->...", slopes, self.covariance, slopes)
        spread: NDArray[np.float64] = np.sqrt(np.maximum(variance, 0.0))
        return spread


def model_temperature_c(model: str, parameters: ArrayLike, values: ArrayLike) -> NDArray[np.float64]:
    """
    Apparent temperature by one of the models.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    parameters : array_like of shape (p,)
    values : array_like
        NaN, and a signal that no temperature gives, gives NaN.

    Returns
    -------
    ndarray of the shape of values
        Degrees Celsius.

    References
    ----------
    .. [1] F. Sakuma, S. Hattori, in: Temperature, Its Measurement and Control in Science and Industry 5 (1982) 421-427:
       S = C / (exp(c2 / (A T + B)) - 1). Recommended for uncertainty budgets below 960 C by BIPM CCT-WG5 (2008).

    Examples
    --------
    >>> model_temperature_c("planck", [10.0, 100.0, 1000.0], 9.739914431277358).round(6).item()
    26.85
    """
    v = np.asarray(values, dtype=np.float64)
    p = np.asarray(parameters, dtype=np.float64)
    if model == "offset":
        offset: NDArray[np.float64] = v + p[0]
        return offset
    if model == "linear":
        linear: NDArray[np.float64] = p[0] + p[1] * v
        return linear
    above_zero = v - (p[3] if model == "planck-zero" else 0.0)
    ratio = p[2] / np.where(above_zero == 0, np.nan, above_zero)
    logarithm = np.log1p(np.where(ratio > 0, ratio, np.nan))
    return c_from_abs_k(SECOND_RADIATION_CONSTANT_UM_K / (p[0] * logarithm) - p[1] / p[0])


def model_signal(model: str, parameters: ArrayLike, temp_c: ArrayLike) -> NDArray[np.float64]:
    """
    What a camera of that model writes: inverse of `model_temperature_c`.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    parameters : array_like of shape (p,)
    temp_c : array_like
        Apparent temperature. NaN gives NaN.

    Returns
    -------
    ndarray of the shape of temp_c

    Examples
    --------
    >>> model_signal("planck", [10.0, 100.0, 1000.0], 26.85).round(6).item()
    9.739914
    """
    t = np.asarray(temp_c, dtype=np.float64)
    p = np.asarray(parameters, dtype=np.float64)
    if model == "offset":
        offset: NDArray[np.float64] = t - p[0]
        return offset
    if model == "linear":
        linear: NDArray[np.float64] = (t - p[0]) / p[1]
        return linear
    product = p[0] * abs_k_from_c(t) + p[1]
    exponent = SECOND_RADIATION_CONSTANT_UM_K / np.where(product > 0, product, np.nan)
    signal: NDArray[np.float64] = p[2] / np.expm1(np.minimum(exponent, 700.0))
    return signal + (p[3] if model == "planck-zero" else 0.0)


def parameter_slopes(model: str, parameters: ArrayLike, values: ArrayLike) -> NDArray[np.float64]:
    """
    Derivatives of the temperature with respect to each parameter, in closed form.

    Parameters
    ----------
    model : str
        One of ``MODELS``.
    parameters : array_like of shape (p,)
    values : array_like

    Returns
    -------
    ndarray of shape (..., p)

    Examples
    --------
    >>> parameter_slopes("linear", [0.0, 1.0], [20.0, 30.0]).tolist()
    [[1.0, 20.0], [1.0, 30.0]]
    """
    v = np.asarray(values, dtype=np.float64)
    p = np.asarray(parameters, dtype=np.float64)
    if model == "offset":
        return np.ones((*v.shape, 1))
    if model == "linear":
        return np.stack([np.ones_like(v), v], axis=-1)
    above_zero = v - (p[3] if model == "planck-zero" else 0.0)
    ratio = p[2] / above_zero
    logarithm = np.log1p(ratio)
    term = SECOND_RADIATION_CONSTANT_UM_K / (p[0] * logarithm)
    by_ratio = -term / logarithm / (1 + ratio)
    columns = [(p[1] / p[0] - term) / p[0], np.full_like(v, -1 / p[0]), by_ratio / above_zero]
    if model == "planck-zero":
        columns.append(by_ratio * ratio / above_zero)
    return np.stack(columns, axis=-1)


def _refuse_senseless(model: str, parameters: NDArray[np.float64]) -> None:
    if model == "linear" and parameters[1] == 0:
        raise InputError("the slope is 0, so every value means the same temperature", where="parameters")
    if model.startswith("planck") and (parameters[0] <= 0 or parameters[2] == 0):
        raise InputError("a_um must be above 0 and c other than 0", where="parameters")


def _checked_covariance(covariance: ArrayLike, size: int) -> NDArray[np.float64]:
    matrix: NDArray[np.float64] = read_only(covariance)
    if matrix.shape != (size, size) or not np.all(np.isfinite(matrix)):
        raise InputError(f"the covariance is not a finite {size} x {size} table", where="covariance")
    # Rounded to a few digits in a file, a covariance is symmetric and non-negative only that far.
    spread = np.sqrt(np.clip(np.diag(matrix), 1e-300, None))
    correlation = matrix / np.outer(spread, spread)
    if np.any(np.diag(matrix) < 0) or not np.allclose(correlation, correlation.T, atol=1e-6):
        raise InputError("the covariance is not symmetric with a diagonal of 0 or more", where="covariance")
    return matrix


def _one_of(names: tuple[str, ...] | dict[str, tuple[str, ...]]) -> str:
    *first, last = names
    return f"{', '.join(first)} or {last}"
