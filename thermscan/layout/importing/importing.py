"""Files of other programs as a layout: which kind each is, and what could not be understood."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from thermscan.errors import InputError
from thermscan.layout.board import Board
from thermscan.layout.importing.centroid import Y_UP, read_centroid
from thermscan.layout.importing.drawn import Drawing, Point, Side
from thermscan.layout.importing.gerber import read_gerber
from thermscan.layout.importing.ipc2581 import read_ipc2581
from thermscan.layout.importing.layout_from import Imported, layout_from
from thermscan.layout.surfaces import surface_named
from thermscan.layout.text_file import read_text_file
from thermscan.layout.writing import board_text, rows_text
from thermscan.writing import put_files

# In millimetres or degrees: no board is 10 m across, and no program turns a part so often.
FARTHEST = 10_000.0


def import_layout(
    paths: Sequence[Path],
    *,
    unit: str | None = None,
    column_map: Mapping[str, str] | None = None,
    side: Side = "top",
    size_mm: tuple[float, float] | None = None,
    origin_mm: Point | None = None,
    dual_rows: str | None = None,
    y_down: bool = False,
) -> Imported:
    """
    A layout from the files that other programs write of one board.

    Parameters
    ----------
    paths : sequence of Path
        A centroid table, a Gerber X3 component layer, an IPC-2581 file; with it, a Gerber profile for the outline.
    unit, column_map
        For tables; see ``read_centroid``.
    side, size_mm, origin_mm, dual_rows
        See ``layout_from``.
    y_down : bool
        Places count down from the top left corner and rotation runs clockwise, as in our own layouts.

    Raises
    ------
    InputError
        A file that cannot be read, or nothing to make a layout of.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     table, out = Path(folder, "pick.csv"), Path(folder, "board.toml")
    ...     _ = table.write_text("Ref,Package,X (mm),Y (mm)\\nU1,0805,20,30\\n")
    ...     backups = save_imported(import_layout([table], size_mm=(100.0, 80.0)), out)
    ...     print(backups, out.with_name("board-parts.csv").read_text().splitlines()[1])
    () U1,0805,20.0,50.0
    """
    drawings = []
    for path in paths:
        text = read_text_file(path).text
        drawings.append(_usable(_drawing(text, str(path), unit=unit, column_map=column_map)))
    whole = drawings[0]
    for drawing in drawings[1:]:
        whole = replace(
            whole,
            parts=whole.parts + drawing.parts,
            outline=whole.outline or drawing.outline,
            name=whole.name or drawing.name,
            not_understood=whole.not_understood + drawing.not_understood,
            remarks=whole.remarks + drawing.remarks,
        )
    if y_down:
        whole = _turned_over(whole)
        if size_mm is not None:
            x, y = origin_mm or (0.0, 0.0)
            origin_mm = (x, -y - size_mm[1])
    try:
        return layout_from(
            whole, side=side, size_mm=size_mm, origin_mm=origin_mm, dual_rows=dual_rows, name=paths[0].stem
        )
    except InputError as error:
        raise InputError.from_faults(
            replace(fault, where=fault.where or str(paths[0])) for fault in error.faults
        ) from error


def save_imported(imported: Imported, path: Path, *, inputs: Iterable[Path | None] = ()) -> tuple[Path, ...]:
    """
    Write an imported layout and its parts file (``NAME-parts.csv``); returns backups of what was there.

    None of ``inputs``, the files that the command reads, is replaced.

    Rows that need a package or a body stand at the end of the parts file as comments, ready to be completed.
    """
    parts_name = f"{path.stem}-parts.csv"
    board = Board(imported.name, None, np.array(imported.outline_mm), 1.6, surface_named("solder-mask"), ())
    rows = rows_text([*imported.rows, *imported.incomplete]).splitlines(keepends=True)
    whole = len(rows) - len(imported.incomplete)
    if imported.incomplete:
        rows.insert(whole, "# Give each of these a package or a length and width, then take its # away:\n")
        rows[whole + 1 :] = [f"#{row}" for row in rows[whole + 1 :]]
    texts = {path: board_text(board, parts_name=parts_name), path.parent / parts_name: "".join(rows)}
    return put_files({target: text.encode("utf-8") for target, text in texts.items()}, inputs=inputs)


def _turned_over(drawing: Drawing) -> Drawing:
    """A drawing whose y counts down, as one whose y counts up."""
    parts = [
        replace(
            part,
            y_mm=-part.y_mm,
            rotation_deg=-part.rotation_deg,
            body_points=tuple((x, -y) for x, y in part.body_points),
        )
        for part in drawing.parts
    ]
    outline = tuple((x, -y) for x, y in drawing.outline) if drawing.outline else None
    remarks = tuple(remark for remark in drawing.remarks if remark != Y_UP)
    return replace(drawing, parts=tuple(parts), outline=outline, remarks=remarks)


def _usable(drawing: Drawing) -> Drawing:
    """The drawing with text that a layout can hold, without parts whose numbers cannot be."""
    parts, lost = [], []
    for part in drawing.parts:
        ref = _plain(part.ref).lstrip("# ")
        numbers = (part.x_mm, part.y_mm, part.rotation_deg, *(value for point in part.body_points for value in point))
        if not ref:
            lost.append(f'a part at ({part.x_mm:g}, {part.y_mm:g}) has no ref: "{part.ref[:20]}"')
        elif not all(math.isfinite(number) and abs(number) <= FARTHEST for number in numbers):
            lost.append(f"{ref[:40]}: its place ({part.x_mm:g}, {part.y_mm:g}) or rotation cannot be")
        else:
            package, value, kind = (_plain(text or "") or None for text in (part.package, part.value, part.kind))
            extra = {key: _plain(text) for key, text in part.extra.items()}
            parts.append(replace(part, ref=ref, extra=extra, package=package, value=value, kind=kind))
    outline = drawing.outline
    if outline and not all(math.isfinite(value) and abs(value) <= FARTHEST for point in outline for value in point):
        lost.append("the outline's places cannot be")
        outline = None
    return replace(
        drawing,
        parts=tuple(parts),
        outline=outline,
        not_understood=tuple(map(_plain, (*drawing.not_understood, *lost))),
    )


def _plain(text: str) -> str:
    """Text on one line without control characters."""
    shown = "".join(" " if unicodedata.category(letter) in ("Cc", "Cs") else letter for letter in text)
    return unicodedata.normalize("NFC", " ".join(shown.split()))


def _drawing(text: str, where: str, *, unit: str | None, column_map: Mapping[str, str] | None) -> Drawing:
    head = text[:4000]
    if re.match(r"\s*<", head):
        return read_ipc2581(text, where)
    if re.search(r"%FS[LT][AI]|%TF\.|#@!\s*TF\.|^G04", head, re.MULTILINE):
        return read_gerber(text, where)
    return read_centroid(text, where, unit=unit, column_map=column_map)
