"""
Planck's law over a camera's band, and its exact inverse.

A band is either a pair of wavelengths (a rectangle) or a `SpectralResponse`. The radiance of a band is
integrated once, by Gauss-Legendre quadrature, on some thousands of temperatures, and kept as the
logarithm of radiance against inverse temperature. That curve is nearly straight, so that a cubic through
values and slopes meets the integral, and its inverse meets the temperature, to far better than 1 mK.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.scales import abs_k_from_c, c_from_abs_k

# Exact SI values: 2 h c^2 in W um^4 m-2 sr-1 (radiance a micrometre) and h c / k in um K. CODATA 2018.
FIRST_RADIATION_CONSTANT = 1.191042972397188e8
SECOND_RADIATION_CONSTANT_UM_K = 14387.768775039337

DEFAULT_BAND_UM = (8.0, 14.0)

# From colder than any scene to hotter than any board; beyond it there is no answer (NaN).
LOWEST_ABS_K, HIGHEST_ABS_K = 50.0, 3000.0
# Steps of inverse temperature; at 4096 the cubic's own error is below 1e-11 of the radiance.
_KNOTS = 4096
# Within a piece whose ends differ by this factor, this many nodes integrate Planck's law to 1e-14.
_WIDEST_PIECE, _NODES = 1.25, 12


@dataclass(frozen=True, slots=True)
class SpectralResponse:
    """
    A camera's response against wavelength, linear between the points given and 0 outside them.

    Attributes
    ----------
    wavelengths_um : tuple of float
        Rising.
    response : tuple of float
        Relative, 0 or more; only its shape counts, since the same response stands on both sides of
        every balance.

    Examples
    --------
    >>> SpectralResponse((7.5, 8.0, 13.5, 14.0), (0.0, 1.0, 1.0, 0.0)).limits_um
    (7.5, 14.0)
    """

    wavelengths_um: tuple[float, ...]
    response: tuple[float, ...]

    def __post_init__(self) -> None:
        lengths, response = np.asarray(self.wavelengths_um), np.asarray(self.response)
        if lengths.ndim != 1 or lengths.shape != response.shape or lengths.size < 2:
            raise InputError(
                f"{response.size} values stand at {lengths.size} wavelengths; give as many of both, two or more",
                where="response",
            )
        if not (np.all(np.isfinite(lengths)) and np.all(np.diff(lengths) > 0) and lengths[0] > 0):
            raise InputError("wavelengths must rise, in micrometres above 0", where="response")
        if not (np.all(np.isfinite(response)) and np.all(response >= 0) and np.any(response > 0)):
            raise InputError("response values must be 0 or more, and not all 0", where="response")

    @property
    def limits_um(self) -> tuple[float, float]:
        """First and last wavelength."""
        return self.wavelengths_um[0], self.wavelengths_um[-1]


Band = tuple[float, float] | SpectralResponse


def spectral_radiance(wavelength_um: ArrayLike, temp_c: ArrayLike) -> NDArray[np.float64]:
    """
    Radiance of a black surface at given wavelengths.

    Parameters
    ----------
    wavelength_um : array_like of shape (W,)
        Vacuum wavelengths in micrometres, above 0.
    temp_c : array_like, broadcastable with (W,)
        Surface temperature in degrees Celsius. NaN, and anything below absolute zero, gives NaN.

    Returns
    -------
    ndarray of the broadcast shape
        Watts per square metre, steradian and micrometre.

    References
    ----------
    .. [1] M. Planck, Annalen der Physik 309 (1901) 553-563. Constants: exact SI values, 2019.

    Examples
    --------
    >>> round(float(spectral_radiance(10.0, 26.85)), 6)
    9.924033
    """
    length = np.asarray(wavelength_um, dtype=np.float64)
    temp_abs_k = abs_k_from_c(temp_c)
    temp_abs_k = np.where(temp_abs_k > 0, temp_abs_k, np.nan)
    with np.errstate(over="ignore"):
        radiance: NDArray[np.float64] = FIRST_RADIATION_CONSTANT / (
            length**5 * np.expm1(SECOND_RADIATION_CONSTANT_UM_K / (length * temp_abs_k))
        )
    return radiance


def band_radiance(temp_c: ArrayLike, *, band_um: Band = DEFAULT_BAND_UM) -> NDArray[np.float64]:
    """
    Radiance of a black surface within a camera's band.

    Parameters
    ----------
    temp_c : array_like
        Temperature in degrees Celsius. NaN, and anything outside -223 to 2726 C, gives NaN.
    band_um : pair of float or SpectralResponse
        Where the camera looks; a pair is a rectangle.

    Returns
    -------
    ndarray of the same shape
        Watts per square metre and steradian (weighted by the response, where there is one).

    Raises
    ------
    InputError
        The band is empty or not positive.

    References
    ----------
    .. [1] M. Planck, Annalen der Physik 309 (1901) 553-563. Constants: exact SI values, 2019.

    Examples
    --------
    >>> round(float(band_radiance(26.85)), 5)
    54.93346
    """
    temp_abs_k = abs_k_from_c(temp_c)
    curve = _band_curve(band_um)
    inside = (temp_abs_k >= LOWEST_ABS_K) & (temp_abs_k <= HIGHEST_ABS_K)
    radiance: NDArray[np.float64] = np.exp(curve.log_radiance.at(1.0 / np.where(inside, temp_abs_k, np.nan)))
    return radiance


def band_radiance_slope(temp_c: ArrayLike, *, band_um: Band = DEFAULT_BAND_UM) -> NDArray[np.float64]:
    """
    How much the band radiance grows for a kelvin.

    Parameters
    ----------
    temp_c : array_like
        As in `band_radiance`.
    band_um : pair of float or SpectralResponse

    Returns
    -------
    ndarray of the same shape
        Watts per square metre, steradian and kelvin.

    Examples
    --------
    >>> round(float(band_radiance_slope(26.85)), 5)
    0.83782
    """
    temp_abs_k = abs_k_from_c(temp_c)
    curve = _band_curve(band_um)
    inside = (temp_abs_k >= LOWEST_ABS_K) & (temp_abs_k <= HIGHEST_ABS_K)
    inverse = 1.0 / np.where(inside, temp_abs_k, np.nan)
    slope: NDArray[np.float64] = (
        -(inverse**2) * curve.log_radiance.slope_at(inverse) * np.exp(curve.log_radiance.at(inverse))
    )
    return slope


def band_temperature_c(radiance: ArrayLike, *, band_um: Band = DEFAULT_BAND_UM) -> NDArray[np.float64]:
    """
    Temperature of the black surface that has a given radiance in the band: inverse of `band_radiance`.

    Parameters
    ----------
    radiance : array_like
        Watts per square metre and steradian. NaN, zero, less than zero, and what no temperature from
        -223 to 2726 C can give, gives NaN.
    band_um : pair of float or SpectralResponse

    Returns
    -------
    ndarray of the same shape
        Degrees Celsius.

    Examples
    --------
    >>> round(float(band_temperature_c(band_radiance(61.7))), 6)
    61.7
    """
    value = np.asarray(radiance, dtype=np.float64)
    curve = _band_curve(band_um)
    logarithm = np.log(np.where(value > 0, value, np.nan))
    return c_from_abs_k(1.0 / curve.inverse_temperature.at(logarithm))


@dataclass(frozen=True, slots=True, eq=False)
class _BandCurve:
    """Logarithm of a band's radiance against inverse absolute temperature, its slope and its inverse."""

    log_radiance: _Hermite
    inverse_temperature: _Hermite


@dataclass(frozen=True, slots=True, eq=False)
class _Hermite:
    """
    A curve through knots with their slopes: a cubic between two of them; NaN outside.

    Attributes
    ----------
    knots : ndarray of shape (n,)
        Rising.
    values, slopes : ndarray of shape (n,)

    References
    ----------
    .. [1] F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal. 17 (1980) 238-246, equations 2 and 3 (Hermite's form).
    """

    knots: NDArray[np.float64]
    values: NDArray[np.float64]
    slopes: NDArray[np.float64]

    def at(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values of the curve."""
        k, width, share = self._where(x)
        left, right = self.values[k], self.values[k + 1]
        rest = 1.0 - share
        bent = (self.slopes[k] * width - (right - left)) * rest - (self.slopes[k + 1] * width - (right - left)) * share
        result: NDArray[np.float64] = rest * left + share * right + share * rest * bent
        return result

    def slope_at(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Slopes of the curve."""
        k, width, share = self._where(x)
        rise = (self.values[k + 1] - self.values[k]) / width
        start, end = self.slopes[k], self.slopes[k + 1]
        result: NDArray[np.float64] = (
            start + share * (6.0 * rise - 4.0 * start - 2.0 * end) + share**2 * 3.0 * (start + end - 2.0 * rise)
        )
        return result

    def _where(self, x: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
        """The piece each x lies in, its width, and how far along it x lies; NaN outside."""
        k = np.clip(np.searchsorted(self.knots, x, side="right") - 1, 0, len(self.knots) - 2)
        width = self.knots[k + 1] - self.knots[k]
        inside = (x >= self.knots[0]) & (x <= self.knots[-1])
        return k, width, np.where(inside, (x - self.knots[k]) / width, np.nan)


@lru_cache(maxsize=16)
def _band_curve(band_um: Band) -> _BandCurve:
    lengths, weights = _quadrature(band_um)
    inverse = np.linspace(1 / HIGHEST_ABS_K, 1 / LOWEST_ABS_K, _KNOTS)
    x = SECOND_RADIATION_CONSTANT_UM_K * inverse[:, None] / lengths
    # exp(-x) is taken out of each row, largest first, so that nothing underflows at 50 K.
    least = x.min(axis=1, keepdims=True)
    spectrum = weights * FIRST_RADIATION_CONSTANT / lengths**5 * np.exp(least - x) / -np.expm1(-x)
    radiance = spectrum.sum(axis=1)
    log_radiance = np.log(radiance) - least[:, 0]
    by_inverse = -SECOND_RADIATION_CONSTANT_UM_K / lengths / -np.expm1(-x)
    slope = (spectrum * by_inverse).sum(axis=1) / radiance
    return _BandCurve(
        _Hermite(inverse, log_radiance, slope),
        _Hermite(log_radiance[::-1].copy(), inverse[::-1].copy(), 1 / slope[::-1]),
    )


def _quadrature(band_um: Band) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Wavelengths and weights (response included) that integrate over the band."""
    if isinstance(band_um, SpectralResponse):
        edges = np.asarray(band_um.wavelengths_um)
    else:
        edges = np.asarray(band_um, dtype=np.float64)
        if edges.shape != (2,) or not (np.all(np.isfinite(edges)) and 0 < edges[0] < edges[1]):
            raise InputError(
                f"{tuple(band_um)} is not a band",
                where="band_um",
                fix="give the shorter and the longer wavelength in micrometres, such as 8, 14",
            )
    nodes, node_weights = np.polynomial.legendre.leggauss(_NODES)
    lengths, weights = [], []
    for start, stop in pairwise(edges):
        pieces = max(1, int(np.ceil(np.log(stop / start) / np.log(_WIDEST_PIECE))))
        ends = np.geomspace(start, stop, pieces + 1)
        half = np.diff(ends)[:, None] / 2
        lengths.append(((ends[:-1] + ends[1:])[:, None] / 2 + half * nodes).ravel())
        weights.append((half * node_weights).ravel())
    all_lengths, all_weights = np.concatenate(lengths), np.concatenate(weights)
    if isinstance(band_um, SpectralResponse):
        all_weights = all_weights * np.interp(all_lengths, band_um.wavelengths_um, band_um.response)
    return all_lengths, all_weights
