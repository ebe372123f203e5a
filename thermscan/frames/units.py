"""The linear units a frame's values may be in, under all the names people write, and their Celsius values."""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Iterable, Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.scales import c_from_abs_k

# Kelvin a step, for the units that count from absolute zero.
KELVIN_A_STEP = {"cK": 0.01, "dK": 0.1, "K": 1.0, "mK": 0.001}
TEMPERATURE_UNITS = ("cK", "dK", "K", "C", "F", "mK")
COUNTS = "counts"
UNITS = (*TEMPERATURE_UNITS, COUNTS)

_NAMES = {
    "C": "c celsius centigrade degreescelsius",
    "F": "f fahrenheit",
    "K": "k kelvin kelvins",
    "cK": "ck centikelvin centikelvins centik k*100 100*k k/100 1/100k 0.01k 1e-2k 10mk hundredthsofkelvin",
    "dK": "dk decikelvin decikelvins decik k*10 10*k k/10 1/10k 0.1k 1e-1k 100mk tenthsofkelvin",
    "mK": "mk millikelvin millikelvins millik k*1000 1000*k k/1000 1/1000k 0.001k 1e-3k thousandthsofkelvin",
    COUNTS: "counts count rawcounts dn digitalnumber digitalnumbers",
}
_UNIT_OF = {name: unit for unit, names in _NAMES.items() for name in names.split()}

# One written unit. The degree sign may be lost in some encodings, so it is optional.
_WRITTEN = r"""
    (?:(?:centi|deci|milli)[\s-]?(?:kelvins?|K)
    | [cdm]K
    | K(?:elvin)?s?\s*[*x·/]\s*10{1,3}
    | 10{1,3}\s*[*x·]\s*K(?:elvin)?s?
    | (?:0[.,]0{0,2}1|1/10{1,3}|1e-[123])\s*\*?\s*K(?:elvin)?s?
    | (?:hundredths|tenths|thousandths)\s+of\s+(?:an?\s+)?kelvins?
    | (?:°|degrees?\s*|deg\.?\s*)?\s*(?:celsius|centigrade|fahrenheit|kelvins?|[CFK])
    )(?![A-Za-z0-9*°])
"""
# The same, for use far from any key: too short a name ("K", "C") says nothing there.
_WRITTEN_LONG = r"""
    (?:(?:centi|deci|milli)[\s-]?kelvins?
    | (?-i:[cdm]K)
    | (?:hundredths|tenths|thousandths)\s+of\s+(?:an?\s+)?kelvins?
    | K(?:elvin)?s?\s*[*x·]\s*10{1,3}
    | (?:°|degrees?\s*|deg\.?\s*)\s*(?:celsius|centigrade|fahrenheit|[CF])
    | celsius | centigrade | fahrenheit | kelvins?
    )(?![A-Za-z0-9*°])
"""
_FLAGS = re.VERBOSE | re.IGNORECASE
_WHOSE = r"(?:temperatures?|temp|pixels?|values?|data|samples?|radiometric|thermal|intensity|frame|image)"
_KEYED = re.compile(
    rf"(?<![A-Za-z])(?:{_WHOSE}[\s_-]*)?(?:units?|einheit|unité|unidad|unità)(?![A-Za-z])[\s\"']*[:=;,>]?[\s\"'\[(]*({_WRITTEN})",
    _FLAGS,
)
_A_COUNT = re.compile(rf"({_WRITTEN})\s*(?:per|a|/)\s*(?:count|digit|dn|lsb|step|bit)s?(?![A-Za-z])", _FLAGS)
_SAID = re.compile(
    rf"""(?<![A-Za-z])(?:{_WHOSE}|T|temperatur\w*|stored|given|expressed|numbers|counts?|digits?|steps?)\b
         [^\d\n]{{0,40}}?
         (?: [\[(]\s*({_WRITTEN})\s*[\])] | \b(?:in|as|are|is)\s+({_WRITTEN}) | [/:,=]\s*({_WRITTEN}) )
         (?!\s*[\])]?\s*[:=]?\s*[-+]?\d)""",
    _FLAGS,
)
_LONE = re.compile(rf"(?<![\d.,A-Za-z/*])(?<!\d\s)({_WRITTEN_LONG})(?!\s*[\])]?\s*[:=]?\s*[-+]?\d)", _FLAGS)
_SCALE = re.compile(
    r"""(?:scale(?:[ _-]?factor)?|gain|slope)["']?\s*[:=]\s*["']?(?P<factor>0?[.,]\d+|1e-\d|1(?:\.0*)?)(?![\d])
        | (?:values?|raw|counts?|pixels?|dn)\s*(?:/\s*(?P<divisor>10{1,3})(?!\d))""",
    _FLAGS,
)
_OFFSET = re.compile(r"offset[\"']?\s*[:=]\s*[\"']?[-+]?0*[.,]?0*[1-9]|/\s*10+\s*[-+]\s*\d", re.IGNORECASE)
_NEXT_CELL = re.compile(rf"\d\"?\s*[;,|\t]\s*\"?(?:{_WRITTEN})", _FLAGS)
# A clause about one of these states that quantity's unit, not the pixels'.
_ABOUT_SOMETHING_ELSE = re.compile(
    r"ambient|reflect|room|\bair\b|atmospher|window|housing|sensor temp|lens|extern|environment|background|umgebung|"
    r"reflek|\bmin|\bmax|mean|average|span|range|noise|netd|sensitivity|resolution|accuracy|emissi|distance|humid",
    re.IGNORECASE,
)
_UNIT_KEYS = frozenset(
    f"{whose}unit{plural}"
    for whose in ("", "temperature", "temp", "pixel", "value", "data", "sample", "radiometric", "thermal", "intensity")
    for plural in ("", "s")
)


@dataclass(frozen=True, slots=True)
class StatedUnit:
    """A unit that a file states, and the words it does so with."""

    unit: str
    words: str


def celsius(values: ArrayLike, unit: str) -> NDArray[np.float64]:
    """
    Temperatures in degrees Celsius of values in a linear unit.

    Parameters
    ----------
    values : array_like
        NaN stays NaN.
    unit : str
        ``cK dK K C F mK``, in any of its written forms.

    Returns
    -------
    ndarray of the same shape
        Degrees Celsius; at or below -273.15 where a value cannot be a temperature.

    Raises
    ------
    InputError
        The unit is unknown, or is ``counts``, which only a camera file turns into temperatures.

    References
    ----------
    .. [1] BIPM, SI brochure, 9th edition (2019), 2.3.1: t/°C = T/K - 273.15.
    .. [2] NIST SP 811 (2008), appendix B.8: t/°C = (t/°F - 32) / 1.8.

    Examples
    --------
    >>> celsius([29515, 30015], "cK").round(2).tolist()
    [22.0, 27.0]
    >>> celsius(212.0, "F").item()
    100.0
    """
    name = known_unit(unit)
    array = np.asarray(values, dtype=np.float64)
    if name in KELVIN_A_STEP:
        # Dividing by a whole number keeps 29515 / 100 the nearest double to 295.15; times 0.01 does not.
        return c_from_abs_k(array / round(1.0 / KELVIN_A_STEP[name]))
    if name == "F":
        result: NDArray[np.float64] = (array - 32.0) / 1.8
        return result
    if name == "C":
        return array.copy()
    raise InputError(
        "counts are not temperatures",
        where="unit",
        fix="name a camera file with camera = … or --camera that turns them",
    )


def kelvin_a_step(unit: str) -> float:
    """
    What a step of one in a linear unit is, in kelvin.

    Examples
    --------
    >>> kelvin_a_step("dK")
    0.1
    """
    return {**KELVIN_A_STEP, "C": 1.0, "F": 1.0 / 1.8}[unit]


@lru_cache(maxsize=512)
def unit_named(text: str) -> str | None:
    """
    The unit that a text names and nothing else, or None.

    Capitals are of no account, except that ``MK`` is not read: it means megakelvin.

    Examples
    --------
    >>> [unit_named(text) for text in ("°C", "degC", "CENTIKELVIN", "0.01 K", "K*100", "mK", "MK", "metre")]
    ['C', 'C', 'cK', 'cK', 'cK', 'mK', None, None]
    """
    plain = _plain(text).strip(" \t\r\n\"'[](){}<>:;=")
    if plain == "MK":
        return None
    key = re.sub(r"[\s_-]+", "", re.sub(r"1e-", "1e~", plain.casefold())).replace("1e~", "1e-")
    key = key.replace(",", ".").replace("×", "*").replace("·", "*")
    key = re.sub(r"kelvins?(?=[*x/])|(?<=[*x])kelvins?|(?<=\d)kelvins?$", "k", key)
    key = re.sub(r"(?<=k)x(?=1)|(?<=0)x(?=k)", "*", key).replace("ofa", "of").replace("1*k", "1k")
    key = re.sub(r"^(?:degrees?|deg\.?|°)", "", key)
    return _UNIT_OF.get(key)


def known_unit(text: str, *, where: str = "unit") -> str:
    """
    The unit that a user named.

    Raises
    ------
    InputError
        It is none of those known.

    Examples
    --------
    >>> known_unit("celsius")
    'C'
    """
    unit = unit_named(text)
    if unit is None:
        raise InputError(f'"{text}" is not a unit; write one of {" ".join(UNITS)}', where=where)
    return unit


def stated_units(texts: Iterable[str]) -> tuple[StatedUnit, ...]:
    """
    The different units that descriptions or header lines plainly state for the pixels.

    A unit after a key such as "unit" outweighs one in running text; a number's own unit ("ambient 22 °C",
    "noise 40 mK") and those of other quantities state nothing about the pixels.

    Parameters
    ----------
    texts : iterable of str
        Plain text, ``key: value`` lines or JSON.

    Returns
    -------
    tuple of StatedUnit
        Empty where nothing is stated; more than one where the texts contradict each other.

    Examples
    --------
    >>> stated_units(['{"unit": "cK", "ambient": "22 C"}'])
    (StatedUnit(unit='cK', words='unit: cK'),)
    >>> stated_units(["Emissivity: 0.95", "Ambient: 22 °C", "noise 40 mK"])
    ()
    """
    plain = [_plain(text) for text in texts if text]
    for statements in (_keyed, _said, _lone):
        found: dict[str, StatedUnit] = {}
        for text in plain:
            for words, written in statements(text):
                unit = unit_named(written)
                if unit is not None:
                    found.setdefault(unit, StatedUnit(unit, " ".join(words.split())))
        if set(found) == {"K"}:
            return (_scaled_kelvin(found["K"], plain),)
        if found:
            return tuple(found.values())
    return ()


def _scaled_kelvin(stated: StatedUnit, texts: Iterable[str]) -> StatedUnit:
    """Kelvin with a stated scale, "scale: 0.01" or "value / 100", are hundredths; any offset leaves the claim alone."""
    for text in texts:
        match = _SCALE.search(text)
        if match and not _OFFSET.search(text):
            factor = float(match["factor"].replace(",", ".")) if match["factor"] else 1.0 / float(match["divisor"])
            for unit, step in KELVIN_A_STEP.items():
                if math.isclose(factor, step, rel_tol=1e-6):
                    return StatedUnit(unit, f"{stated.words}, {match[0]}")
    return stated


def _plain(text: str) -> str:
    # NFKC turns the one-character degree Celsius, the kelvin sign and hard blanks into plain letters.
    text = text.replace("º", "°").replace("˚", "°")
    return unicodedata.normalize("NFKC", text).replace("×", "x")


def _keyed(text: str) -> Iterator[tuple[str, str]]:
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        for match in _KEYED.finditer(text):
            yield match.group(0), match.group(1)
        return
    yield from _keyed_in(document)


def _keyed_in(document: object) -> Iterator[tuple[str, str]]:
    if isinstance(document, dict):
        for key, value in document.items():
            if isinstance(value, str) and re.sub(r"[^a-z]", "", key.casefold()) in _UNIT_KEYS:
                yield f"{key}: {value}", value
            else:
                yield from _keyed_in(value)
    elif isinstance(document, list):
        for item in document:
            yield from _keyed_in(item)
    elif isinstance(document, str):
        for match in _KEYED.finditer(document):
            yield match.group(0), match.group(1)


def _clauses(text: str) -> list[str]:
    clauses = re.split(r"[\n;|{}]|,(?=\s)|\.(?=\s)", text)
    return [clause for clause in clauses if clause.strip() and not _ABOUT_SOMETHING_ELSE.search(clause)]


def _said(text: str) -> Iterator[tuple[str, str]]:
    if text.strip() and unit_named(text):
        yield text, text
    for clause in _clauses(text):
        for pattern in (_SAID, _A_COUNT):
            for match in pattern.finditer(clause):
                yield match.group(0), next(group for group in match.groups() if group)


def _lone(text: str) -> Iterator[tuple[str, str]]:
    # "Ambient;22.4;°C" gives a number's own unit in the next cell.
    for clause in _clauses(_NEXT_CELL.sub(" ", text)):
        for match in _LONE.finditer(clause):
            yield clause, match.group(1)
