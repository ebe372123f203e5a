"""Hot parts and fingers; warm capacitors and their life."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermscan.errors import InputError
from thermscan.layout.board import Part
from thermscan.layout.packages import package_body
from thermscan.regions.measurement import PartMeasurement

# Skin burns after 1 s of contact from about these surface temperatures on: from memory of tables of burn thresholds; no
# standard was at hand. A thin coat of paint or oxide hardly protects: counted as metal.
BURN_METAL_C = 65.0
BURN_CERAMIC_C = 80.0
BURN_PLASTIC_C = 85.0
_METAL = frozenset({"metal", "gold", "anodised", "painted", "solder", "copper", "copper-oxidised"})
_CERAMIC = frozenset({"ceramic", "glass"})

# A wet electrolytic capacitor lives about twice as long for each 10 K less: makers' rule of thumb, said to hold
# from about 60 C to 105 C (from memory).
LIFE_STEP_K = 10.0
# Mentioned from this rise on (four times as fast as at ambient), and only where it stands out of the board by half
# a step, or comes within one step of a limit that the layout states.
CAPACITOR_RISE_K = 20.0
CAPACITOR_OVER_BOARD_K = 5.0
_WET_PACKAGES = ("CAP-RADIAL", "CAP-SMD", "CAP-AXIAL")
_DRY_WORDS = ("ceramic", "film", "tantalum", "polymer", "mica", "foil")
# More names than this on one line help nobody.
MOST_NAMES = 6


def touch_remarks(measurements: Sequence[PartMeasurement]) -> tuple[str, ...]:
    """
    One caution that names the parts which a finger should not touch; none where there are none.

    A part is named from one standard uncertainty below the threshold on: the caution errs to the safe side.

    Notes
    -----
    The figures are from memory of tables of burn thresholds; no standard's text was at hand.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> part = Part("VR1", 15, 10, 20, 20, 0, Surface("anodised", 0.82, 0.05))
    >>> touch_remarks([PartMeasurement(part, 60, 71.0, 73.4, 49.0, 2.0)])[0][:34]
    'hot to the touch: VR1 (73 °C); fro'
    """
    hot = [
        (m.max_c, f"{m.part.ref} ({m.max_c:.0f} °C)")
        for m in measurements
        if m.measurable and m.max_c is not None and m.max_c + (m.u_c or 0.0) >= _burn_c(m.part)
    ]
    if not hot:
        return ()
    return (
        f"hot to the touch: {_names([name for _, name in sorted(hot, reverse=True)])}; from about "
        f"{BURN_METAL_C:.0f} °C on bare or painted metal, {BURN_CERAMIC_C:.0f} °C on ceramic and glass and "
        f"{BURN_PLASTIC_C:.0f} °C on plastic a second's touch can burn "
        "(figures from memory, checked against no standard)",
    )


def capacitor_remarks(measurements: Sequence[PartMeasurement]) -> tuple[str, ...]:
    """
    One remark on electrolytic capacitors that run so warm that they age fast; none where there are none.

    Examples
    --------
    >>> life_factor(20.0)
    4.0
    """
    rises = [m.rise_k for m in measurements if m.rise_k is not None]
    told = []
    for m in measurements:
        if not m.measurable or m.rise_k is None or m.mean_c is None or not is_electrolytic(m.part):
            continue
        near_limit = m.part.max_c is not None and m.mean_c > m.part.max_c - LIFE_STEP_K
        stands_out = m.rise_k >= max(CAPACITOR_RISE_K, float(np.median(rises)) + CAPACITOR_OVER_BOARD_K)
        if stands_out or near_limit:
            told.append((m.rise_k, f"{m.part.ref} ({m.mean_c:.0f} °C, {life_factor(m.rise_k):.0f} times)"))
    if not told:
        return ()
    return (
        f"warm electrolytic capacitors: {_names([name for _, name in sorted(told, reverse=True)])}; by the rule of "
        "thumb that each 10 K halves their life they age so many times as fast as at ambient: dried out after years? "
        "check capacitance and series resistance",
    )


def life_factor(warmer_k: float) -> float:
    """
    How many times as fast an electrolytic capacitor ages when it is so much warmer.

    References
    ----------
    .. [1] Common practice among makers of electrolytic capacitors (from memory): life doubles for 10 K less.

    Examples
    --------
    >>> life_factor(10.0), life_factor(0.0)
    (2.0, 1.0)
    """
    return float(2.0 ** (warmer_k / LIFE_STEP_K))


def is_electrolytic(part: Part) -> bool:
    """
    Whether kind or package say that a part is a wet electrolytic capacitor.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> sleeve = Surface("plastic", 0.94, 0.02)
    >>> is_electrolytic(Part("C1", 10, 10, 5, 5, 0, sleeve, package="ELCO-10"))
    True
    >>> is_electrolytic(Part("C2", 10, 10, 5, 5, 0, sleeve, kind="film capacitor", package="CAP-RADIAL-10"))
    False
    """
    kind = (part.kind or "").lower()
    if any(word in kind for word in _DRY_WORDS):
        return False
    if "electrolytic" in kind:
        return True
    try:
        name = package_body(part.package).name if part.package else ""
    except InputError:
        return False
    return name.startswith(_WET_PACKAGES) and "CERAMIC" not in name


def _burn_c(part: Part) -> float:
    if part.surface.name in _METAL:
        return BURN_METAL_C
    return BURN_CERAMIC_C if part.surface.name in _CERAMIC else BURN_PLASTIC_C


def _names(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return ", ".join(names[:MOST_NAMES]) + more
