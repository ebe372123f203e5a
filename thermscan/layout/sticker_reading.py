"""Stickers and labels from a layout, each checked as parts are."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import Fault
from thermscan.frozen import dataclass
from thermscan.layout.board import Sticker
from thermscan.layout.fields import read_record
from thermscan.layout.outline import inside_polygon
from thermscan.layout.part_reading import Reading
from thermscan.layout.records import STICKER_HINTS, StickerRecord

# Points along each side of a sticker at which it is asked whether it lies on the board.
GRID = 9


@dataclass(frozen=True, slots=True)
class PlacedSticker:
    """A sticker and where it stands in its file, as messages name it."""

    sticker: Sticker
    place: str


def read_stickers(document: Mapping[str, Any], path: Path, reading: Reading) -> tuple[PlacedSticker, ...]:
    """
    The ``[[sticker]]`` tables of a layout.

    Parameters
    ----------
    document : mapping
        The layout file.
    path : Path
        As messages name it.
    reading : Reading
        Grows by what is wrong.

    Examples
    --------
    >>> reading = Reading()
    >>> sticker = {"at_mm": [30, 40], "size_mm": [20, 8], "text": "CAL 11/86"}
    >>> found = read_stickers({"sticker": [sticker, {"at_mm": [1, 2]}]}, Path("board.toml"), reading)
    >>> found[0].sticker.text, str(reading.faults[0])
    ('CAL 11/86', 'board.toml, sticker 2, size_mm: it is missing; write size_mm = [width, height]')
    """
    tables = document.get("sticker", [])
    if not isinstance(tables, list) or not all(isinstance(item, dict) for item in tables):
        reading.fault("is not a list of tables", f"{path}, sticker", "write [[sticker]] before each sticker")
        return ()
    found = [_sticker(number, values, path, reading) for number, values in enumerate(tables, start=1)]
    return tuple(placed for placed in found if placed)


def stickers_off_board(placed: tuple[PlacedSticker, ...], outline_mm: NDArray[np.float64]) -> list[Fault]:
    """
    A fault for each sticker no bit of which lies on the board; stickers and outline count from the same corner.

    Examples
    --------
    >>> far = PlacedSticker(Sticker(90.0, 2.0, 5.0, 5.0, "QC"), "sticker 1")
    >>> print(stickers_off_board((far,), np.array([[0.0, 0.0], [9.0, 0.0], [9.0, 9.0], [0.0, 9.0]]))[0].what)
    the sticker at (90, 2) lies outside the board
    """
    steps = np.linspace(-0.5, 0.5, GRID)
    faults = []
    for each in placed:
        sticker = each.sticker
        centre, half = np.array([sticker.x_mm, sticker.y_mm]), np.array([sticker.width_mm, sticker.height_mm]) / 2
        x, y = np.meshgrid(steps * sticker.width_mm, steps * sticker.height_mm)
        grid = np.column_stack([x.ravel(), y.ravel()]) + centre
        corner_within = np.all(np.abs(outline_mm - centre) <= half, axis=1).any()
        if not (inside_polygon(grid, outline_mm).any() or corner_within):
            what = f"the sticker at ({sticker.x_mm:g}, {sticker.y_mm:g}) lies outside the board"
            faults.append(Fault(what, each.place, "check its place: millimetres from the top left corner, y down"))
    return faults


def _sticker(number: int, values: Mapping[str, Any], path: Path, reading: Reading) -> PlacedSticker | None:
    text = values.get("text")
    called = f"sticker {number} ({' '.join(text.split())[:30]})" if isinstance(text, str) and text.strip() else ""
    called = called or f"sticker {number}"

    def place(key: str) -> str:
        return f"{path}, {called}, {key}" if key else f"{path}, {called}"

    record = read_record(StickerRecord, values, where=place, faults=reading.faults, hints=STICKER_HINTS)
    if record is None:
        return None
    if not record.text and not record.note:
        reading.fault("has neither text nor note", place(""), 'write text = "what is on it", or a note')
        return None
    sticker = Sticker(*record.at_mm, *record.size_mm, record.text or None, record.note or None)
    return PlacedSticker(sticker, place(""))
