"""Temperatures that any bench can make: melting ice and boiling water."""

from __future__ import annotations

import math

from thermscan.errors import InputError
from thermscan.scales import c_from_abs_k

# Melting ice in clean, air-saturated water at a bench's pressure: 0.00 C to 0.01 K. From memory.
ICE_POINT_C = 0.0
# With tap water and a stirred bath of crushed ice; a rectangle of 0.1 K half-width, a judgement.
U_ICE_POINT_K = 0.06
# A bench barometer is good to 1 hPa (0.03 K); tap water's salts raise it by less than 0.05 K. A judgement.
U_BOILING_POINT_K = 0.05
# The weather moves the pressure by 2 or 3 kPa about that of the standard atmosphere. From memory.
U_BOILING_POINT_FROM_ALTITUDE_K = 0.4

STANDARD_PRESSURE_KPA = 101.325
# Range of the equation of state's saturation line that a bench may see.
_LOWEST_KPA, _HIGHEST_KPA = 30.0, 120.0
# IAPWS-IF97, region 4, table 34: n1 to n10 of the saturation line.
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def boiling_point_c(pressure_kpa: float) -> float:
    """
    Temperature at which water boils under a given air pressure.

    Parameters
    ----------
    pressure_kpa : float
        The local pressure itself, not the one that weather reports reduce to sea level; 30 to 120.

    Returns
    -------
    float
        Degrees Celsius.

    Raises
    ------
    InputError
        The pressure is not one that a bench has.

    References
    ----------
    .. [1] IAPWS R7-97(2012), Industrial Formulation 1997 for the Thermodynamic Properties of Water and Steam,
       section 8.2, equation (31) and table 34.

    Examples
    --------
    >>> round(boiling_point_c(101.325), 3)
    99.974
    """
    if not _LOWEST_KPA <= pressure_kpa <= _HIGHEST_KPA:
        raise InputError(
            f"{pressure_kpa:g} kPa is not the air pressure at a bench",
            where="pressure_kpa",
            fix=f"give kilopascals from {_LOWEST_KPA:g} to {_HIGHEST_KPA:g}, such as 101.3 (1013 hPa is 101.3 kPa)",
        )
    beta = (pressure_kpa / 1000.0) ** 0.25
    e = beta**2 + _N[2] * beta + _N[5]
    f = _N[0] * beta**2 + _N[3] * beta + _N[6]
    g = _N[1] * beta**2 + _N[4] * beta + _N[7]
    d = 2 * g / (-f - math.sqrt(f**2 - 4 * e * g))
    temp_abs_k = (_N[9] + d - math.sqrt((_N[9] + d) ** 2 - 4 * (_N[8] + _N[9] * d))) / 2
    return float(c_from_abs_k(temp_abs_k))


def standard_pressure_kpa(altitude_m: float) -> float:
    """
    Usual air pressure at an altitude; the weather moves it by 2 or 3 kPa (0.7 K of boiling point).

    Parameters
    ----------
    altitude_m : float
        Above the sea, -430 to 9000.

    Returns
    -------
    float
        Kilopascals.

    Raises
    ------
    InputError
        No bench stands there.

    References
    ----------
    .. [1] ISO 2533:1975, Standard Atmosphere: T = 288.15 K - 6.5 K/km h, p = p0 (T / T0)^5.25588.

    Examples
    --------
    >>> round(standard_pressure_kpa(1000.0), 3)
    89.875
    """
    if not -430.0 <= altitude_m <= 9000.0:
        raise InputError(
            f"{altitude_m:g} m is not an altitude of a bench", where="altitude_m", fix="give metres above the sea"
        )
    return float(STANDARD_PRESSURE_KPA * (1 - 0.0065 * altitude_m / 288.15) ** 5.25588)
