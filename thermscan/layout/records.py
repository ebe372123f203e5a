"""The tables of a layout file, key by key."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, ValidationInfo

from thermscan.errors import InputError
from thermscan.layout.fields import (
    AboveZero,
    Emissivity,
    Label,
    Name,
    Note,
    NotNegative,
    Number,
    Pair,
    Record,
    Ref,
    Text,
    complaint,
    parse_number,
    shown,
    shown_number,
)
from thermscan.layout.packages import package_body
from thermscan.layout.powers import family_key, power_family
from thermscan.layout.surfaces import surface_named

# A surface limit outside this is a slip: below lies no part's rating, above melts solder.
# The largest panels that board makers press are below a metre; the smallest modules are some millimetres across.
SHORTEST_SIDE_MM, LONGEST_SIDE_MM = 1.0, 2000.0
LOWEST_LIMIT_C, HIGHEST_LIMIT_C = -55.0, 400.0


def _outline(value: object) -> list[object]:
    if not isinstance(value, list):
        raise complaint(f"{shown(value)} is not a list of points", "write [[x, y], [x, y], [x, y], …]")
    return value


def _body(value: object) -> list[object]:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise complaint(f"{shown(value)} is not a length and a width", "write [length, width]")
    return list(value)


def _size(value: object) -> list[object]:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise complaint(f"{shown(value)} is not a width and a height", "write [width, height]")
    return list(value)


def _limit(value: object) -> object:
    if (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and not LOWEST_LIMIT_C <= value <= HIGHEST_LIMIT_C
    ):
        raise complaint(
            f"{shown_number(value)} is not within {LOWEST_LIMIT_C:g} to {HIGHEST_LIMIT_C:g} degrees Celsius"
        )
    return value


def _side(length_mm: float) -> float:
    """A side of the board, by what can lie in front of a camera."""
    if not SHORTEST_SIDE_MM <= length_mm <= LONGEST_SIDE_MM:
        raise complaint(f"{length_mm:g} is not within {SHORTEST_SIDE_MM:g} to {LONGEST_SIDE_MM:g} mm")
    return length_mm


def _watts(value: object) -> list[object]:
    """Typical and most as a pair, or as a cell of a parts file has them: two numbers and what stands between them."""
    if isinstance(value, str):
        apart = re.split(r"\s*[;/]\s*|,?\s+", value.strip())
        cells = apart if len(apart) == 2 else value.split(",")
        numbers = [parse_number(cell, decimal_comma=True) for cell in cells]
        value = [cell if number is None else number for cell, number in zip(cells, numbers, strict=True)]
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise complaint(f"{shown(value)} is not two numbers", "write typical and most, such as [0.4, 0.75]")
    return list(value)


def _in_order(watts: tuple[float, float]) -> tuple[float, float]:
    if watts[0] > watts[1]:
        raise complaint(f"typical {watts[0]:g} is above most {watts[1]:g}", "write typical first, then the most")
    return watts


def _family(name: str) -> str:
    return family_key(_known(name, power_family))


def _surface(name: str) -> str:
    return _known(name, surface_named)


def _package(name: str, info: ValidationInfo) -> str:
    """An unknown package is a fault only where the body must come from it."""
    has_body = info.data.get("body_mm") or (info.data.get("length_mm") and info.data.get("width_mm"))
    return name if has_body else _known(name, package_body)


def _known(name: str, look_up: Callable[[str], object]) -> str:
    try:
        look_up(name)
    except InputError as error:
        raise complaint(error.faults[0].what, error.faults[0].fix) from error
    return name


class BoardRecord(Record):
    """The ``[board]`` table."""

    name: Text | None = None
    revision: Label | None = None
    width_mm: Annotated[AboveZero, AfterValidator(_side)] | None = None
    height_mm: Annotated[AboveZero, AfterValidator(_side)] | None = None
    outline_mm: Annotated[list[Pair], BeforeValidator(_outline)] | None = None
    thickness_mm: AboveZero = 1.6
    surface: Annotated[Name, AfterValidator(_surface)] = "solder-mask"
    emissivity: Emissivity | None = None
    parts: Name | None = None
    photo: Name | None = None
    note: Note | None = None


class StickerRecord(Record):
    """One ``[[sticker]]``."""

    at_mm: Pair
    size_mm: Annotated[tuple[AboveZero, AboveZero], BeforeValidator(_size)]
    text: Note | None = None
    note: Note | None = None


class _PartFields(Record):
    """What an inline part and a row of a parts file have in common."""

    ref: Ref
    rotation_deg: Number = 0.0
    kind: Label | None = None
    group: Label | None = None
    surface: Annotated[Name, AfterValidator(_surface)] | None = None
    emissivity: Emissivity | None = None
    max_c: Annotated[Number, BeforeValidator(_limit)] | None = None
    height_mm: NotNegative | None = None
    value: Label | None = None
    polarity: Label | None = None
    note: Note | None = None
    psi_jt_k_per_w: NotNegative | None = None
    max_junction_c: Annotated[Number, BeforeValidator(_limit)] | None = None
    watts: Annotated[tuple[NotNegative, NotNegative], BeforeValidator(_watts), AfterValidator(_in_order)] | None = None
    family: Annotated[Name, AfterValidator(_family)] | None = None


class InlinePart(_PartFields):
    """One ``[[part]]``."""

    at_mm: Pair
    body_mm: Annotated[tuple[AboveZero, AboveZero], BeforeValidator(_body)] | None = None
    package: Annotated[Name, AfterValidator(_package)] | None = None  # after body_mm, which it looks at

    @property
    def body(self) -> tuple[float, float] | None:
        """Length and width, where given."""
        return self.body_mm

    @property
    def centre(self) -> tuple[float, float]:
        """The body's centre."""
        return self.at_mm


class RowPart(_PartFields):
    """One row of a parts file."""

    x_mm: Number
    y_mm: Number
    watts_typical: NotNegative | None = None
    watts_most: NotNegative | None = None
    length_mm: AboveZero | None = None
    width_mm: AboveZero | None = None
    package: Annotated[Name, AfterValidator(_package)] | None = None  # after the body, which it looks at

    @property
    def body(self) -> tuple[float, float] | None:
        """Length and width, where both are given."""
        return None if self.length_mm is None or self.width_mm is None else (self.length_mm, self.width_mm)

    @property
    def centre(self) -> tuple[float, float]:
        """The body's centre."""
        return self.x_mm, self.y_mm


# A column that is read, but not written: typical and most in one cell.
WATTS_COLUMN = "watts"
# In the order in which a parts file is written.
PART_COLUMNS = (
    "ref", "kind", "package", "length_mm", "width_mm", "x_mm", "y_mm", "rotation_deg", "group", "surface", "emissivity",
    "max_c", "height_mm", "value", "polarity", "note", "psi_jt_k_per_w", "max_junction_c", "watts_typical",
    "watts_most", "family",
)  # fmt: skip
NUMBER_COLUMNS = frozenset(
    ("x_mm", "y_mm", "length_mm", "width_mm", "rotation_deg", "emissivity", "max_c", "height_mm", "psi_jt_k_per_w",
     "max_junction_c", "watts_typical", "watts_most")
)  # fmt: skip

# What to say of a key that is unknown, or (with +) missing.
BOARD_HINTS = {
    "part": "write [[part]] as a table of its own, not inside [board]",
    "sticker": "write [[sticker]] as a table of its own, not inside [board]",
}
INLINE_HINTS = {
    "watts_typical": "write watts = [typical, most]",
    "watts_most": "write watts = [typical, most]",
    "x_mm": "write at_mm = [x, y]",
    "y_mm": "write at_mm = [x, y]",
    "length_mm": "write body_mm = [length, width]",
    "width_mm": "write body_mm = [length, width]",
    "+at_mm": "write at_mm = [x, y], the body's centre",
    "+ref": "write the part's reference designator, such as U7",
}
STICKER_HINTS = {
    "x_mm": "write at_mm = [x, y]",
    "y_mm": "write at_mm = [x, y]",
    "width_mm": "write size_mm = [width, height]",
    "height_mm": "write size_mm = [width, height]",
    "+at_mm": "write at_mm = [x, y], the sticker's centre",
    "+size_mm": "write size_mm = [width, height]",
}
ROW_HINTS = {
    "at_mm": "use the columns x_mm and y_mm",
    "body_mm": "use the columns length_mm and width_mm",
    "+ref": "write the part's reference designator, such as U7",
    "+x_mm": "write where the body's centre is, in millimetres from the board's left edge",
    "+y_mm": "write where the body's centre is, in millimetres from the board's top edge",
}
