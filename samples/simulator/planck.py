"""Band radiance by numerical integration of Planck's law; independent of the analysis' own."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# Exact SI values of h, c and k (2019): c1L = 2 h c^2 in W m2 sr-1 and c2 = h c / k in m K.
C1L_W_M2 = 1.191042972e-16
C2_M_K = 0.01438776877
ZERO_C = 273.15
# The table's range and step; linear interpolation at this step is right to 1e-4 K.
TABLE_C = (-100.0, 500.0)
TABLE_STEP_K = 0.05


@lru_cache(maxsize=8)
def _table(band_um: tuple[float, float]) -> tuple[Array, Array]:
    temps_c = np.arange(TABLE_C[0], TABLE_C[1] + TABLE_STEP_K, TABLE_STEP_K)
    nodes, weights = np.polynomial.legendre.leggauss(48)
    low, high = np.array(band_um) * 1e-6
    wavelengths = (high - low) / 2 * nodes + (high + low) / 2
    radiance = np.zeros_like(temps_c)
    for wavelength, weight in zip(wavelengths, weights, strict=True):
        radiance += weight * C1L_W_M2 / wavelength**5 / np.expm1(C2_M_K / (wavelength * (temps_c + ZERO_C)))
    return temps_c, radiance * (high - low) / 2


def radiance_of(temp_c: ArrayLike, *, band_um: tuple[float, float] = (8.0, 14.0)) -> Array:
    """
    Blackbody band radiance in W m-2 sr-1.

    Examples
    --------
    >>> round(float(radiance_of(26.85)), 3)
    54.933
    """
    temps_c, radiance = _table(band_um)
    result: Array = np.interp(temp_c, temps_c, radiance)
    return result


def temperature_of(radiance: ArrayLike, *, band_um: tuple[float, float] = (8.0, 14.0)) -> Array:
    """Temperature in degrees Celsius of the black surface with that band radiance."""
    temps_c, table = _table(band_um)
    result: Array = np.interp(radiance, table, temps_c)
    return result
