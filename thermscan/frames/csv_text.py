"""Reading frames from text: any usual separator, decimal mark, heading, encoding and line end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.files import unreadable
from thermscan.frames.headings import Headings, find_headings
from thermscan.frames.stored import MAX_FRAME_PIXELS, MOST_STORED, StoredPages
from thermscan.frames.text_dialect import HOW_TO_WRITE, NO_TABLE, decode_text, find_dialect, plain_lines, take_suffixes
from thermscan.frames.text_rows import MAX_LABEL_CELLS, Block, Row, find_blocks, parse_rows
from thermscan.frames.times import page_times
from thermscan.frames.triples import grid_from_triples, is_triples

# 60 frames of 640 x 512 with two decimals; text takes several times its size in memory while it is read.
MAX_TEXT_BYTES = 120_000_000
# A pixel a line of the largest detector with a table for it (1280 x 1024), and a recording of 2000 frames of 640 rows.
MOST_LINES = 1_400_000
# Blank lines that split a table into pieces this nearly equal may part frames of which one lacks a row.
NEARLY_EQUAL_ROWS = 2
# Frames of one view go up and down together; the halves of one frame seldom do.
ALIKE_CORRELATION = 0.6
# Most detectors have 4 columns to 3 rows, or 5 to 4.
DETECTOR_ASPECT = 1.3
_ONE_FRAME = "export one frame a file, or separate frames of equal size by a blank line"


def read_csv(path: Path) -> StoredPages:
    """
    The frames of a text file as stored, with the header lines that describe them.

    Empty and non-numeric cells are NaN. Index headings and labels are left out. Blocks of equal size between
    blank lines or heading lines are the frames of a recording.

    Parameters
    ----------
    path : Path

    Returns
    -------
    StoredPages

    Raises
    ------
    InputError
        It is no text, holds no table, a row has too many or too few cells, or its frames cannot be told apart.
    """
    where = str(path)
    try:
        if path.stat().st_size > MAX_TEXT_BYTES:
            what = f"the text has {path.stat().st_size} bytes; up to {MAX_TEXT_BYTES} are read"
            raise InputError(what, where=where, fix="split the recording, or save the frames as TIFF")
        raw = path.read_bytes()
    except OSError as error:
        raise unreadable(path, error) from error
    lines = plain_lines(decode_text(raw, where=where))
    if len(lines) > MOST_LINES:
        what = f"it has {len(lines)} lines; up to {MOST_LINES} are read"
        raise InputError(what, where=where, fix="split the recording, or save the frames as TIFF")
    if not any(line.strip() for line in lines):
        raise InputError("the file is blank", where=where, fix="export it again")
    lines, cell_unit = take_suffixes(lines, where=where)
    dialect = find_dialect(lines, where=where)
    blocks, texts = find_blocks(parse_rows(lines, dialect), where=where)
    if not blocks:
        raise InputError(NO_TABLE, where=where, fix=HOW_TO_WRITE)
    frames, remarks = _frames(blocks, where=where)
    tables = _without_headings(frames)
    if len(tables) == 1 and is_triples(tables[0]):
        names = tuple(dialect.cells(frames[0].headings[-1])) if frames[0].headings else ()
        tables = [grid_from_triples(tables[0], names, where=where)]
    shapes = {table.shape for table in tables}
    if max(rows * cols for rows, cols in shapes) > MAX_FRAME_PIXELS:
        what = f"it holds more than {MAX_FRAME_PIXELS // 10**6} million pixels a frame"
        raise InputError(what, where=where, fix="export one frame a file")
    if len(shapes) > 1:
        sizes = ", ".join(sorted(f"{cols} x {rows}" for rows, cols in shapes))
        raise InputError(f"its frames differ in size ({sizes})", where=where, fix=_ONE_FRAME)
    return StoredPages(
        pages=tuple(tables),
        file_format="CSV",
        stored_as="text",
        texts=texts,
        cell_unit=cell_unit,
        times_s=page_times([block.headings for block in frames], pages=len(tables)),
        remarks=remarks,
    )


def _frames(blocks: Sequence[Block], *, where: str) -> tuple[tuple[Block, ...], tuple[str, ...]]:
    """One block a frame: blocks joined where blank lines only space the rows out."""
    if len(blocks) == 1:
        return tuple(blocks), ()
    heights = [len(block.rows) for block in blocks]
    headed = any(block.headings for block in blocks[1:])
    if not headed and max(heights) == 1:
        return (_joined(blocks),), ()
    halves = len(blocks) == 2 and not headed and not _look_like_two_frames(blocks[0], blocks[1])
    if min(heights) == max(heights) and min(heights) > 1 and not halves:
        return tuple(blocks), (f"{len(blocks)} frames of {heights[0]} rows follow one another in the file",)
    if headed or (max(heights) - min(heights) <= NEARLY_EQUAL_ROWS and not halves):
        shown = ", ".join(str(height) for height in heights[:6]) + (", …" if len(heights) > 6 else "")
        raise InputError(f"the table is split into blocks of unequal size ({shown} rows)", where=where, fix=_ONE_FRAME)
    gaps = ", ".join(str(block.rows[0].line - 1) for block in blocks[1:4])
    return (_joined(blocks),), (f"blank lines within the table were skipped (line {gaps})",)


def _look_like_two_frames(first: Block, second: Block) -> bool:
    """
    Two equal blocks are two frames if they look alike, as frames of one view do.

    If not, a stray blank line may halve a frame, and the shape nearer to a detector's decides.
    """
    above, below = _array(first.rows), _array(second.rows)
    both = np.isfinite(above) & np.isfinite(below) if above.shape == below.shape else np.zeros(0, dtype=bool)
    vary = both.sum() > 2 and np.ptp(above[both]) > 0 and np.ptp(below[both]) > 0
    if vary and np.corrcoef(above[both], below[both])[0, 1] > ALIKE_CORRELATION:
        return True
    rows, cols = above.shape
    apart, together = (abs(math.log(cols / height / DETECTOR_ASPECT)) for height in (rows, 2 * rows))
    return apart < together


def _joined(blocks: Sequence[Block]) -> Block:
    return Block(tuple(row for block in blocks for row in block.rows), blocks[0].headings)


def _without_headings(blocks: Sequence[Block]) -> list[NDArray[np.float64]]:
    tables: list[NDArray[np.float64]] = []
    for number, block in enumerate(blocks):
        rows = block.rows
        values = _array(rows)
        values = values[:, _label_columns(rows, width=values.shape[1]) :]
        headings = find_headings(values)
        if number and headings.rows == 0 and len(tables[0]) == len(rows):
            headings = Headings(0, headings.cols)
        tables.append(values[headings.rows :, headings.cols :])
    return tables


def _label_columns(rows: Sequence[Row], *, width: int) -> int:
    """How many columns at the left hold text in every row; the first row's may be an empty corner."""
    columns = 0
    while columns < min(MAX_LABEL_CELLS, width - 2) and len(rows) > 1 and all(columns in row.words for row in rows[1:]):
        columns += 1
    return columns


def _array(rows: Sequence[Row]) -> NDArray[np.float64]:
    """The rows' numbers, without a last column that only the lines' closing separators make."""
    width = min(row.width for row in rows)
    values = np.array([row.values[:width] for row in rows], dtype=np.float64)
    values[np.abs(values) > MOST_STORED] = np.nan
    if width > 2 and all(row.ends_empty for row in rows) and np.isnan(values[:, -1]).all():
        # Lines that begin with a separator as well are fenced in by it.
        return values[:, int(all(row.begins_empty for row in rows)) : -1]
    return values
