"""A board from its layout file: everything that is wrong with it is said at once, with row and key."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import Fault, InputError, nearest_name
from thermscan.layout.board import Board, Part
from thermscan.layout.checking import board_faults, board_remarks
from thermscan.layout.fields import read_record
from thermscan.layout.outline import crossing_sides, polygon_area, tidy_polygon
from thermscan.layout.packages import nearest_package, package_body
from thermscan.layout.parts_table import read_table, unknown_columns
from thermscan.layout.records import (
    BOARD_HINTS,
    INLINE_HINTS,
    NUMBER_COLUMNS,
    PART_COLUMNS,
    ROW_HINTS,
    BoardRecord,
    InlinePart,
    RowPart,
)
from thermscan.layout.surfaces import surface_named
from thermscan.layout.text_file import parse_toml, path_beside, read_text_file

# Unless stated, an IC is plastic.
DEFAULT_SURFACE = "plastic"
# More points than any drawing of a board has; the check for crossing sides grows with their square.
MOST_OUTLINE_POINTS = 2000
# Width and height may repeat the outline's, as far as rounding to 0.01 mm goes.
SAME_SIZE_MM = 0.011

Place = Callable[[str], str]
T = TypeVar("T")


@dataclass(slots=True)
class _Reading:
    """What has been found so far in one layout."""

    faults: list[Fault]
    remarks: list[str]

    def take(self, make: Callable[[], T], where: str) -> T | None:
        """A result, or None with its faults noted at their place."""
        try:
            return make()
        except InputError as error:
            self.faults.extend(Fault(fault.what, fault.where or where, fault.fix) for fault in error.faults)
            return None


def read_board(path: Path) -> Board:
    """
    A board from its layout file (TOML), with the parts in it or in a parts file beside it.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Board
        Its ``remarks`` tell what is odd but usable: overlapping bodies, bodies that stick out …

    Raises
    ------
    InputError
        With every fault of layout and parts file, each with its row and key.

    Notes
    -----
    Where the outline's bounding box does not start at (0, 0), outline and parts are moved alike, so that it does:
    they share one file and so one origin. A remark says so.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "board.toml")
    ...     _ = path.write_text('''
    ...     [board]
    ...     name = "departure display"
    ...     width_mm = 100
    ...     height_mm = 80
    ...     [[part]]
    ...     ref = "U1"
    ...     package = "DIP-40"
    ...     at_mm = [50, 40]
    ...     ''')
    ...     read_board(path).part("U1").width_mm
    13.8
    """
    file = read_text_file(path)
    reading = _Reading([], [])
    if path.suffix.lower() in (".csv", ".tsv", ".txt"):
        raise InputError("is a parts table", where=str(path), fix="give the layout (TOML) that names it under parts")
    document = parse_toml(file.text, path)
    _unknown_tables(document, path, reading)
    record = _board_record(document, path, reading)
    outline = _outline(record, path, reading) if record else None
    surface_name, emissivity = (record.surface, record.emissivity) if record else ("solder-mask", None)
    surface = reading.take(lambda: surface_named(surface_name, emissivity), f"{path}, board, surface")
    parts_path, parts_sha256, parts = _all_parts(document, record, path, reading)
    if record and outline is not None and surface:
        shift = outline.min(axis=0)
        placed = [(_moved(part, shift), where) for part, where in parts]
        board = Board(
            name=record.name or path.stem,
            revision=record.revision,
            outline_mm=outline - shift,
            thickness_mm=record.thickness_mm,
            surface=surface,
            parts=tuple(part for part, _ in placed),
            path=path,
            sha256=file.sha256,
            parts_path=parts_path,
            parts_sha256=parts_sha256,
        )
        reading.faults.extend(board_faults(board, tuple(where for _, where in placed)))
        if not reading.faults:
            return _with_remarks(board, [*reading.remarks, *board_remarks(board)])
    raise InputError.from_faults(reading.faults)


def _with_remarks(board: Board, remarks: list[str]) -> Board:
    values = {name: getattr(board, name) for name in Board.__dataclass_fields__}
    return Board(**{**values, "remarks": tuple(remarks)})


def _unknown_tables(document: Mapping[str, Any], path: Path, reading: _Reading) -> None:
    for key in document:
        if key not in ("board", "part"):
            near = "part" if key == "parts" else nearest_name(key, ("board", "part"))
            fix = f"did you mean {near}?" if near else "a layout has [board] and [[part]]"
            if key in BoardRecord.model_fields and key != "parts":
                fix = "write it below a line [board]"
            reading.faults.append(Fault("unknown key", f"{path}, {key}", fix))


def _board_record(document: Mapping[str, Any], path: Path, reading: _Reading) -> BoardRecord | None:
    values = document.get("board")
    if not isinstance(values, dict):
        what = "is missing" if values is None else "is not a table"
        reading.faults.append(
            Fault(f"the [board] table {what}", str(path), "write [board] with width_mm and height_mm")
        )
        return None
    return read_record(
        BoardRecord, values, where=lambda key: f"{path}, board, {key}", faults=reading.faults, hints=BOARD_HINTS
    )


def _outline(record: BoardRecord, path: Path, reading: _Reading) -> NDArray[np.float64] | None:
    size = (record.width_mm, record.height_mm)
    where = f"{path}, board, outline_mm"
    if record.outline_mm is None:
        if size[0] is None or size[1] is None:
            missing = " and ".join(n for n, v in zip(("width_mm", "height_mm"), size, strict=True) if v is None)
            reading.faults.append(Fault(f"{missing} missing", f"{path}, board", "give both, or outline_mm"))
            return None
        width, height = size
        return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    faults = len(reading.faults)
    if len(record.outline_mm) > MOST_OUTLINE_POINTS:
        reading.faults.append(Fault(f"{len(record.outline_mm)} points are too many", where, "keep to 2000"))
        return None
    points = tidy_polygon(record.outline_mm)
    if len(points) < 3:
        reading.faults.append(Fault(f"{len(points)} different points do not make an outline", where, "give 3 or more"))
    elif crossed := crossing_sides(points):
        corners = [f"({x:g}, {y:g})" for x, y in points[list(crossed)]]
        what = f"the sides that start at {corners[0]} and {corners[1]} cross or touch"
        reading.faults.append(Fault(what, where, "list the corner points in order round the board"))
    elif polygon_area(points) <= 0:
        reading.faults.append(Fault("the points lie on one line", where, "list the corner points of the board"))
    else:
        for key, given, extent in zip(("width_mm", "height_mm"), size, np.ptp(points, axis=0), strict=True):
            if given is not None and abs(given - extent) > SAME_SIZE_MM:
                what = f"{given:g} does not agree with outline_mm, which is {extent:g} mm across"
                reading.faults.append(Fault(what, f"{path}, board, {key}", "correct one of them, or leave one out"))
        start = points.min(axis=0)
        if np.abs(start).max() > SAME_SIZE_MM:
            reading.remarks.append(
                f"the outline starts at ({start[0]:g}, {start[1]:g}) and not at (0, 0): outline and parts were moved "
                f"by ({-start[0]:g}, {-start[1]:g}) mm, and places are reported from the board's top left"
            )
    return points if len(reading.faults) == faults else None


def _all_parts(
    document: Mapping[str, Any], record: BoardRecord | None, path: Path, reading: _Reading
) -> tuple[Path | None, str | None, list[tuple[Part, str]]]:
    inline = document.get("part", [])
    if not isinstance(inline, list) or not all(isinstance(item, dict) for item in inline):
        reading.faults.append(Fault("is not a list of tables", f"{path}, part", "write [[part]] before each part"))
        inline = []
    found = [
        part for number, values in enumerate(inline, start=1) if (part := _inline_part(number, values, path, reading))
    ]
    name = record.parts if record else _raw_parts_name(document)
    if name is None:
        return None, None, found
    where = f"{path}, board, parts"
    if inline:
        reading.faults.append(Fault("the layout names a parts file and holds [[part]] too", where, "keep one of them"))
    parts_path = path_beside(name, path)
    if parts_path is None:
        fix = "name a file in the layout's own folder, such as parts.csv"
        reading.faults.append(Fault(f'"{name[:60]}" leads out of the layout\'s folder', where, fix))
        return None, None, found
    file = reading.take(lambda: read_text_file(parts_path), where)
    if file is None:
        return parts_path, None, found
    return parts_path, file.sha256, found + _parts_from_rows(file.text, parts_path, reading)


def _raw_parts_name(document: Mapping[str, Any]) -> str | None:
    """The parts file of a layout whose [board] is faulty: its rows are checked all the same."""
    board = document.get("board")
    name = board.get("parts") if isinstance(board, dict) else None
    return name if isinstance(name, str) and name else None


def _inline_part(number: int, values: Mapping[str, Any], path: Path, reading: _Reading) -> tuple[Part, str] | None:
    ref = values.get("ref")
    called = f"part {number} ({ref[:30]})" if isinstance(ref, str) and ref.strip() else f"part {number}"

    def place(key: str) -> str:
        return f"{path}, {called}, {key}" if key else f"{path}, {called}"

    record = read_record(InlinePart, values, where=place, faults=reading.faults, hints=INLINE_HINTS)
    return _part(record, place, reading) if record else None


def _parts_from_rows(text: str, path: Path, reading: _Reading) -> list[tuple[Part, str]]:
    table = read_table(text, known=PART_COLUMNS, where=str(path), faults=reading.faults)
    reading.faults.extend(unknown_columns(table.columns, PART_COLUMNS, str(path), ROW_HINTS))
    missing = [column for column in ("ref", "x_mm", "y_mm") if column not in table.columns]
    if table.columns and missing:
        reading.faults.append(
            Fault(f"no column {' or '.join(missing)}", str(path), "name the columns in the first line")
        )
        return []
    found = []
    for row in table.rows:
        values: dict[str, object] = {key: cell for key, cell in row.cells.items() if key in PART_COLUMNS}
        for key in NUMBER_COLUMNS & values.keys():
            number = table.number(row.cells[key])
            values[key] = row.cells[key] if number is None else number

        def place(key: str, row_number: int = row.number) -> str:
            return f"{path}, row {row_number}, {key}" if key else f"{path}, row {row_number}"

        record = read_record(RowPart, values, where=place, faults=reading.faults, hints=ROW_HINTS)
        if record and (part := _part(record, place, reading)):
            found.append(part)
    return found


def _part(record: InlinePart | RowPart, place: Place, reading: _Reading) -> tuple[Part, str] | None:
    body, round_body, default_surface = record.body, False, DEFAULT_SURFACE
    if isinstance(record, RowPart) and (record.length_mm is None) != (record.width_mm is None):
        lacking = "length_mm" if record.length_mm is None else "width_mm"
        reading.faults.append(Fault("it is missing", place(lacking), "give length_mm and width_mm, or neither"))
        return None
    if record.package is None and body is None:
        reading.faults.append(
            Fault("neither package nor body is given", place(""), "give package, or the body's length and width")
        )
    elif record.package is not None:
        package_name = record.package
        try:
            package = package_body(package_name)
            round_body = package.round_body and body is None
            default_surface = package.surface
            body = body or (package.length_mm, package.width_mm)
        except InputError as error:
            if body is None:
                reading.faults.append(Fault(error.faults[0].what, place("package"), error.faults[0].fix))
            else:
                near = nearest_package(package_name)
                hint = f"; did you mean {near}?" if near else ""
                reading.remarks.append(
                    f'{record.ref}: package "{package_name}" is not known, its body is as given{hint}'
                )
    surface_name = record.surface or default_surface
    surface = reading.take(lambda: surface_named(surface_name, record.emissivity), place("surface"))
    if body is None or surface is None:
        return None
    x_mm, y_mm = record.centre
    part = Part(
        ref=record.ref, length_mm=body[0], width_mm=body[1], x_mm=x_mm, y_mm=y_mm,
        rotation_deg=record.rotation_deg, surface=surface, kind=record.kind or None, package=record.package,
        group=record.group or None, max_c=record.max_c, height_mm=record.height_mm, value=record.value or None,
        polarity=record.polarity or None, note=record.note or None, psi_jt_k_per_w=record.psi_jt_k_per_w,
        round_body=round_body,
    )  # fmt: skip
    return part, place("")


def _moved(part: Part, shift_mm: NDArray[np.float64]) -> Part:
    values = {name: getattr(part, name) for name in Part.__dataclass_fields__}
    return Part(**{**values, "x_mm": part.x_mm - float(shift_mm[0]), "y_mm": part.y_mm - float(shift_mm[1])})
