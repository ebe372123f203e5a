"""
The uncertainty of one part's temperature, source by source.

Each source is a line: its standard uncertainty in kelvin of surface temperature, with the sign of its
sensitivity, and the name of what makes it common to parts. In a difference, lines of one name are taken
off from each other before they are squared; a part's own lines are not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Protocol

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.radiometry.angle import emissivity_at_angle
from thermscan.radiometry.planck import DEFAULT_BAND_UM, Band
from thermscan.radiometry.surface import surface_sensitivities

# How much of a tabulated emissivity's variance is common to all parts of that surface on one board. The table
# covers every make and finish of, say, plastic; parts of one board share room, age, dust and the table's own
# error, but not maker, marking and gloss. Nothing published splits it, so: equal halves (a judgement).
SHARED_EMISSIVITY_VARIANCE = 0.5
# Of the rest, what parts of one type (a group, or one kind in one package) have in common: compound and gloss; what is
# left is a single part's marking and dust. Equal halves again, for the same want of a source.
TYPE_EMISSIVITY_VARIANCE = 0.25
# The first letters of such lines' ``shared``.
OF_TYPE = "type:"


class Line(Protocol):
    """Anything with an uncertainty in kelvin and the name of what shares it."""

    @property
    def u_k(self) -> float:
        """Standard uncertainty, with the sign of its sensitivity."""
        ...

    @property
    def shared(self) -> str | None:
        """What makes it common; None: the part's own."""
        ...


@dataclass(frozen=True, slots=True)
class UncertaintyLine:
    """
    One source of uncertainty of a part's surface temperature.

    Attributes
    ----------
    source : str
    u_k : float
        Standard uncertainty, with the sign of its sensitivity.
    shared : str or None
        ``camera``, ``reflected``, ``emissivity:plastic``, ``type:sram`` …; None: the part's own.
    lasting : bool
        The same from whichever side the part is seen.
    """

    source: str
    u_k: float
    shared: str | None = None
    lasting: bool = False


def part_budget(
    apparent_c: float,
    *,
    emissivity: float,
    u_emissivity: float,
    reflected_c: float,
    u_reflected_k: float,
    band_um: Band = DEFAULT_BAND_UM,
    noise_k: float,
    pixels: int,
    accuracy_k: float,
    surface_name: str,
    type_name: str | None = None,
    view_angle_deg: float = 0.0,
    blend_k: float = 0.0,
    placement_k: float = 0.0,
) -> tuple[UncertaintyLine, ...]:
    """
    The sources of uncertainty of a part's mean surface temperature, in closed form.

    Parameters
    ----------
    apparent_c : float
        Mean apparent temperature over the inner body.
    emissivity, u_emissivity : float
        Near the normal; the view angle's drop is taken off here, by `emissivity_at_angle`.
    reflected_c, u_reflected_k : float
        Apparent temperature of what the board reflects.
    band_um : pair of float or SpectralResponse
    noise_k, pixels : float, int
        Of one pixel, and how many were averaged.
    accuracy_k : float
        Standard uncertainty of the camera's offset.
    surface_name : str
        Parts of one name share half of the emissivity's variance.
    type_name : str, optional
        Parts of one type share half of the rest; None: nothing is known to be of the part's type.
    view_angle_deg : float
    blend_k, placement_k : float
        Standard uncertainties, in apparent temperature, of what the surroundings mix into the reading
        and of where the part lies.

    Returns
    -------
    tuple of UncertaintyLine
        Independent of each other. Empty where the reflection accounts for more than was read.

    Raises
    ------
    InputError
        No pixels, an emissivity out of range, or an uncertainty below 0.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.1.2: combined standard uncertainty of independent inputs.

    Examples
    --------
    >>> lines = part_budget(
    ...     60.0, emissivity=0.94, u_emissivity=0.02, reflected_c=22.0, u_reflected_k=2.0, noise_k=0.05,
    ...     pixels=100, accuracy_k=1.15, surface_name="plastic")
    >>> [(line.source, round(line.u_k, 3), line.shared) for line in lines][:2]
    [('camera', 1.206, 'camera'), ('noise', 0.005, None)]
    """
    seen = emissivity_at_angle(emissivity, view_angle_deg=view_angle_deg)
    slopes = surface_sensitivities(apparent_c, emissivity=seen.emissivity, reflected_c=reflected_c, band_um=band_um)
    if not math.isfinite(slopes.per_apparent):
        return ()
    return budget_lines(
        per_apparent=float(slopes.per_apparent),
        per_emissivity=float(slopes.per_emissivity),
        per_reflected=float(slopes.per_reflected),
        u_emissivity=u_emissivity,
        u_angle=seen.u_angle,
        u_reflected_k=u_reflected_k,
        noise_k=noise_k,
        pixels=pixels,
        accuracy_k=accuracy_k,
        surface_name=surface_name,
        type_name=type_name,
        blend_k=blend_k,
        placement_k=placement_k,
    )


def budget_lines(
    *,
    per_apparent: float,
    per_emissivity: float,
    per_reflected: float,
    u_emissivity: float,
    u_angle: float,
    u_reflected_k: float,
    noise_k: float,
    pixels: int,
    accuracy_k: float,
    surface_name: str,
    type_name: str | None = None,
    blend_k: float,
    placement_k: float,
) -> tuple[UncertaintyLine, ...]:
    """
    The lines of `part_budget` where the surface temperature's slopes are known.

    Parameters
    ----------
    per_apparent, per_emissivity, per_reflected : float
        As in `thermscan.radiometry.surface.SurfaceSensitivities`.
    u_angle : float
        Of the emissivity, from the view angle.

    Raises
    ------
    InputError
        No pixels, or an uncertainty below 0.

    Examples
    --------
    >>> given = dict(per_apparent=1.1, per_emissivity=-40.0, per_reflected=-0.1, u_emissivity=0.02, u_angle=0.0)
    >>> more = dict(u_reflected_k=2.0, noise_k=0.05, pixels=100, accuracy_k=1.0, surface_name="plastic")
    >>> [round(line.u_k, 4) for line in budget_lines(**given, **more, blend_k=0.0, placement_k=0.0)][:2]
    [1.1, 0.0055]
    """
    _refuse_negative(
        u_emissivity=u_emissivity,
        u_reflected_k=u_reflected_k,
        noise_k=noise_k,
        accuracy_k=accuracy_k,
        blend_k=blend_k,
        placement_k=placement_k,
    )
    if pixels < 1:
        raise InputError(f"{pixels} pixels carry no reading", where="pixels")
    emissivity_k = per_emissivity * u_emissivity
    common = emissivity_k * math.sqrt(SHARED_EMISSIVITY_VARIANCE)
    typed = TYPE_EMISSIVITY_VARIANCE if type_name is not None else 0.0
    own = emissivity_k * math.sqrt(1 - SHARED_EMISSIVITY_VARIANCE - typed)
    of_type = UncertaintyLine(
        "emissivity of the type of part", emissivity_k * math.sqrt(typed), f"{OF_TYPE}{type_name}"
    )
    return (
        UncertaintyLine("camera", per_apparent * accuracy_k, "camera"),
        UncertaintyLine("noise", per_apparent * noise_k / math.sqrt(pixels)),
        UncertaintyLine("emissivity of the kind of surface", common, f"emissivity:{surface_name}"),
        *([of_type] if type_name is not None else []),
        UncertaintyLine("emissivity of the part", own, lasting=True),
        UncertaintyLine("reflected temperature", per_reflected * u_reflected_k, "reflected"),
        UncertaintyLine("blending with the surroundings", per_apparent * blend_k),
        UncertaintyLine("place of the part", per_apparent * placement_k),
        UncertaintyLine("view angle", per_emissivity * u_angle),
    )


def combined_u_k(budget: Iterable[Line]) -> float:
    """
    Standard uncertainty of one part's absolute temperature.

    Examples
    --------
    >>> combined_u_k([UncertaintyLine("camera", 3.0, "camera"), UncertaintyLine("noise", 4.0)])
    5.0
    """
    return math.sqrt(sum(line.u_k**2 for line in budget))


def _refuse_negative(**uncertainties: float) -> None:
    for name, value in uncertainties.items():
        if not (math.isfinite(value) and value >= 0):
            raise InputError(f"{value:g} is not an uncertainty", where=name, fix="give 0 or more")
