"""
Surface temperature from apparent temperature, and back: the radiance balance.

What a camera receives through a window that neither scatters nor reflects is

    L(Ta) = tau [ e L(To) + (1 - e) L(Tr) ] + (1 - tau) L(Tw)

with L the band radiance of a black surface, Ta the apparent, To the surface, Tr the reflected apparent and
Tw the window's temperature, e the emissivity and tau the window's transmittance.

References
----------
ISO 18434-1 (the balance); ASTM E1933 (emissivity), E1862 (reflected temperature), E1897 (transmittance).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.radiometry.planck import (
    DEFAULT_BAND_UM,
    Band,
    band_radiance,
    band_radiance_slope,
    band_temperature_c,
)


def surface_temperature(
    apparent_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    reflected_c: ArrayLike,
    band_um: Band = DEFAULT_BAND_UM,
    transmittance: float = 1.0,
    window_c: float | None = None,
) -> NDArray[np.float64]:
    """
    Temperature of surfaces whose apparent temperature was read.

    Parameters
    ----------
    apparent_c : array_like
        Apparent (emissivity 1) temperature in degrees Celsius. NaN gives NaN.
    emissivity : array_like, broadcastable
        Above 0, up to 1. NaN gives NaN.
    reflected_c : array_like, broadcastable
        Apparent temperature of what the surfaces reflect.
    band_um : pair of float or SpectralResponse
    transmittance : float, default 1
        Of a window between surface and camera.
    window_c : float, optional
        The window's own temperature; needed where it transmits less than all.

    Returns
    -------
    ndarray of the broadcast shape
        Degrees Celsius. **NaN where the reflection and the window alone account for more radiance than
        was read**: `is_unphysical` tells these pixels from those that had no reading.

    Raises
    ------
    InputError
        An emissivity or transmittance out of range, or a window without a temperature.

    Examples
    --------
    >>> round(float(surface_temperature(74.72936, emissivity=0.95, reflected_c=26.85)), 4)
    76.85
    """
    e, tau = checked_emissivity(emissivity), checked_transmittance(transmittance, window_c)
    beyond_window = _through_window(apparent_c, tau, window_c, band_um)
    reflection = (1 - e) * band_radiance(reflected_c, band_um=band_um)
    return band_temperature_c((beyond_window - reflection) / e, band_um=band_um)


def apparent_temperature(
    surface_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    reflected_c: ArrayLike,
    band_um: Band = DEFAULT_BAND_UM,
    transmittance: float = 1.0,
    window_c: float | None = None,
) -> NDArray[np.float64]:
    """
    What a camera set to emissivity 1 reads on surfaces of known temperature: inverse of `surface_temperature`.

    Parameters
    ----------
    surface_c : array_like
        Degrees Celsius. NaN gives NaN.
    emissivity, reflected_c, band_um, transmittance, window_c
        As in `surface_temperature`.

    Returns
    -------
    ndarray of the broadcast shape
        Degrees Celsius.

    Raises
    ------
    InputError
        As in `surface_temperature`.

    Examples
    --------
    >>> round(float(apparent_temperature(76.85, emissivity=0.5, reflected_c=26.85)), 4)
    54.169
    """
    e, tau = checked_emissivity(emissivity), checked_transmittance(transmittance, window_c)
    leaving = e * band_radiance(surface_c, band_um=band_um) + (1 - e) * band_radiance(reflected_c, band_um=band_um)
    arriving = leaving if window_c is None else tau * leaving + (1 - tau) * band_radiance(window_c, band_um=band_um)
    return band_temperature_c(arriving, band_um=band_um)


def is_unphysical(
    apparent_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    reflected_c: ArrayLike,
    band_um: Band = DEFAULT_BAND_UM,
    transmittance: float = 1.0,
    window_c: float | None = None,
) -> NDArray[np.bool_]:
    """
    Where a reading is less than the stated reflection and window alone would give.

    Parameters
    ----------
    apparent_c, emissivity, reflected_c, band_um, transmittance, window_c
        As in `surface_temperature`.

    Returns
    -------
    ndarray of bool, of the broadcast shape
        False where there is no reading.

    Raises
    ------
    InputError
        As in `surface_temperature`.

    Examples
    --------
    >>> is_unphysical([20.0, 40.0], emissivity=0.1, reflected_c=30.0).tolist()
    [True, False]
    """
    given = {"emissivity": emissivity, "reflected_c": reflected_c, "band_um": band_um}
    surface_c = surface_temperature(apparent_c, transmittance=transmittance, window_c=window_c, **given)  # type: ignore[arg-type]
    return np.isnan(surface_c) & np.isfinite(np.asarray(apparent_c, dtype=np.float64))


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceSensitivities:
    """
    How far the surface temperature moves with each input of the balance; arrays of one shape.

    Attributes
    ----------
    per_apparent : ndarray
        Kelvin a kelvin of apparent temperature.
    per_emissivity : ndarray
        Kelvin a unit of emissivity; negative where the surface is warmer than what it reflects.
    per_reflected : ndarray
        Kelvin a kelvin of reflected temperature; 0 or less.
    per_transmittance : ndarray
        Kelvin a unit of the window's transmittance.
    per_window : ndarray
        Kelvin a kelvin of the window's temperature; 0 without a window.
    """

    per_apparent: NDArray[np.float64]
    per_emissivity: NDArray[np.float64]
    per_reflected: NDArray[np.float64]
    per_transmittance: NDArray[np.float64]
    per_window: NDArray[np.float64]


def surface_sensitivities(
    apparent_c: ArrayLike,
    *,
    emissivity: ArrayLike,
    reflected_c: ArrayLike,
    band_um: Band = DEFAULT_BAND_UM,
    transmittance: float = 1.0,
    window_c: float | None = None,
) -> SurfaceSensitivities:
    """
    Derivatives of the surface temperature, in closed form.

    Parameters
    ----------
    apparent_c, emissivity, reflected_c, band_um, transmittance, window_c
        As in `surface_temperature`.

    Returns
    -------
    SurfaceSensitivities
        NaN where the surface temperature is NaN.

    Raises
    ------
    InputError
        As in `surface_temperature`.

    Notes
    -----
    From the balance, with S = dL/dT: e S(To) dTo = S(Ta)/tau dTa - (L(To) - L(Tr)) de - (1 - e) S(Tr) dTr
    - (L(Ta) - L(Tw))/tau^2 dtau - (1 - tau)/tau S(Tw) dTw.

    Examples
    --------
    >>> round(float(surface_sensitivities(74.72936, emissivity=0.95, reflected_c=26.85).per_emissivity), 2)
    -44.35
    """
    e, tau = checked_emissivity(emissivity), checked_transmittance(transmittance, window_c)
    reflected = band_radiance(reflected_c, band_um=band_um)
    surface_c = surface_temperature(
        apparent_c,
        emissivity=e,
        reflected_c=reflected_c,
        band_um=band_um,
        transmittance=transmittance,
        window_c=window_c,
    )
    weight = 1.0 / (e * band_radiance_slope(surface_c, band_um=band_um))
    read = band_radiance(apparent_c, band_um=band_um)
    window = read if window_c is None else band_radiance(window_c, band_um=band_um)
    window_slope = 0.0 if window_c is None else band_radiance_slope(window_c, band_um=band_um)
    sensitivities = (
        weight * band_radiance_slope(apparent_c, band_um=band_um) / tau,
        weight * (reflected - band_radiance(surface_c, band_um=band_um)),
        weight * (e - 1) * band_radiance_slope(reflected_c, band_um=band_um),
        weight * (window - read) / tau**2,
        weight * (tau - 1) / tau * window_slope,
    )
    return SurfaceSensitivities(*(np.asarray(item) for item in np.broadcast_arrays(*sensitivities)))


def undo_camera_correction(
    reading_c: ArrayLike,
    *,
    camera_emissivity: float,
    camera_reflected_c: float,
    band_um: Band = DEFAULT_BAND_UM,
) -> NDArray[np.float64]:
    """
    Apparent temperatures of a frame that the camera corrected with settings of its own.

    Parameters
    ----------
    reading_c : array_like
        What the camera wrote. NaN gives NaN.
    camera_emissivity, camera_reflected_c : float
        What it was set to when it did.
    band_um : pair of float or SpectralResponse

    Returns
    -------
    ndarray of the same shape
        Degrees Celsius, as the camera would have written at emissivity 1.

    Raises
    ------
    InputError
        The emissivity is not above 0 and up to 1.

    Examples
    --------
    >>> round(float(undo_camera_correction(76.85, camera_emissivity=0.95, camera_reflected_c=26.85)), 4)
    74.7294
    """
    e = checked_emissivity(camera_emissivity, name="camera_emissivity")
    if np.all(e == 1.0):
        return np.array(reading_c, dtype=np.float64)
    return apparent_temperature(reading_c, emissivity=e, reflected_c=camera_reflected_c, band_um=band_um)


def checked_emissivity(emissivity: ArrayLike, *, name: str = "emissivity") -> NDArray[np.float64]:
    """
    Emissivities as an array, refused where one is out of range; NaN (no surface there) passes.

    Raises
    ------
    InputError
        One is 0 or less, or above 1.

    Examples
    --------
    >>> float(checked_emissivity(0.95))
    0.95
    """
    e = np.asarray(emissivity, dtype=np.float64)
    wrong = (e <= 0) | (e > 1)
    if np.any(wrong):
        raise InputError(
            f"{float(e[wrong].flat[0]):g} is not an emissivity",
            where=name,
            fix="give a value above 0 and up to 1, such as 0.95",
        )
    return e


def checked_transmittance(transmittance: float, window_c: float | None) -> float:
    """
    A window's transmittance, refused where it is out of range or the window's temperature is missing.

    Raises
    ------
    InputError
        It is not above 0 and up to 1, or is below 1 with no window temperature.

    Examples
    --------
    >>> checked_transmittance(0.7, 22.0)
    0.7
    """
    if not 0 < transmittance <= 1:
        raise InputError(
            f"{transmittance:g} is not a transmittance",
            where="transmittance",
            fix="give a value above 0 and up to 1, such as 0.85",
        )
    if transmittance < 1 and window_c is None:
        raise InputError(
            f"the window transmits {transmittance:g}, so it radiates too, but its temperature is not given",
            where="window_c",
            fix="give the window's temperature in degrees Celsius",
        )
    return float(transmittance)


def _through_window(apparent_c: ArrayLike, tau: float, window_c: float | None, band_um: Band) -> NDArray[np.float64]:
    """Radiance as it left the surface."""
    read = band_radiance(apparent_c, band_um=band_um)
    if window_c is None:
        return read
    return (read - (1 - tau) * band_radiance(window_c, band_um=band_um)) / tau
