"""A layout as files: what write_board writes, read_board reads back alike."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np

from thermscan.errors import InputError
from thermscan.layout.board import Board, Part, Sticker, Surface
from thermscan.layout.packages import package_body
from thermscan.layout.part_reading import DEFAULT_SURFACE
from thermscan.layout.records import PART_COLUMNS
from thermscan.layout.surfaces import known_surfaces
from thermscan.writing import put_files


def write_board(
    board: Board, path: Path, *, parts_name: str | None = None, inputs: Iterable[Path | None] = ()
) -> tuple[Path, ...]:
    """
    Write a layout, and its parts file if one is named; a file that was there is kept as a backup.

    Parameters
    ----------
    board : Board
    path : Path
        Of the layout (TOML).
    parts_name : str, optional
        Name of a parts file (CSV) in the same folder; without it the parts stand in the layout.
    inputs : iterable of Path
        Files that the command reads: none of them is replaced.

    Returns
    -------
    tuple of Path
        Backups of files that were there before.

    Raises
    ------
    InputError
        A file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from thermscan.layout.surfaces import surface_named
    >>> board = Board("Bo", None, [[0, 0], [9, 0], [9, 5], [0, 5]], 1.6, surface_named("solder-mask"), ())
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_board(board, Path(folder, "board.toml"))
    ()
    """
    texts = {path: board_text(board, parts_name=parts_name, photo_name=photo_name(board, path))}
    if parts_name is not None:
        texts[path.parent / parts_name] = parts_text(board.parts)
    return put_files({target: text.encode("utf-8") for target, text in texts.items()}, inputs=inputs)


def board_text(board: Board, *, parts_name: str | None = None, photo_name: str | None = None) -> str:
    """
    A layout as TOML text; parts file and photo are named as seen from its folder.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> board = Board("Bo", None, [[0, 0], [9, 0], [9, 5], [0, 5]], 1.6, surface_named("solder-mask"), ())
    >>> print(board_text(board), end="")
    [board]
    name = "Bo"
    width_mm = 9.0
    height_mm = 5.0
    thickness_mm = 1.6
    surface = "solder-mask"
    """
    values: dict[str, object] = {"name": board.name, "revision": board.revision}
    if board.outline_mm.shape == (4, 2) and np.allclose(board.outline_mm, board.corners_mm, rtol=0, atol=1e-9):
        values |= {"width_mm": board.width_mm, "height_mm": board.height_mm}
    else:
        values["outline_mm"] = board.outline_mm.tolist()
    values |= {"thickness_mm": board.thickness_mm, "surface": board.surface.name}
    values["emissivity"] = _own_emissivity(board.surface)
    values |= {"parts": parts_name, "photo": photo_name}
    tables = ["[board]\n" + _lines(values)]
    if parts_name is None:
        tables += ["[[part]]\n" + _lines(_inline(part_values(part))) for part in board.parts]
    tables += ["[[sticker]]\n" + _lines(sticker_values(sticker)) for sticker in board.stickers]
    return "\n".join(tables)


def parts_text(parts: Iterable[Part]) -> str:
    """
    Parts as the text of a parts file (CSV); columns that no part fills are left out.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> print(parts_text([Part("U1", 50.0, 20.0, 30.0, 40.0, 90.0, surface_named("plastic"))]), end="")
    ref,length_mm,width_mm,x_mm,y_mm,rotation_deg,surface
    U1,50.0,20.0,30.0,40.0,90.0,plastic
    """
    return rows_text([part_values(part) for part in parts])


def rows_text(rows: Iterable[Mapping[str, object]], *, comments: Iterable[str] = ()) -> str:
    """
    Rows of a parts file as CSV text, followed by comment lines.

    Examples
    --------
    >>> print(rows_text([{"ref": "U1", "x_mm": 1.0, "y_mm": 2.0}]), end="")
    ref,x_mm,y_mm
    U1,1.0,2.0
    """
    filled = list(rows)
    always = {"ref", "x_mm", "y_mm"}
    columns = [name for name in PART_COLUMNS if name in always or any(row.get(name) is not None for row in filled)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([["" if row.get(name) is None else row[name] for name in columns] for row in filled])
    return text.getvalue() + "".join(f"# {' '.join(line.split())}\n" for line in comments)


def part_values(part: Part) -> dict[str, object]:
    """
    What a parts file says of a part; None where nothing need be said.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> values = part_values(Part("U1", 19.3, 6.35, 30.0, 40.0, 0.0, surface_named("plastic"), package="DIP-16"))
    >>> {key: value for key, value in values.items() if value is not None}
    {'ref': 'U1', 'package': 'DIP-16', 'x_mm': 30.0, 'y_mm': 40.0}
    """
    body: tuple[float | None, float | None] = (part.length_mm, part.width_mm)
    default_surface = DEFAULT_SURFACE
    try:
        package = package_body(part.package or "")
        default_surface = package.surface
        if body == (package.length_mm, package.width_mm):
            body = (None, None)
    except InputError:
        pass
    return {
        "ref": part.ref, "kind": part.kind, "package": part.package, "length_mm": body[0], "width_mm": body[1],
        "x_mm": part.x_mm, "y_mm": part.y_mm, "rotation_deg": part.rotation_deg or None, "group": part.group,
        "surface": None if part.package and part.surface.name == default_surface else part.surface.name,
        "emissivity": _own_emissivity(part.surface), "max_c": part.max_c, "height_mm": part.height_mm,
        "value": part.value, "polarity": part.polarity, "note": part.note, "psi_jt_k_per_w": part.psi_jt_k_per_w,
        "max_junction_c": part.max_junction_c,
        "watts_typical": part.watts[0] if part.watts else None, "watts_most": part.watts[1] if part.watts else None,
        "family": part.family,
    }  # fmt: skip


def sticker_values(sticker: Sticker) -> dict[str, object]:
    """
    What a layout says of a sticker.

    Examples
    --------
    >>> sticker_values(Sticker(30.0, 40.0, 20.0, 8.0, "CAL 11/86"))
    {'at_mm': [30.0, 40.0], 'size_mm': [20.0, 8.0], 'text': 'CAL 11/86', 'note': None}
    """
    return {
        "at_mm": [sticker.x_mm, sticker.y_mm],
        "size_mm": [sticker.width_mm, sticker.height_mm],
        "text": sticker.text,
        "note": sticker.note,
    }


def photo_name(board: Board, path: Path) -> str | None:
    """
    The photo as a layout at that path may name it: in the same folder or below it.

    Examples
    --------
    >>> board = Board("Bo", None, [[0, 0], [9, 0], [9, 5]], 1.6, Surface("tape", 0.9, 0.02), (), photo=Path("a/b.png"))
    >>> photo_name(board, Path("board.toml")), photo_name(board, Path("c/board.toml"))
    ('a/b.png', None)
    """
    if board.photo is None:
        return None
    photo, folder = board.photo.parent.resolve() / board.photo.name, path.parent.resolve()
    return photo.relative_to(folder).as_posix() if photo.is_relative_to(folder) else None


def _own_emissivity(surface: Surface) -> float | None:
    """An emissivity that is not the table's."""
    table = known_surfaces().get(surface.name)
    return None if table == surface else surface.emissivity


def _inline(values: dict[str, object]) -> dict[str, object]:
    """A row's values as an inline part has them: pairs instead of columns."""
    inline: dict[str, object] = {}
    for key, value in values.items():
        if key == "length_mm" and value is not None:
            inline["body_mm"] = [value, values["width_mm"]]
        elif key == "x_mm":
            inline["at_mm"] = [value, values["y_mm"]]
        elif key == "watts_typical" and value is not None:
            inline["watts"] = [value, values["watts_most"]]
        elif key not in ("length_mm", "width_mm", "y_mm", "watts_typical", "watts_most"):
            inline[key] = value
    return inline


def _lines(values: Mapping[str, object]) -> str:
    return "".join(f"{key} = {_toml(value)}\n" for key, value in values.items() if value is not None)


def _toml(value: object) -> str:
    """TOML's basic strings and arrays are JSON's, but for the delete character."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False).replace("\x7f", "\\u007f")
