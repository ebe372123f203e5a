"""Package names of other programs, told by our table or by the sizes that stand in them."""

from __future__ import annotations

import re

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.layout.packages import package_body, package_key

# Packages whose zero orientation has its rows of leads upright in IPC-7351 (pin 1 top left): dual-row ones.
_TWO_ROWS = re.compile(r"(DIP|CERDIP|SBDIP|SOIC|SOJ|SSOP|TSSOP|MSOP|TSOP)\b")
_SIZES = (
    re.compile(r"(?<![A-Z])L(?P<length>\d+(?:\.\d+)?)MM.*?(?<![A-Z])[WD](?P<width>\d+(?:\.\d+)?)MM"),
    re.compile(r"(?<![A-Z])D(?P<length>\d+(?:\.\d+)?)MM.*?(?<![A-Z])W(?P<width>\d+(?:\.\d+)?)MM"),
    re.compile(r"(?<![A-Z])L(?P<length>\d+(?:\.\d+)?)-?(?:MM)?[_-]W(?P<width>\d+(?:\.\d+)?)"),
)


@dataclass(frozen=True, slots=True)
class MatchedPackage:
    """A body for a foreign package name: ours by name, or only a size read from the name."""

    name: str | None
    length_mm: float
    width_mm: float
    two_rows: bool


def match_package(foreign: str) -> MatchedPackage | None:
    """
    The body that a foreign package name means, or None.

    The name is tried as it is, without its library, and shortened at each underscore; then sizes in it are looked for.

    Examples
    --------
    >>> match_package("Package_DIP:DIP-40_W15.24mm_Socket").name
    'DIP-40'
    >>> match_package("R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal").length_mm
    6.3
    >>> match_package("MODULE-X") is None
    True
    """
    name = foreign.rpartition(":")[2].strip()
    pieces = re.split(r"_|\s+", name)
    for count in range(len(pieces), 0, -1):
        known = _known("_".join(pieces[:count]))
        if known:
            return known
    for pattern in _SIZES:
        size = pattern.search(name.upper())
        if size and float(size["length"]) > 0 and float(size["width"]) > 0:
            return MatchedPackage(None, float(size["length"]), float(size["width"]), two_rows=False)
    chip = re.search(r"(?<!\d)(0402|0603|0805|1206|1210|1812|2010|2512)(?!\d)", name)
    return _known(chip[1]) if chip else None


def _known(name: str) -> MatchedPackage | None:
    # A bare letter or word such as "R" or "CAP" names no body.
    if not any(letter.isdigit() for letter in package_key(name)) and len(package_key(name)) < 4:
        return None
    try:
        body = package_body(name)
    except InputError:
        return None
    return MatchedPackage(body.name, body.length_mm, body.width_mm, bool(_TWO_ROWS.match(body.name)))
