"""A board from its layout file: everything that is wrong with it is said at once, with row and key."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError, nearest_name
from thermscan.layout.board import Board, Part, Sticker
from thermscan.layout.checking import board_remarks, parts_off_board
from thermscan.layout.fields import LONGEST_KEY, read_record
from thermscan.layout.outline import crossing_sides, polygon_area, tidy_polygon
from thermscan.layout.part_reading import Reading, read_parts
from thermscan.layout.photo_file import photo_remark
from thermscan.layout.records import BOARD_HINTS, BoardRecord
from thermscan.layout.sticker_reading import read_stickers, stickers_off_board
from thermscan.layout.surfaces import surface_named
from thermscan.layout.text_file import parse_toml, path_beside, read_text_file
from thermscan.visible import brief

# More points than any drawing of a board has; the check for crossing sides grows with their square.
MOST_OUTLINE_POINTS = 2000
# Width and height may repeat the outline's, as far as rounding to 0.01 mm goes.
SAME_SIZE_MM = 0.011
PlacedT = TypeVar("PlacedT", Part, Sticker)
TABLES = ("board", "part", "sticker")


def read_board(path: Path | str) -> Board:
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
    path = Path(path)
    file = read_text_file(path)
    reading = Reading()
    if path.suffix.lower() in (".csv", ".tsv", ".txt"):
        raise InputError("is a parts table", where=str(path), fix="give the layout (TOML) that names it under parts")
    document = parse_toml(file.text, path)
    _unknown_tables(document, path, reading)
    record = _board_record(document, path, reading)
    outline = _outline(record, path, reading) if record else None
    photo = _photo(document, path, reading)
    read = read_parts(document, record, path, reading)
    stickers = read_stickers(document, path, reading)
    if record and outline is not None:
        shift = outline.min(axis=0)
        board = Board(
            name=record.name or path.stem,
            revision=record.revision,
            outline_mm=outline - shift,
            thickness_mm=record.thickness_mm,
            surface=surface_named(record.surface, record.emissivity),
            parts=tuple(_moved(placed.part, shift) for placed in read.parts),
            path=path,
            sha256=file.sha256,
            parts_path=read.path,
            parts_sha256=read.sha256,
            photo=photo,
            stickers=tuple(_moved(placed.sticker, shift) for placed in stickers),
        )
        reading.faults.extend(stickers_off_board(stickers, outline))
        reading.faults.extend(parts_off_board(board, tuple(placed.place for placed in read.parts)))
        if not reading.faults:
            remarks = (*reading.remarks, *reading.package_remarks(), *board_remarks(board), *photo_remark(board))
            return replace(board, remarks=remarks)
    raise InputError.from_faults(reading.faults)


def _unknown_tables(document: Mapping[str, Any], path: Path, reading: Reading) -> None:
    for key in document:
        if key not in TABLES:
            near = "part" if key == "parts" else nearest_name(key, TABLES)
            fix = f"did you mean {near}?" if near else "a layout has [board], [[part]] and [[sticker]]"
            if key in BoardRecord.model_fields and key != "parts":
                fix = "write it below a line [board]"
            reading.fault("unknown key", f"{path}, {brief(key, LONGEST_KEY)}", fix)


def _board_record(document: Mapping[str, Any], path: Path, reading: Reading) -> BoardRecord | None:
    values = document.get("board")
    if values is None and reading.faults:
        return None  # said already: [board] is misspelt, or its keys stand above it
    if not isinstance(values, dict):
        what = "is missing" if values is None else "is not a table"
        reading.fault(f"the [board] table {what}", str(path), "write [board] with width_mm and height_mm")
        return None
    return read_record(
        BoardRecord, values, where=lambda key: f"{path}, board, {key}", faults=reading.faults, hints=BOARD_HINTS
    )


def _outline(record: BoardRecord, path: Path, reading: Reading) -> NDArray[np.float64] | None:
    size = (record.width_mm, record.height_mm)
    where = f"{path}, board, outline_mm"
    if record.outline_mm is None:
        if size[0] is None or size[1] is None:
            missing = " and ".join(n for n, v in zip(("width_mm", "height_mm"), size, strict=True) if v is None)
            reading.fault(f"{missing} missing", f"{path}, board", "give both, or outline_mm")
            return None
        width, height = size
        return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    faults = len(reading.faults)
    if len(record.outline_mm) > MOST_OUTLINE_POINTS:
        reading.fault(f"{len(record.outline_mm)} points are too many", where, "keep to 2000")
        return None
    points = tidy_polygon(record.outline_mm)
    if len(points) < 3:
        reading.fault(f"{len(points)} different points do not make an outline", where, "give 3 or more")
    elif crossed := crossing_sides(points):
        corners = [f"({x:g}, {y:g})" for x, y in points[list(crossed)]]
        what = f"the sides that start at {corners[0]} and {corners[1]} cross or touch"
        reading.fault(what, where, "list the corner points in order round the board")
    elif polygon_area(points) <= 0:
        reading.fault("the points lie on one line", where, "list the corner points of the board")
    else:
        for key, given, extent in zip(("width_mm", "height_mm"), size, np.ptp(points, axis=0), strict=True):
            if given is not None and abs(given - extent) > SAME_SIZE_MM:
                what = f"{given:g} does not agree with outline_mm, which is {extent:g} mm across"
                reading.fault(what, f"{path}, board, {key}", "correct one of them, or leave one out")
        start = points.min(axis=0)
        if np.abs(start).max() > SAME_SIZE_MM:
            reading.remarks.append(
                f"the outline starts at ({start[0]:g}, {start[1]:g}) and not at (0, 0): outline and parts were moved "
                f"by ({-start[0]:g}, {-start[1]:g}) mm, and places are reported from the board's top left"
            )
    return points if len(reading.faults) == faults else None


def _photo(document: Mapping[str, Any], path: Path, reading: Reading) -> Path | None:
    """The photo that a layout names, whether it is there or not; checked though the rest of [board] may be faulty."""
    board = document.get("board")
    name = board.get("photo") if isinstance(board, dict) else None
    if not isinstance(name, str) or not name.strip():
        return None
    photo = path_beside(name.strip(), path)
    if photo is None:
        fix = "name a file in the layout's own folder, such as photo.png"
        reading.fault(f'"{name[:60]}" leads out of the layout\'s folder', f"{path}, board, photo", fix)
    return photo


def _moved(placed: PlacedT, shift_mm: NDArray[np.float64]) -> PlacedT:
    return replace(placed, x_mm=placed.x_mm - float(shift_mm[0]), y_mm=placed.y_mm - float(shift_mm[1]))
