"""How a report says things: its language, its decimal sign and its unit of temperature."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from dataclasses import field
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from thermscan.frozen import dataclass
from thermscan.visible import visible as _visible

Units = Literal["C", "F"]
LANGUAGES = ("en", "de")

# A number and its unit stay on one line.
_TOGETHER = "\N{NO-BREAK SPACE}"
_MINUS = "\N{MINUS SIGN}"
# Expanded uncertainty in plain words: two standard uncertainties, about 95 %.
COVERAGE = 2.0


@dataclass(frozen=True, slots=True)
class Shown:
    r"""
    One language and one unit, and how texts and numbers look in them.

    Attributes
    ----------
    language : str
        ``en`` or ``de``.
    units : str
        ``C`` or ``F``. Differences are shown in the same unit's degrees: kelvin, or degrees Fahrenheit.

    Examples
    --------
    >>> shown = Shown("de", "F")
    >>> shown.temp(25.04), shown.diff(-0.5), shown.say("head.room", value=shown.temp(20))
    ('77,1\xa0°F', '−0,9\xa0°F', 'Raum 68,0\xa0°F')
    """

    language: str = "en"
    units: Units = "C"
    _texts: dict[str, str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_texts", texts_of(self.language))

    def say(self, key: str, **values: Any) -> str:
        """The text of that key with values in its places; a key that is not there is a fault of the program."""
        return self._texts[key].format(**values) if values else self._texts[key]

    def has(self, key: str) -> bool:
        """Whether there is such a text."""
        return key in self._texts

    def number(self, value: float | None, digits: int = 1) -> str:
        """A number, or an en dash where it could not be had."""
        if value is None or not math.isfinite(value):
            return "\N{EN DASH}"
        text = f"{value:.{digits}f}"
        if float(text) == 0.0:
            text = text.lstrip("-")
        return text.replace("-", _MINUS).replace(".", self._texts["number.decimal"])

    @property
    def temp_unit(self) -> str:
        """Of a temperature."""
        return f"°{self.units}"

    @property
    def diff_unit(self) -> str:
        """Of a difference of temperatures."""
        return "K" if self.units == "C" else "°F"

    def temp_value(self, value_c: float | None) -> float | None:
        """A temperature in the unit shown."""
        return value_c if value_c is None or self.units == "C" else value_c * 1.8 + 32.0

    def diff_value(self, value_k: float | None) -> float | None:
        """A difference in the unit shown."""
        return value_k if value_k is None or self.units == "C" else value_k * 1.8

    def temp(self, value_c: float | None, digits: int = 1) -> str:
        """A temperature with its unit."""
        shown = self.number(self.temp_value(value_c), digits)
        return shown if value_c is None else f"{shown}{_TOGETHER}{self.temp_unit}"

    def diff(self, value_k: float | None, digits: int = 1, *, signed: bool = False) -> str:
        """A difference with its unit."""
        shown = self.number(self.diff_value(value_k), digits)
        plus = "+" if signed and value_k is not None and value_k > 0 else ""
        return shown if value_k is None else f"{plus}{shown}{_TOGETHER}{self.diff_unit}"

    def spread(self, u_k: float | None) -> str:
        """The range that holds the true value about 19 times in 20, such as ``± 0.8 K``."""
        return "" if u_k is None else f"±{_TOGETHER}{self.diff(COVERAGE * u_k)}"


@cache
def texts_of(language: str) -> dict[str, str]:
    """All texts of one language, by ``section.key``."""
    source = files("thermscan.report").joinpath("languages", f"{language}.toml").read_text(encoding="utf-8")
    return {f"{section}.{key}": text for section, keys in tomllib.loads(source).items() for key, text in keys.items()}


def visible(text: object) -> str:
    """
    A text from a file on one line; what cannot be seen in it is written as its number.

    Examples
    --------
    >>> print(visible("U1\\x1b[31m\\u202eab\\ncd"))
    U1\\u001b[31m\\u202eab cd
    """
    return " ".join(_visible(str(text)).split())


def listed(names: Iterable[str], *, most: int = 40) -> str:
    """
    Names in a row, the tail counted where there are many.

    Examples
    --------
    >>> listed(["U1", "U2", "U3"], most=2)
    'U1, U2 (+ 1)'
    """
    every = [visible(name) for name in names]
    return ", ".join(every[:most]) + (f" (+ {len(every) - most})" if len(every) > most else "")
