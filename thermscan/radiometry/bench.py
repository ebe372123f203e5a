"""What a bench can find out for itself: a part's emissivity, the reflected temperature, the camera's error."""

from __future__ import annotations

import math

import numpy as np

from thermscan.errors import CannotJudge, InputError
from thermscan.frozen import dataclass
from thermscan.radiometry.planck import DEFAULT_BAND_UM, Band, band_radiance, band_temperature_c
from thermscan.radiometry.propagation import propagate
from thermscan.radiometry.surface import apparent_temperature, checked_emissivity, surface_temperature

# Black electrical tape in 8-14 um: calibration/emissivity.csv.
TAPE_EMISSIVITY, U_TAPE_EMISSIVITY = 0.96, 0.01
# Crumpled kitchen foil: a diffuse mirror; 0.04 to 0.1. From memory.
FOIL_EMISSIVITY, U_FOIL_EMISSIVITY = 0.05, 0.02
# The two methods compare with a warm surface; nearer than this to its reflection, ratios of small differences are left.
_LEAST_CONTRAST_K = 5.0
# Of the reference; about 95 % of a normal law (JCGM 100:2008, 6.3.3).
COVERAGE_FACTOR = 2.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty."""

    value: float
    u: float


def emissivity_from_tape(
    part_c: float,
    tape_c: float,
    *,
    reflected_c: float,
    u_reading_k: float,
    u_reflected_k: float = 1.0,
    tape_emissivity: float = TAPE_EMISSIVITY,
    u_tape_emissivity: float = U_TAPE_EMISSIVITY,
    u_same_temperature_k: float = 0.5,
    band_um: Band = DEFAULT_BAND_UM,
) -> Estimate:
    """
    Emissivity of a part from its apparent temperature beside a patch of tape at the same temperature.

    Parameters
    ----------
    part_c, tape_c : float
        Mean apparent temperatures of the two regions, in one frame.
    reflected_c, u_reflected_k : float
        Apparent temperature of what both reflect.
    u_reading_k : float
        Standard uncertainty of the difference of the two readings (noise, non-uniformity).
    tape_emissivity, u_tape_emissivity : float
    u_same_temperature_k : float
        How far part and tape may differ in temperature.
    band_um : pair of float or SpectralResponse

    Returns
    -------
    Estimate
        Not limited to 1: a result above 1 says that an input is wrong.

    Raises
    ------
    CannotJudge
        The tape is not at least 5 K from what it reflects.
    InputError
        An emissivity out of range.

    References
    ----------
    .. [1] ASTM E1933, the method of the reference emitter: e = [L(Ta) - L(Tr)] / [L(To) - L(Tr)].

    Examples
    --------
    >>> found = emissivity_from_tape(51.0, 58.5, reflected_c=22.0, u_reading_k=0.1)
    >>> round(found.value, 2)
    0.74
    """
    e_tape = float(checked_emissivity(tape_emissivity, name="tape_emissivity"))
    _refuse_low_contrast(tape_c, reflected_c, "the tape")

    def emissivity(inputs: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
        part, tape, reflected, e, apart_k = inputs
        true_c = surface_temperature(tape, emissivity=min(e, 1.0), reflected_c=reflected, band_um=band_um) + apart_k
        zero = band_radiance(reflected, band_um=band_um)
        return float((band_radiance(part, band_um=band_um) - zero) / (band_radiance(true_c, band_um=band_um) - zero))

    # u_reading_k is that of the difference, so it is charged to one of the two readings.
    u = [u_reading_k, 0.0, u_reflected_k, u_tape_emissivity, u_same_temperature_k]
    found = propagate(emissivity, [part_c, tape_c, reflected_c, e_tape, 0.0], covariance=u)
    return Estimate(float(found.values[0]), float(found.u[0]))


def reflected_from_foil(
    foil_c: float,
    *,
    ambient_c: float | None = None,
    u_reading_k: float = 0.2,
    foil_emissivity: float = FOIL_EMISSIVITY,
    u_foil_emissivity: float = U_FOIL_EMISSIVITY,
    band_um: Band = DEFAULT_BAND_UM,
) -> Estimate:
    """
    Reflected apparent temperature from a piece of crumpled foil laid where the part is.

    Parameters
    ----------
    foil_c : float
        Apparent temperature of the foil, emissivity 1.
    ambient_c : float, optional
        Temperature of the foil itself: its own faint radiation is then taken off.
    u_reading_k : float
        Standard uncertainty of the reading; the camera's offset is part of it.
    foil_emissivity, u_foil_emissivity : float
    band_um : pair of float or SpectralResponse

    Returns
    -------
    Estimate
        Degrees Celsius and kelvin.

    Raises
    ------
    InputError
        An emissivity out of range.

    References
    ----------
    .. [1] ASTM E1862, reflector method: the reading at emissivity 1 is the reflected temperature.

    Examples
    --------
    >>> round(reflected_from_foil(24.0, ambient_c=22.0).value, 2)
    24.1
    """
    e_foil = float(checked_emissivity(foil_emissivity, name="foil_emissivity"))
    if ambient_c is None:
        # The foil is then taken to be as warm as what it reflects, within 5 K.
        return Estimate(foil_c, math.hypot(u_reading_k, e_foil * 5.0 / math.sqrt(3.0)))

    def reflected(inputs: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
        read, e = inputs
        own = e * band_radiance(ambient_c, band_um=band_um)
        return float(band_temperature_c((band_radiance(read, band_um=band_um) - own) / (1 - e), band_um=band_um))

    found = propagate(reflected, [foil_c, e_foil], covariance=[u_reading_k, u_foil_emissivity])
    return Estimate(float(found.values[0]), float(found.u[0]))


@dataclass(frozen=True, slots=True)
class ReferenceCheck:
    """
    One bench reference as the camera saw it.

    Attributes
    ----------
    name : str
    expected_c : float
        Apparent temperature that the reference has.
    read_c : float
        Apparent temperature that the camera gives, calibration applied.
    correction_k : float
        What to add to the reading.
    u_correction_k : float
        Standard uncertainty of the reference; the camera's is not in it.
    allowed_k : float
        The camera's half-width and twice the reference's standard uncertainty, combined.
    """

    name: str
    expected_c: float
    read_c: float
    correction_k: float
    u_correction_k: float
    allowed_k: float

    @property
    def passes(self) -> bool:
        """Whether the camera agrees with the reference within what both claim."""
        return abs(self.correction_k) <= self.allowed_k


def check_reference(
    name: str,
    *,
    known_c: float,
    u_known_k: float,
    read_c: float,
    accuracy_k: float,
    emissivity: Estimate,
    reflected_c: float,
    u_reflected_k: float = 2.0,
    band_um: Band = DEFAULT_BAND_UM,
) -> ReferenceCheck:
    """
    Compare a camera's reading with a reference surface.

    Parameters
    ----------
    name : str
    known_c, u_known_k : float
        Temperature of the surface.
    read_c, accuracy_k : float
        Apparent temperature read, and the half-width that the camera claims there.
    emissivity : Estimate
        Of the surface.
    reflected_c, u_reflected_k : float
    band_um : pair of float or SpectralResponse

    Returns
    -------
    ReferenceCheck

    Raises
    ------
    InputError
        An emissivity out of range.

    Examples
    --------
    >>> check = check_reference("ice", known_c=0.0, u_known_k=0.06, read_c=2.5, accuracy_k=2.0,
    ...     emissivity=Estimate(0.96, 0.01), reflected_c=22.0)
    >>> check.passes, round(check.correction_k, 2)
    (True, -1.51)
    """

    def apparent(inputs: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
        surface_c, e, reflected = inputs
        e = min(float(e), 1.0)
        return float(apparent_temperature(surface_c, emissivity=e, reflected_c=reflected, band_um=band_um))

    checked_emissivity(emissivity.value)
    expected = propagate(
        apparent, [known_c, emissivity.value, reflected_c], covariance=[u_known_k, emissivity.u, u_reflected_k]
    )
    expected_c, u_expected_k = float(expected.values[0]), float(expected.u[0])
    return ReferenceCheck(
        name=name,
        expected_c=expected_c,
        read_c=read_c,
        correction_k=expected_c - read_c,
        u_correction_k=u_expected_k,
        allowed_k=math.hypot(accuracy_k, COVERAGE_FACTOR * u_expected_k),
    )


def _refuse_low_contrast(temp_c: float, reflected_c: float, what: str) -> None:
    if not (math.isfinite(temp_c) and math.isfinite(reflected_c)):
        raise InputError(f"{what} or its reflection has no temperature", fix="check the regions")
    if abs(temp_c - reflected_c) < _LEAST_CONTRAST_K:
        raise CannotJudge(
            f"{what} reads {temp_c:.1f} C and reflects {reflected_c:.1f} C, less than {_LEAST_CONTRAST_K:g} K apart",
            fix="warm the part by 20 K or more and take the frame again",
        )
