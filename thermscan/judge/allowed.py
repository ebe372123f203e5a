"""What a part may draw: by its own data sheet, by its family, or by its kind."""

from __future__ import annotations

import re
from collections.abc import Sequence

from thermscan.frozen import dataclass
from thermscan.layout.board import Part
from thermscan.layout.powers import PowerFamily, family_by_kind, power_family
from thermscan.runs.run import Supply

# A data sheet's typical is what its maker measured, at a duty of his own: good parts at work draw 0.4 to 1.6 times as
# much (two such shares either way; from memory of old data sheets against chips on boards). A family has its own share.
STATED_SPREAD = 0.3
# The most is a test limit at the worst supply and temperature: hardly a good part passes it, by a tenth if at all.
MOST_SPREAD = 0.1
# A regulator needs this much between its rails (common practice for those of three legs).
DROPOUT_V = 1.5


@dataclass(frozen=True, slots=True)
class AllowedWatts:
    """
    What a part may draw when it works as it should.

    Attributes
    ----------
    low_w, typical_w, most_w : float
        ``low_w`` 0: it may be at rest, and is never called cold.
    source : str
        Where that comes from, in words.
    stated : bool
        Whether the layout says so; else it is taken from the part's kind.
    """

    low_w: float
    typical_w: float
    most_w: float
    source: str
    stated: bool

    @property
    def gives_no_heat(self) -> bool:
        """Whether it should give none."""
        return self.typical_w == 0.0


def allowed_watts(part: Part, *, supply: Sequence[Supply], regulators: int = 1) -> AllowedWatts | None:
    """
    What a part may draw; None where nothing is known of it.

    Parameters
    ----------
    part : Part
    supply : sequence of Supply
        The run's rails, from which a linear regulator's watts follow.
    regulators : int
        How many regulators of the board may share one rail's current.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> chip = Part("U1", 52, 14, 30, 10, 0, Surface("plastic", 0.93, 0.02), watts=(0.4, 0.75))
    >>> allowed = allowed_watts(chip, supply=())
    >>> round(allowed.low_w, 2), allowed.most_w, allowed.source
    (0.16, 0.75, 'the layout')
    """
    if part.watts is not None:
        typical, most = part.watts
        return AllowedWatts(_low(typical, STATED_SPREAD), typical, most, "the layout", stated=True)
    family = power_family(part.family) if part.family is not None else family_by_kind(part.ref, part.kind, part.value)
    if family is None:
        return None
    stated = part.family is not None
    source = f"family {family.name}" if stated else f"its kind, {family.name}"
    if family.by_rails and (told := _by_rails(part, supply, regulators)) is not None:
        return AllowedWatts(told[0], told[1], told[2], f"{source}, (Vin - Vout) x I of the rails", stated)
    return AllowedWatts(_family_low(family), family.typical_w, family.most_w, source, stated)


def gives_no_heat(part: Part) -> bool:
    """
    Whether a part should give hardly any heat by its nature or by what the layout says.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> mask = Surface("plastic", 0.95, 0.02)
    >>> [gives_no_heat(Part(ref, 2.0, 1.2, 5, 5, 0, mask)) for ref in ("C20", "J1", "CR2", "U1")]
    [True, True, False, False]
    """
    allowed = allowed_watts(part, supply=())
    return allowed is not None and allowed.gives_no_heat


def _low(typical_w: float, spread: float) -> float:
    return max(typical_w * (1.0 - 2.0 * spread), 0.0)


def _family_low(family: PowerFamily) -> float:
    # What a regulator drops without load, or from rails that are not known, may be next to nothing.
    return 0.0 if family.by_rails else _low(family.typical_w, family.spread)


def _by_rails(part: Part, supply: Sequence[Supply], regulators: int) -> tuple[float, float, float] | None:
    """Least, typical and most by the lowest rail that is high enough; None where output or rail is not known."""
    out_v = output_volts(part)
    if out_v is None:
        return None
    rails = [rail for rail in supply if rail.volts * out_v > 0 and abs(rail.volts) >= abs(out_v) + DROPOUT_V]
    if not rails:
        return None
    rail = min(rails, key=lambda each: abs(each.volts))
    most = (abs(rail.volts) - abs(out_v)) * abs(rail.amps)
    # What share of the rail's current goes through it is not known where others hang on it too.
    return 0.0, most / max(regulators, 1), most


def output_volts(part: Part) -> float | None:
    """
    What a regulator gives, from its kind or value; None where they do not tell.

    Examples
    --------
    >>> from thermscan.layout.board import Surface
    >>> def one(kind=None, value=None):
    ...     return output_volts(Part("Q1", 10, 5, 5, 5, 0, Surface("plastic", 0.95, 0.02), kind=kind, value=value))
    >>> one("5 V regulator"), one(value="L7812CV"), one(value="79L05"), one("3.3V regulator"), one("regulator")
    (5.0, 12.0, -5.0, 3.3, None)
    """
    said = " ".join(text for text in (part.kind, part.value) if text)
    if match := re.search(r"(?<!\d)7([89])[LMlm]?(\d\d)(?!\d)", said):
        return float(match[2]) * (1.0 if match[1] == "8" else -1.0)
    if match := re.search(r"([-+\u2212]?)\s*(\d+(?:[.,]\d+)?)\s*V(?![A-Za-z])", said):
        volts = float(match[2].replace(",", "."))
        return -volts if match[1] in ("-", "\u2212") else volts
    return None
