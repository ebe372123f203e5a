"""
Bodies of packages by name: how long, how wide, how high.

The table is calibration/packages.csv; its columns are ``name``, ``length_mm``, ``width_mm``, ``height_mm``,
``surface``, ``shape`` (rectangle or round), ``aliases`` (separated by blanks), ``source`` and ``note``. Length and
width are those of the body, without leads, as seen from above; the height is that of the top above the board when the
part sits on it (a socket adds about 4 mm). ``surface`` is what shows from above where the layout states nothing:
plastic for an IC and for anything moulded or sleeved, and metal for a part in a metal can (crystals, oscillators,
TO-3, TO-5, TO-18): calling those plastic would read a reflection as a temperature.
"""

from __future__ import annotations

import csv
import re
from functools import cache, lru_cache
from pathlib import Path

from thermscan.errors import InputError, nearest_name
from thermscan.frozen import dataclass
from thermscan.layout.package_sizes import body_by_size
from thermscan.resources import data_path


@dataclass(frozen=True, slots=True)
class PackageBody:
    """
    The body of one package.

    Attributes
    ----------
    length_mm, width_mm : float
        Without leads; length lies along x at rotation 0.
    height_mm : float or None
        Of the top above the board.
    surface : str
        What shows from above, unless the layout says otherwise.
    round_body : bool
        A disc of diameter ``length_mm`` as seen from above.
    aliases : tuple of str
        Other names of the same body.
    source : str
        Where the dimensions come from.
    """

    name: str
    length_mm: float
    width_mm: float
    height_mm: float | None
    surface: str
    round_body: bool
    aliases: tuple[str, ...]
    source: str
    note: str | None = None


def package_body(name: str) -> PackageBody:
    """
    The body of a package.

    Parameters
    ----------
    name : str
        Case, hyphens, blanks, underscores and leading zeros are of no account. Sizes may follow the name.

    Raises
    ------
    InputError
        No such package; the nearest known name is given.

    References
    ----------
    .. [1] Row by row in calibration/packages.csv.

    Examples
    --------
    >>> package_body("dip 40").length_mm
    52.3
    >>> package_body("SO-16W").name
    'SOIC-16W'
    >>> package_body("DIP-41")
    Traceback (most recent call last):
    thermscan.errors.InputError: "DIP-41" is not a known package; did you mean DIP-40? If not, give the body's size
    """
    by_key = _by_key(data_path("calibration", "packages.csv"))
    body = by_key.get(package_key(name)) or body_by_size(name, known_packages(), by_key)
    if body is not None:
        return body
    near = nearest_package(name)
    fix = f"did you mean {near}? If not, give the body's size" if near else "give the body's length and width"
    raise InputError(f'"{name}" is not a known package', fix=fix)


@lru_cache(maxsize=256)
def nearest_package(name: str) -> str | None:
    """
    The known package name most like a given one, or None where none is near.

    Examples
    --------
    >>> nearest_package("PLLC-44")
    'PLCC-44'
    """
    names: dict[str, str] = {}
    for body in known_packages():
        for called in (body.name, *body.aliases):
            names.setdefault(package_key(called), body.name)
    family, number, rest = _family(package_key(name))
    kin = [(abs(n - number), r != rest, key) for key in names for f, n, r in [_family(key)] if f == family]
    if kin and len(family) > 1 and number > 0:
        return names[min(kin)[2]]
    near = nearest_name(package_key(name), names)
    return names[near] if near else None


def known_packages() -> tuple[PackageBody, ...]:
    """
    Every package of the table, in its order.

    Examples
    --------
    >>> {"DIP-40", "PLCC-44", "TO-220"} <= {body.name for body in known_packages()}
    True
    """
    return _read_table(data_path("calibration", "packages.csv"))


def package_key(name: str) -> str:
    """
    A package name without what is of no account, for comparing.

    Examples
    --------
    >>> package_key("cap radial 6,3"), package_key("DIP-08"), package_key("DIP-8")
    ('CAPRADIAL6.3', 'DIP8', 'DIP8')
    """
    key = re.sub(r"(?<=\d),(?=\d)", ".", name.strip().upper())
    key = re.sub(r"(?<!\d)\.|\.(?!\d)|[\s_\-/()]+", "", key)
    return re.sub(r"(?<=[A-Z])0+(?=\d)", "", key)


def _family(key: str) -> tuple[str, float, str]:
    letters, number, rest = re.fullmatch(r"([A-Z]*)([0-9.]*)(.*)", key, re.DOTALL).groups()  # type: ignore[union-attr]
    try:
        return letters, float(number), rest
    except ValueError:
        return letters, -1.0, rest


@cache
def _read_table(path: Path) -> tuple[PackageBody, ...]:
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return tuple(
            PackageBody(
                name=row["name"],
                length_mm=float(row["length_mm"]),
                width_mm=float(row["width_mm"]),
                height_mm=float(row["height_mm"]) if row["height_mm"] else None,
                surface=row["surface"],
                round_body=row["shape"] == "round",
                aliases=tuple(row["aliases"].split()),
                source=row["source"],
                note=row["note"] or None,
            )
            for row in rows
        )


@cache
def _by_key(path: Path) -> dict[str, PackageBody]:
    bodies: dict[str, PackageBody] = {}
    for body in _read_table(path):
        for called in (body.name, *body.aliases):
            bodies.setdefault(package_key(called), body)
    return bodies
