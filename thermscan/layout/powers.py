"""
What parts of a family draw, by name.

The table is calibration/powers.csv; its columns are ``name``, ``typical_w``, ``most_w``, ``spread``, ``rule``,
``words``, ``source`` and ``note``. A part says ``family = "nmos-cpu"``; what gives no heat is known by its kind.
"""

from __future__ import annotations

import csv
import re
from functools import cache, lru_cache
from pathlib import Path

from thermscan.errors import InputError, nearest_name
from thermscan.frozen import dataclass
from thermscan.resources import data_path

# The rule of families whose watts the rails tell.
FROM_RAILS = "rails"
# Words of a kind that make a crystal, a connector or a switch a part that does work.
_WORKING = frozenset({"oscillator", "driver", "amplifier", "mode", "switching", "controller", "active", "analog"})


@dataclass(frozen=True, slots=True)
class PowerFamily:
    """
    Watts of one family.

    Attributes
    ----------
    typical_w, most_w : float
        At the usual supply: what such a part draws, and what a good one draws at full duty.
    spread : float
        How far types and makers within the family differ, as a share (one standard deviation).
    by_rails : bool
        Whether (Vin - Vout) x I tells it where the run states its rails.
    words : tuple of str
        Patterns for a word of a part's kind or value that points to the family.
    letters : tuple of (str, bool)
        Letters of a reference that point to it, of parts with and without a kind.
    """

    name: str
    typical_w: float
    most_w: float
    spread: float
    by_rails: bool
    words: tuple[str, ...]
    letters: frozenset[tuple[str, bool]]
    source: str

    @property
    def gives_no_heat(self) -> bool:
        """Whether such a part should give none."""
        return self.typical_w == 0.0


def power_family(name: str) -> PowerFamily:
    """
    The family of that name.

    Parameters
    ----------
    name : str
        Case, blanks and underscores are of no account.

    Raises
    ------
    InputError
        No such family; the nearest known name is given.

    References
    ----------
    .. [1] Row by row in calibration/powers.csv.

    Examples
    --------
    >>> power_family("NMOS CPU").typical_w
    0.45
    >>> power_family("nmos-cqu")
    Traceback (most recent call last):
    thermscan.errors.InputError: "nmos-cqu" is not a known family; did you mean nmos-cpu?
    """
    families = {family.name: family for family in known_families()}
    key = family_key(name)
    if key in families:
        return families[key]
    near = nearest_name(key, families)
    fix = f"did you mean {near}?" if near else f"known: {', '.join(families)}"
    raise InputError(f'"{name[:40]}" is not a known family', fix=fix)


def family_key(name: str) -> str:
    """
    A family's name as the table has it.

    Examples
    --------
    >>> family_key(" LS_TTL gate")
    'ls-ttl-gate'
    """
    return re.sub(r"[\s_\-]+", "-", name.strip().lower())


@lru_cache(maxsize=4096)
def family_by_kind(ref: str, kind: str | None, value: str | None) -> PowerFamily | None:
    """
    The family that a part's kind or value, or else its reference, points to; None for most parts.

    Examples
    --------
    >>> family_by_kind("J1", "flap motors", None).name, family_by_kind("U1", "crystal oscillator", None)
    ('connector', None)
    >>> family_by_kind("IC3", None, "L7805CV").name, family_by_kind("S1", "sensor", None)
    ('linear-regulator', None)
    """
    said = re.findall(r"[a-z0-9]+", " ".join(text for text in (kind, value) if text).lower())
    if set(said) & _WORKING:
        return None
    for family in known_families():
        if any(re.fullmatch(word, token) for word in family.words for token in said):
            return family
    match = re.match(r"[A-Za-z]*", ref)
    letters = (match.group(0).upper() if match else "", bool(kind))
    return next((family for family in known_families() if letters[0] and letters in family.letters), None)


@cache
def known_families() -> tuple[PowerFamily, ...]:
    """
    Every family of the table, in its order.

    Examples
    --------
    >>> {"nmos-cpu", "linear-regulator", "none"} <= {family.name for family in known_families()}
    True
    """
    return _read_table(data_path("calibration", "powers.csv"))


@cache
def _read_table(path: Path) -> tuple[PowerFamily, ...]:
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        return tuple(
            PowerFamily(
                name=row["name"],
                typical_w=float(row["typical_w"]),
                most_w=float(row["most_w"]),
                spread=float(row["spread"]),
                by_rails=row["rule"] == FROM_RAILS,
                words=tuple(word for word in row["words"].split() if not word.startswith("=")),
                letters=frozenset(
                    (word.lstrip("="), has_kind)
                    for word in row["words"].split()
                    if word.startswith("=")
                    for has_kind in ((False,) if word.startswith("==") else (False, True))
                ),
                source=row["source"],
            )
            for row in rows
        )
