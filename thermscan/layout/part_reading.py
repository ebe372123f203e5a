"""Parts from a layout or from the parts file beside it, each with the place where it stands."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import field
from pathlib import Path
from typing import Any

from thermscan.errors import Fault, InputError
from thermscan.frozen import dataclass
from thermscan.layout.board import Part
from thermscan.layout.fields import read_record
from thermscan.layout.packages import PackageBody, nearest_package, package_body
from thermscan.layout.parts_table import read_table, unknown_columns
from thermscan.layout.records import (
    INLINE_HINTS,
    NUMBER_COLUMNS,
    PART_COLUMNS,
    ROW_HINTS,
    WATTS_COLUMN,
    BoardRecord,
    InlinePart,
    RowPart,
)
from thermscan.layout.surfaces import surface_named
from thermscan.layout.text_file import path_beside, read_text_file

# Unless stated, an IC is plastic.
DEFAULT_SURFACE = "plastic"
# Sides of one package differ from drawing to drawing and from calliper to calliper by up to this share.
OTHER_OUTLINE_SHARE = 0.25
# A server's main board has some thousands; what is found out of every two parts grows with the square of their number.
MOST_PARTS = 10_000
# Refs named in a remark that is about many parts.
_MOST_REFS = 6
ROW_COLUMNS = (*PART_COLUMNS, WATTS_COLUMN)

Place = Callable[[str], str]


@dataclass(slots=True)
class Reading:
    """What has been found so far to be wrong or odd in one layout."""

    faults: list[Fault] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    refs: dict[str, str] = field(default_factory=dict)  # every part's ref and its first place, faulty or not

    unknown_packages: dict[str, list[str]] = field(default_factory=dict)  # refs by the package's name

    def package_remarks(self) -> list[str]:
        """Each package that is not known, told once."""
        told = []
        for name, refs in self.unknown_packages.items():
            near = nearest_package(name)
            hint = f"; did you mean {near}?" if near else ""
            more = f" and {len(refs) - _MOST_REFS} more" if len(refs) > _MOST_REFS else ""
            body = "its body is" if len(refs) == 1 else "their bodies are"
            told.append(f'{", ".join(refs[:_MOST_REFS])}{more}: package "{name}" is not known, {body} as given{hint}')
        return told

    def fault(self, what: str, where: str, fix: str) -> None:
        """Note what is wrong."""
        self.faults.append(Fault(what, where, fix))

    def note_ref(self, ref: object, place: str) -> None:
        """Remember a part's ref; one that is there already is a fault."""
        if not isinstance(ref, str) or not ref.strip():
            return
        name = unicodedata.normalize("NFC", ref.strip())
        first = self.refs.setdefault(name, place)
        if first is not place:
            self.fault(f'ref "{name[:40]}" is there twice, first in {first}', place, "give each part its own ref")


@dataclass(frozen=True, slots=True)
class PlacedPart:
    """A part and where it stands in its file, as messages name it."""

    part: Part
    place: str


@dataclass(frozen=True, slots=True)
class PartsRead:
    """The parts of a layout, and the parts file where there is one."""

    parts: tuple[PlacedPart, ...]
    path: Path | None = None
    sha256: str | None = None


def read_parts(document: Mapping[str, Any], record: BoardRecord | None, path: Path, reading: Reading) -> PartsRead:
    """
    The parts of a layout, from its own tables or from the parts file that it names.

    Parameters
    ----------
    document : mapping
        The layout file.
    record : BoardRecord or None
        None where [board] is faulty: parts are checked all the same.
    path : Path
        The layout file.
    reading : Reading
        Grows by what is wrong.

    Examples
    --------
    >>> reading = Reading()
    >>> document = {"part": [{"ref": "U1", "package": "DIP-16", "at_mm": [30, 40]}, {"ref": "U1"}]}
    >>> read = read_parts(document, BoardRecord(), Path("board.toml"), reading)
    >>> len(read.parts), len(reading.faults)
    (1, 2)
    """
    inline = document.get("part", [])
    if not isinstance(inline, list) or not all(isinstance(item, dict) for item in inline):
        reading.fault("is not a list of tables", f"{path}, part", "write [[part]] before each part")
        inline = []
    if len(inline) > MOST_PARTS:
        reading.fault(f"{len(inline)} parts; up to {MOST_PARTS} are read", f"{path}, part", "divide the board")
        inline = []
    found = [
        part for number, values in enumerate(inline, start=1) if (part := _inline_part(number, values, path, reading))
    ]
    name = record.parts if record else _raw_parts_name(document)
    if name is None:
        return PartsRead(tuple(found))
    where = f"{path}, board, parts"
    if inline:
        reading.fault("the layout names a parts file and holds [[part]] too", where, "keep one of them")
    parts_path = path_beside(name, path)
    if parts_path is None:
        fix = "name a file in the layout's own folder, such as parts.csv"
        reading.fault(f'"{name[:60]}" leads out of the layout\'s folder', where, fix)
        return PartsRead(tuple(found))
    try:
        file = read_text_file(parts_path, from_a_spreadsheet=True)
    except InputError as error:
        reading.faults.extend(error.faults)
        return PartsRead(tuple(found), parts_path)
    found += _parts_from_rows(file.text, parts_path, reading)
    return PartsRead(tuple(found), parts_path, file.sha256)


def _raw_parts_name(document: Mapping[str, Any]) -> str | None:
    """The parts file of a layout whose [board] is faulty: its rows are checked all the same."""
    board = document.get("board")
    name = board.get("parts") if isinstance(board, dict) else None
    return name if isinstance(name, str) and name else None


def _inline_part(number: int, values: Mapping[str, Any], path: Path, reading: Reading) -> PlacedPart | None:
    ref = values.get("ref")
    called = f"part {number} ({ref[:30]})" if isinstance(ref, str) and ref.strip() else f"part {number}"

    def place(key: str) -> str:
        return f"{path}, {called}, {key}" if key else f"{path}, {called}"

    reading.note_ref(ref, place(""))
    record = read_record(InlinePart, values, where=place, faults=reading.faults, hints=INLINE_HINTS)
    return _part(record, place, reading) if record else None


def _parts_from_rows(text: str, path: Path, reading: Reading) -> list[PlacedPart]:
    table = read_table(text, known=ROW_COLUMNS, where=str(path), faults=reading.faults)
    reading.faults.extend(unknown_columns(table.columns, ROW_COLUMNS, str(path), ROW_HINTS))
    missing = [column for column in ("ref", "x_mm", "y_mm") if column not in table.columns]
    if table.columns and missing:
        reading.fault(f"no column {' or '.join(missing)}", str(path), "name the columns in the first line")
        return []
    if len(table.rows) > MOST_PARTS:
        reading.fault(f"{len(table.rows)} rows of parts; up to {MOST_PARTS} are read", str(path), "divide the board")
        return []
    found = []
    for row in table.rows:
        values: dict[str, object] = {key: cell for key, cell in row.cells.items() if key in ROW_COLUMNS}
        for key in NUMBER_COLUMNS & values.keys():
            number = table.number(row.cells[key])
            values[key] = row.cells[key] if number is None else number

        def place(key: str, row_number: int = row.number) -> str:
            return f"{path}, row {row_number}, {key}" if key else f"{path}, row {row_number}"

        reading.note_ref(values.get("ref"), place(""))
        record = read_record(RowPart, values, where=place, faults=reading.faults, hints=ROW_HINTS)
        if record and (part := _part(record, place, reading)):
            found.append(part)
    return found


def _part(record: InlinePart | RowPart, place: Place, reading: Reading) -> PlacedPart | None:
    body, round_body, default_surface = record.body, False, DEFAULT_SURFACE
    usual_height_mm = None
    if isinstance(record, RowPart) and (record.length_mm is None) != (record.width_mm is None):
        lacking = "length_mm" if record.length_mm is None else "width_mm"
        reading.fault("it is missing", place(lacking), "give length_mm and width_mm, or neither")
        return None
    watts = record.watts
    if isinstance(record, RowPart) and (record.watts_typical is not None or record.watts_most is not None):
        watts = _watts_of(record, place, reading)
        if watts is None:
            return None
    if record.package is not None and (package := _known_package(record.package)):
        round_body = package.round_body and body is None
        default_surface, own = package.surface, (package.length_mm, package.width_mm)
        # A body of another outline stands otherwise: lying down, or with a tab in view.
        usual_height_mm = package.height_mm if body is None or _alike(body, own) else None
        body = body or own
    elif record.package is not None:
        reading.unknown_packages.setdefault(record.package, []).append(record.ref)
    if body is None:
        fix = "give package, or the body's length and width"
        reading.fault("neither package nor body is given", place(""), fix)
        return None
    x_mm, y_mm = record.centre
    part = Part(
        ref=record.ref, length_mm=body[0], width_mm=body[1], x_mm=x_mm, y_mm=y_mm, rotation_deg=record.rotation_deg,
        surface=surface_named(record.surface or default_surface, record.emissivity),
        kind=record.kind or None, package=record.package, group=record.group or None, max_c=record.max_c,
        height_mm=record.height_mm, value=record.value or None, polarity=record.polarity or None,
        note=record.note or None, psi_jt_k_per_w=record.psi_jt_k_per_w,
        max_junction_c=record.max_junction_c, round_body=round_body,
        usual_height_mm=usual_height_mm, watts=watts, family=record.family,
    )  # fmt: skip
    return PlacedPart(part, place(""))


def _alike(body_mm: tuple[float, float], own_mm: tuple[float, float]) -> bool:
    """
    Whether a body measured by hand is about a package's own, whichever way its length was taken.

    Examples
    --------
    >>> _alike((19.0, 6.4), (19.3, 6.35)), _alike((15.0, 10.2), (10.16, 4.57))
    (True, False)
    """
    pairs = zip(sorted(body_mm), sorted(own_mm), strict=True)
    return all(abs(side - own) <= OTHER_OUTLINE_SHARE * own for side, own in pairs)


def _watts_of(record: RowPart, place: Place, reading: Reading) -> tuple[float, float] | None:
    """Typical and most from columns of their own; None, with a fault, where they do not make a pair."""
    typical, most = record.watts_typical, record.watts_most
    if typical is None or most is None:
        lacking = "watts_typical" if typical is None else "watts_most"
        reading.fault("it is missing", place(lacking), "give watts_typical and watts_most, or neither")
        return None
    if record.watts is not None:
        reading.fault("watts_typical and watts_most say it too", place(WATTS_COLUMN), "keep one of them")
        return None
    if typical > most:
        fix = "write typical first, then the most"
        reading.fault(f"typical {typical:g} is above most {most:g}", place("watts_most"), fix)
        return None
    return typical, most


def _known_package(name: str) -> PackageBody | None:
    try:
        return package_body(name)
    except InputError:
        return None
