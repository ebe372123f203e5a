"""Package names that end with sizes, as footprints of design programs do: rows so far apart, 7 x 7 mm …"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from thermscan.layout.packages import PackageBody

_NUMBER = r"(\d+(?:[.,]\d+)?)"
_AREA = re.compile(rf"{_NUMBER}\s*[xX×]\s*{_NUMBER}\s*mm", re.IGNORECASE)
# A letter in front says what is meant (W: width or row spacing, D: diameter); pitch (P) and height (H) are no bodies.
_LENGTH = re.compile(rf"(?<![A-Za-z])([A-Za-z]?)\s*{_NUMBER}\s*(mm|mil)(?![A-Za-z])", re.IGNORECASE)
_CHIP = re.compile(r"(?<!\d)(\d{4})(?!\d)")
_METRIC_CHIP = re.compile(r"[\s_\-(]*\d{4}\s*_?metric\)?", re.IGNORECASE)
MM_A_MIL = 0.0254

# Leads stand this much further apart than a body is wide (row spacing less body width in the table: 0.1 to 2.5 mm), and
# makers' bodies of one name differ by less than that.
_ROWS_BEYOND_MM = (-0.6, 2.6)
_SAME_SIDE_MM = 0.6


def body_by_size(name: str, bodies: Iterable[PackageBody], by_key: Mapping[str, PackageBody]) -> PackageBody | None:
    """
    The package of a name that ends with sizes, or None: the one of that family and lead count whose body agrees.

    Parameters
    ----------
    name : str
        Such as ``DIP16 W 7.62 mm``, ``LQFP-44 (10x10mm)``, ``R 0805 2012 metric``; blanks, underscores, hyphens and
        case are of no account.
    bodies : iterable of PackageBody
    by_key : mapping
        Bodies by `thermscan.layout.packages.package_key`.

    Examples
    --------
    >>> from thermscan.layout.packages import package_body
    >>> package_body("dip-28, W7.62 mm").name, package_body("dip-28, W15.24 mm").name
    ('DIP-28-300', 'DIP-28')
    """
    from thermscan.layout.packages import package_key  # noqa: PLC0415 - they use each other

    chip = _METRIC_CHIP.search(name)
    if chip and (code := _CHIP.search(name[: chip.start()])):
        return by_key.get(package_key(code[1]))
    areas, lengths = _AREA.findall(name), [each for each in _LENGTH.findall(name) if each[0].upper() not in {"P", "H"}]
    if not areas and not lengths:
        return None
    base = _LENGTH.sub(" ", _AREA.sub(" ", name))
    found = [body for body in bodies if _is_called(body, _family(base))]
    if areas:
        sides = sorted(_number(side) for side in areas[0])
        return _nearest(found, lambda body: max(abs(a - b) for a, b in zip(sides, _sides(body), strict=True)))
    letter, value, unit = lengths[0]
    wanted = _number(value) * (MM_A_MIL if unit.lower() == "mil" else 1.0)
    if letter.upper() == "D":
        return _nearest(found, lambda body: abs(wanted - body.length_mm))
    low, high = _ROWS_BEYOND_MM
    fitting = [body for body in found if low <= wanted - body.width_mm <= high]
    return min(fitting, key=lambda body: abs(wanted - body.width_mm), default=None)


def _is_called(body: PackageBody, wanted: tuple[str, str | None]) -> bool:
    """Whether it has that family name and lead count, whatever follows in its name."""
    letters, number = wanted
    for called in (body.name, *body.aliases):
        family, leads = _family(called)
        if family == letters and number in {None, leads}:
            return True
    return False


def _family(name: str) -> tuple[str, str | None]:
    letters, number = re.fullmatch(r"(\D*)(\d+)?.*", name, re.DOTALL).groups()  # type: ignore[union-attr]
    return re.sub(r"[^A-Z]", "", letters.upper()), number.lstrip("0") if number else None


def _nearest(bodies: Iterable[PackageBody], off_mm: Callable[[PackageBody], float]) -> PackageBody | None:
    near = min(bodies, key=off_mm, default=None)
    return near if near is not None and off_mm(near) <= _SAME_SIDE_MM else None


def _sides(body: PackageBody) -> tuple[float, float]:
    return min(body.length_mm, body.width_mm), max(body.length_mm, body.width_mm)


def _number(text: str) -> float:
    return float(text.replace(",", "."))
