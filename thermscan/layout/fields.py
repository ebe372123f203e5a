"""
Kinds of value that a person writes in a layout or run file, and faults in our own words.

pydantic gathers the faults; each kind of value checks itself here and says what was seen and what to write.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from thermscan.errors import Fault, nearest_name
from thermscan.visible import brief

# What the end of a key says about its unit, with an example to write.
_EXAMPLES = {
    "_deg": "degrees, such as 90",
    "_mm": "millimetres, such as 12.5",
    "_c": "degrees Celsius, such as 85",
    "_px": "pixels, such as 120.5",
    "_s": "seconds, such as 20",
    "_hz": "frames a second, such as 9",
    "_on": "minutes, such as 15",
    "_k_per_w": "kelvin per watt, such as 8",
    "emissivity": "a number above 0 and at most 1, such as 0.95",
}
_LONGEST_SHOWN = 40
# No key of ours is nearly as long.
LONGEST_KEY = 60
# No quantity of a bench is larger or, where it must not be 0, smaller; seconds since 1970 are below 1e10.
LARGEST_NUMBER, SMALLEST_NUMBER = 1e12, 1e-12
# Polished gold and silver have 0.02 (handbook tables, from memory).
LEAST_EMISSIVITY = 0.01


class Record(BaseModel):
    """A table of a file: its keys are all known, and unknown ones are refused."""

    # Built when a file of its kind is first read; the tables within it are built along with it.
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


def complaint(what: str, fix: str | None = None) -> PydanticCustomError:
    """
    A fault that pydantic carries to the end of the file.

    Examples
    --------
    >>> complaint("it is empty").message()
    'it is empty'
    """
    return PydanticCustomError("thermscan", "{what}", {"what": what, "fix": fix})


def shown(value: object) -> str:
    """
    A value as a message quotes it: short, and on one line.

    Examples
    --------
    >>> shown("ninety"), shown(True), shown([1, 2])
    ('"ninety"', 'true', '[1, 2]')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) > LARGEST_NUMBER:
        return "a whole number of very many digits"
    text = f'"{value[: 2 * _LONGEST_SHOWN]}"' if isinstance(value, str) else str(value)
    text = " ".join("".join(c if c.isprintable() else " " for c in text[: 2 * _LONGEST_SHOWN]).split())
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}…"


def shown_number(value: float) -> str:
    """
    A number as a message quotes it.

    Examples
    --------
    >>> shown_number(999.0), shown_number(10**400)
    ('999', 'a whole number of very many digits')
    """
    return f"{value:g}" if abs(value) <= LARGEST_NUMBER else shown(value)


def parse_number(text: str, *, decimal_comma: bool = False) -> float | None:
    """
    The number that a cell or an option holds, or None.

    Examples
    --------
    >>> parse_number("12,5", decimal_comma=True), parse_number("-3.0"), parse_number("ninety")
    (12.5, -3.0, None)
    """
    plain = text.strip().replace("\N{MINUS SIGN}", "-")
    if decimal_comma and "." not in plain:
        plain = plain.replace(",", ".")
    if "_" in plain or not plain.isascii():
        return None
    try:
        return float(plain)
    except ValueError:
        return None


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        quoted = isinstance(value, str) and parse_number(value) is not None
        raise complaint(f"{shown(value)} is not a number", "write it without quotes" if quoted else None)
    if isinstance(value, float) and not math.isfinite(value):
        raise complaint(f"{value} is not a finite number")
    if abs(value) > LARGEST_NUMBER:  # TOML allows whole numbers of any length, which no float can hold
        raise complaint(f"{shown(value)} is too large")
    return float(value)


def _above_zero(value: object) -> float:
    number = _number(value)
    if number <= 0:
        raise complaint(f"{number:g} is not above 0")
    if number < SMALLEST_NUMBER:
        raise complaint(f"{number:g} is too small")
    return number


def _not_negative(value: object) -> float:
    number = _number(value)
    if number < 0:
        raise complaint(f"{number:g} is below 0")
    return number


def _emissivity(value: object) -> float:
    number = _number(value)
    if not 0 < number <= 1:
        raise complaint(f"{number:g} is not above 0 and at most 1")
    if number < LEAST_EMISSIVITY:
        raise complaint(f"{number:g} is below {LEAST_EMISSIVITY:g}, the least that any surface has")
    return number


def _pair(value: object) -> tuple[float, float]:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise complaint(f"{shown(value)} is not a pair of numbers", "write [x, y]")
    return _number(value[0]), _number(value[1])


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise complaint(f"{shown(value)} is not text", "write it between quotes")
    text = unicodedata.normalize("NFC", value.strip())
    if any(unicodedata.category(c) in ("Cc", "Cs") for c in text):
        raise complaint("the text holds a line break or another control character", "write it on one line")
    return text


def _name(value: object) -> str:
    text = _text(value)
    if not text:
        raise complaint("it is empty")
    return text


def _ref(value: object) -> str:
    text = _name(value)
    if text.startswith("#"):
        raise complaint(
            f"{shown(text)} starts with #, which begins a comment in a parts file", "write it without the #"
        )
    return text


def _label(value: object) -> str:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return str(value)
    return _text(value)


def _note(value: object) -> str:
    if isinstance(value, str):
        return _text(" ".join(value.split()))
    return _text(value)


Number = Annotated[float, BeforeValidator(_number)]
AboveZero = Annotated[float, BeforeValidator(_above_zero)]
NotNegative = Annotated[float, BeforeValidator(_not_negative)]
Emissivity = Annotated[float, BeforeValidator(_emissivity)]
Pair = Annotated[tuple[float, float], BeforeValidator(_pair)]
Name = Annotated[str, BeforeValidator(_name)]  # must not be empty
Ref = Annotated[str, BeforeValidator(_ref)]
Text = Annotated[str, BeforeValidator(_text)]
Label = Annotated[str, BeforeValidator(_label)]  # text, or a number meant as text: a value, a revision
Note = Annotated[str, BeforeValidator(_note)]  # line breaks become blanks


RecordT = TypeVar("RecordT", bound="Record")


def read_record(
    model: type[RecordT],
    values: Mapping[str, Any],
    *,
    where: Callable[[str], str],
    faults: list[Fault],
    hints: Mapping[str, str] | None = None,
    nested: Mapping[str, Iterable[str]] | None = None,
) -> RecordT | None:
    """
    A checked record, or None with its faults added to the list.

    Parameters
    ----------
    model : type of Record
    values : mapping
        As the file has them.
    where : callable
        Gives the place of a key (``""`` for the table itself) as a message names it.
    faults : list of Fault
        Grows by one for each thing that is wrong.
    hints : mapping, optional
        What to say of certain keys: of an unknown one under its name, of a missing one under ``+`` and its name.
    nested : mapping, optional
        The keys that are known within a list of tables.

    Examples
    --------
    >>> class Size(Record):
    ...     width_mm: AboveZero
    >>> found: list[Fault] = []
    >>> read_record(Size, {"widht_mm": 3}, where=lambda key: f"board.toml, {key}", faults=found)
    >>> print(*found, sep="\\n")
    board.toml, width_mm: it is missing
    board.toml, widht_mm: unknown key; did you mean width_mm?
    """
    try:
        return model.model_validate(dict(values))
    except ValidationError as error:
        known = tuple(field.alias or name for name, field in model.model_fields.items())
        for detail in error.errors(include_url=False):
            faults.append(_fault(detail, {"": known, **(nested or {})}, where, hints or {}))
        return None


def _fault(
    detail: ErrorDetails, known: Mapping[str, Iterable[str]], where: Callable[[str], str], hints: Mapping[str, str]
) -> Fault:
    key, *inner = (str(step + 1) if isinstance(step, int) else step for step in detail["loc"] or ("",))
    key = brief(key, LONGEST_KEY)
    place = where(key)
    if inner and inner[0].isdigit():
        place += f", item {', '.join(step for step in inner if not step.isdigit() or step is inner[0])}"
    last = inner[-1] if inner and not inner[-1].isdigit() else key
    if detail["type"] == "extra_forbidden":
        names = tuple(known.get(key if inner else "", ()))
        near = nearest_name(last, names)
        return Fault("unknown key", place, hints.get(last) or (f"did you mean {near}?" if near else _list(names)))
    if detail["type"] == "missing":
        return Fault("it is missing", place, hints.get(f"+{last}"))
    if detail["type"] == "thermscan":
        context = detail["ctx"]
        return Fault(context["what"], place, context["fix"] or example_for(last))
    return Fault(f"{shown(detail['input'])} cannot be used ({detail['msg'].lower()})", place, example_for(last))


def _list(names: Iterable[str]) -> str | None:
    text = ", ".join(names)
    return f"known: {text}" if text else None


def example_for(key: str) -> str | None:
    """
    What to write for a key, by the unit that ends its name.

    Examples
    --------
    >>> example_for("rotation_deg")
    'write degrees, such as 90'
    """
    return next((f"write {example}" for end, example in _EXAMPLES.items() if key.endswith(end)), None)
