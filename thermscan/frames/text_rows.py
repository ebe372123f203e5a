"""The lines of a text file as rows of numbers, and which of them are the table."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.plain_numbers import plain_rows
from thermscan.frames.text_dialect import HOW_TO_WRITE, NO_TABLE, Dialect, no_reading
from thermscan.frozen import dataclass

# A line of so few numbers above a much wider table is its size ("160 120"), not a short row.
_SIZE_LINE_CELLS = 3
# Blanks split a label such as "Pixel row 7:" into so many cells at most.
MAX_LABEL_CELLS = 3
_COMMENT = re.compile(r"\s*(?:#(?=\s|$|[\w \[\]()°-]+[:=])|%|//|!)")


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """One line of a text file: its cells as numbers, NaN for those that hold none."""

    line: int
    text: str
    values: Sequence[float] | NDArray[np.float64]
    numbers: int
    words: tuple[int, ...] = field(default=())  # which cells hold text that is neither a number nor a mark
    empties: int = 0

    @property
    def width(self) -> int:
        """Number of cells."""
        return len(self.values)

    @property
    def empty(self) -> bool:
        """Nothing but separators."""
        return self.empties == self.width

    @property
    def ends_empty(self) -> bool:
        """The line ends with a separator."""
        return self.empties > 0 and self.text.rstrip(" \"'")[-1:] in "\t;,|"

    @property
    def begins_empty(self) -> bool:
        """The line begins with a separator."""
        return self.empties > 0 and self.text.lstrip(" \"'")[:1] in "\t;,|"

    @property
    def mostly_numbers(self) -> bool:
        """One cell of text at most, or a label of a few words at the left."""
        return len(self.words) <= 1 or self.words == tuple(range(min(len(self.words), MAX_LABEL_CELLS)))


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Rows of one width that follow one another, and the lines of text above them."""

    rows: tuple[Row, ...]
    headings: tuple[str, ...] = field(default=())
    after_blank: bool = False


def parse_rows(lines: Sequence[str], dialect: Dialect) -> tuple[Row | None, ...]:
    """
    Each line as a row; None for a blank line.

    Examples
    --------
    >>> row, = parse_rows(["Y0;22,5;;n/a"], Dialect(";", ","))
    >>> row.values, row.words, row.empties
    ((nan, 22.5, nan, nan), (0,), 1)
    """
    plain = plain_rows(lines, dialect.separator, dialect.decimal)
    return tuple(
        Row(index + 1, line, plain[index], numbers=len(plain[index]))
        if index in plain
        else _parse_row(line, index + 1, dialect)
        for index, line in enumerate(lines)
    )


def _parse_row(line: str, number: int, dialect: Dialect) -> Row | None:
    if not line.strip():
        return None
    if _COMMENT.match(line):
        return Row(line=number, text=line, values=(math.nan,), numbers=0, words=(0,))
    cells = dialect.cells(line)
    quick = _quick_values(line, cells, dialect)
    if quick is not None:
        return Row(line=number, text=line, values=quick, numbers=len(quick))
    values, words, empties, numbers = [], [], 0, 0
    for position, cell in enumerate(cells):
        value = dialect.number(cell)
        numbers += value is not None
        empties += cell == ""
        if value is None and not no_reading(cell):
            words.append(position)
        values.append(math.nan if value is None else value)
    return Row(number, line, tuple(values), numbers, tuple(words), empties)


def _quick_values(line: str, cells: list[str], dialect: Dialect) -> tuple[float, ...] | None:
    """All cells at once where all are plain numbers, which is the usual case in a large file."""
    if "_" in line:  # Python reads 1_000 as a number; a table does not
        return None
    if dialect.decimal == ",":
        if "." in line:
            return None
        cells = [cell.replace(",", ".") for cell in cells]
    try:
        values = tuple(map(float, cells))
    except ValueError:
        return None
    return values if math.isfinite(sum(values)) else None


def find_blocks(rows: Sequence[Row | None], *, where: str) -> tuple[tuple[Block, ...], tuple[str, ...]]:
    """
    The blocks of table rows in a text, and the lines of text before, between and after them.

    Parameters
    ----------
    rows : sequence of Row or None
        From `parse_rows`.
    where : str
        File named in messages.

    Returns
    -------
    tuple of (tuple of Block, tuple of str)

    Raises
    ------
    InputError
        There is no table, or a row has more or fewer cells than the others.
    """
    width = _table_width(rows, where=where)
    start = _table_start(rows, width, where=where)
    blocks: list[Block] = []
    headings: list[str] = []
    texts = [row.text for row in rows[:start] if row is not None]
    headings.extend(texts)
    current: list[Row] = []
    after_blank, ragged = False, []
    cut = _cut_row(rows)
    fitting = [row for row in rows[start:] if row is not None and _fits(row, width)]
    labels = _label_cells(fitting)

    def close(*, blank: bool) -> None:
        nonlocal current, headings, after_blank
        while current and current[-1].empty:  # a spreadsheet's blank line, padded to the table's width
            current.pop()
        if current:
            blocks.append(Block(tuple(current), tuple(headings), after_blank))
            current, headings, after_blank = [], [], False
        after_blank = after_blank or blank

    for row in rows[start:]:
        if row is None:
            close(blank=True)
        elif _fits(row, width) and not _is_heading(row, width, labels=labels):
            current.append(row)
        elif row.empty:
            close(blank=True)
        elif row.numbers >= max(2, width / 2) or (not row.words and row.numbers and (row.width > 1 or row is cut)):
            ragged.append(row)
        else:
            close(blank=False)
            headings.append(row.text)
            texts.append(row.text)
    close(blank=False)
    if ragged:
        raise _ragged(ragged, width, where=where)
    return tuple(blocks), tuple(texts)


def _cut_row(rows: Sequence[Row | None]) -> Row | None:
    """The last line if it follows a line with numbers and is one number: the rest of a row, where a file was cut."""
    filled = [number for number, row in enumerate(rows) if row is not None]
    last = rows[filled[-1]] if filled else None
    above = rows[filled[-1] - 1] if filled and filled[-1] > 0 else None
    return last if last is not None and last.width == 1 and above is not None and above.numbers > 1 else None


def _table_width(rows: Sequence[Row | None], *, where: str) -> int:
    counted: Counter[int] = Counter()
    for row in rows:
        if row is not None and row.mostly_numbers and row.width >= 2 and row.numbers >= 1:
            counted[row.width] += row.width
    if not counted:
        raise InputError(NO_TABLE, where=where, fix=HOW_TO_WRITE)
    most = max(counted.values())
    return max(width for width, count in counted.items() if count == most)


def _fits(row: Row, width: int) -> bool:
    return row.width == width or (row.width == width + 1 and row.ends_empty)


def _is_heading(row: Row, width: int, *, labels: int) -> bool:
    """A line as wide as the table that is text all the same, such as a footer padded with separators."""
    words = sum(position >= labels for position in row.words)
    return words > 0 and row.numbers < width / 2 and words + row.empties >= width / 2


def _label_cells(rows: Sequence[Row]) -> int:
    """How many cells at the left of most rows hold text."""
    few = (n for n in range(MAX_LABEL_CELLS) if 2 * sum(n in row.words for row in rows) <= len(rows))
    return next(few, MAX_LABEL_CELLS)


def _begins(row: Row, width: int, labels: int) -> bool:
    """A row that is sure to belong to the table; text at its left is a label, or the corner of a heading."""
    if not _fits(row, width) or not row.mostly_numbers or row.numbers < max(2, width / 2):
        return False
    return 0 not in row.words or labels > 0 or row.numbers >= width - 1


def _table_start(rows: Sequence[Row | None], width: int, *, where: str) -> int:
    fitting = [row for row in rows if row is not None and _fits(row, width)]
    labels = _label_cells(fitting)
    start = next((index for index, row in enumerate(rows) if row is not None and _begins(row, width, labels)), None)
    if start is None:
        start = next(index for index, row in enumerate(rows) if row is not None and row.width == width and row.numbers)
    while start > 0 and _is_sparse_row(rows[start - 1], width):
        start -= 1
    above = rows[start - 1] if start else None
    if (
        above is not None
        and not above.words
        and above.numbers >= 2
        and not (above.width <= _SIZE_LINE_CELLS and width > 2 * _SIZE_LINE_CELLS)
        and not _steps_by_one(above)
    ):
        raise _ragged([above], width, where=where)
    return start


def _is_sparse_row(row: Row | None, width: int) -> bool:
    """A first row of the table most of whose pixels are bad, as against a header padded with separators."""
    if row is None or row.words or row.width != width or row.empty:
        return False
    filled = row.width - row.empties
    return filled >= 2 or (filled == 1 and math.isnan(row.values[0]))


def _steps_by_one(row: Row) -> bool:
    return all(later - earlier == 1.0 for earlier, later in zip(row.values, row.values[1:], strict=False))


def _ragged(rows: Sequence[Row], width: int, *, where: str) -> InputError:
    first = rows[0]
    more = f" (and {len(rows) - 1} more such rows)" if len(rows) > 1 else ""
    return InputError(
        f"{first.width} {'cell' if first.width == 1 else 'cells'} where the other rows have {width}{more}",
        where=f"{where}, row {first.line}",
        fix="every row needs one cell a pixel; export it again or mend the row",
    )
