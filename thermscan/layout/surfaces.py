"""What a camera sees of parts and board: the emissivity table, by name."""

from __future__ import annotations

import csv
import re
from functools import cache
from pathlib import Path

from thermscan.errors import InputError, nearest_name
from thermscan.layout.board import Surface
from thermscan.resources import data_path

# An emissivity that the user gives was measured on the part, with a reference tape and the same camera.
# What that method leaves is about 0.02 (common practice; ISO 18434-1 describes the method).
U_GIVEN_EMISSIVITY = 0.02

# The other spelling of a word, and what people call a surface at the bench.
_ALSO_CALLED = {
    "anodized": "anodised",
    "soldermask": "solder-mask",
    "solderresist": "solder-mask",
    "mask": "solder-mask",
    "bare": "metal",
    "baremetal": "metal",
    "metalbare": "metal",
    "paint": "painted",
}


def surface_named(name: str, emissivity: float | None = None) -> Surface:
    """
    A surface of the emissivity table, with its emissivity or one that was measured.

    Parameters
    ----------
    name : str
        Case, blanks, hyphens and underscores are of no account.
    emissivity : float, optional
        Overrides the table's, above 0 and at most 1; its uncertainty is then ``U_GIVEN_EMISSIVITY``.

    Raises
    ------
    InputError
        The name is not in the table (the nearest one is named), or the emissivity is out of range.

    Examples
    --------
    >>> surface_named("Solder Mask").name
    'solder-mask'
    >>> surface_named("metal", 0.3).emissivity
    0.3
    >>> surface_named("plastik")
    Traceback (most recent call last):
    thermscan.errors.InputError: "plastik" is not a known surface; did you mean plastic?
    """
    path = data_path("calibration", "emissivity.csv")
    table, by_key = _read_table(path), _by_key(path)
    key = _key(name)
    surface = by_key.get(key) or by_key.get(_key(_ALSO_CALLED.get(key, "")))
    if surface is None:
        near = nearest_name(name, table)
        fix = f"did you mean {near}?" if near else f"the known ones are {', '.join(table)}"
        raise InputError(f'"{name}" is not a known surface', fix=fix)
    if emissivity is None:
        return surface
    if not 0.0 < emissivity <= 1.0:
        raise InputError(f"an emissivity of {emissivity:g} cannot be", fix="write a number above 0 and at most 1")
    return Surface(surface.name, emissivity, U_GIVEN_EMISSIVITY)


def known_surfaces() -> dict[str, Surface]:
    """
    Every surface of the emissivity table, by its name.

    Examples
    --------
    >>> "plastic" in known_surfaces()
    True
    """
    return dict(_read_table(data_path("calibration", "emissivity.csv")))


@cache
def _read_table(path: Path) -> dict[str, Surface]:
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return {row["name"]: Surface(row["name"], float(row["emissivity"]), float(row["u_emissivity"])) for row in rows}


@cache
def _by_key(path: Path) -> dict[str, Surface]:
    return {_key(known): surface for known, surface in _read_table(path).items()}


def _key(name: str) -> str:
    return re.sub(r"[\s_\-()]+", "", name).casefold()
