"""Recordings as text, frame by frame: one row a frame as small sensors are logged, or blocks under a time line."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.clock import Written, time_in_text
from thermscan.frames.files import unreadable
from thermscan.frames.log_times import seconds_of, time_columns
from thermscan.frames.text_dialect import BLANKS, Dialect, find_dialect, no_reading, text_encoding
from thermscan.frozen import dataclass

Float32 = NDArray[np.float32]

# Detectors as columns x rows: what arrays are made in. No two have the same number of pixels.
DETECTORS = (
    *((8, 8), (16, 12), (32, 24), (32, 32), (48, 47), (64, 62), (80, 60), (80, 62), (80, 64), (96, 96), (120, 84)),
    *((120, 90), (140, 120), (160, 120), (206, 156), (208, 156), (240, 180), (256, 192), (320, 240), (320, 256)),
    *((336, 256), (384, 288), (388, 284), (464, 348), (480, 360), (640, 480), (640, 512), (1024, 768), (1280, 1024)),
)
# Columns in front of a row's pixels: a number, a time, ambient, a few supply readings.
MOST_OTHER_COLUMNS = 16
# A row of a table with a label in front may be as wide as an 8 x 8 or 16 x 12 detector has pixels, not as larger ones.
LEAST_WORDED = 768
# So much of a file tells how it is written; a row of the largest detector fits.
HEAD_BYTES = 16_000_000
_FEWEST_ROWS = 2
_BRACKETS = str.maketrans("", "", "[]{}\"'")
_STAMP_LINE = re.compile(r"\d{1,2}:\d\d:\d\d|\d{4}-\d\d-\d\d")


@dataclass(frozen=True, slots=True, eq=False)
class TextLog:
    """
    A recording as text, understood but not yet read.

    Attributes
    ----------
    shape : tuple of int
        Rows and columns of a frame.
    count : int
    times : tuple of Written or None
        One a frame, where the file states them.
    leading : int
        Columns in front of the pixels of a row; -1 where a frame is a block of rows.
    texts, remarks : tuple of str
    """

    path: Path
    encoding: str
    dialect: Dialect
    shape: tuple[int, int]
    count: int
    times: tuple[Written | None, ...]
    leading: int
    texts: tuple[str, ...] = field(default=())
    remarks: tuple[str, ...] = field(default=())
    names: tuple[str, ...] = ()

    def frames(self, first: int = 0) -> Iterator[Float32]:
        """The frames in the file's order, from the one numbered ``first`` on; NaN where a cell holds no number."""
        rows, cols = self.shape
        number = 0
        if self.leading >= 0:
            for line in _lines(self.path, self.encoding):
                cells = _row_cells(line, self.dialect)
                if cells is not None and len(cells) == self.leading + rows * cols and tuple(cells) != self.names:
                    if number >= first:
                        yield _numbers(cells[self.leading :], self.dialect).reshape(rows, cols)
                    number += 1
            return
        block: list[list[str]] = []
        for line in _lines(self.path, self.encoding):
            cells = _row_cells(line, self.dialect)
            if cells is None or len(cells) != cols:
                block = []
                continue
            block.append(cells)
            if len(block) == rows:
                if number >= first:
                    yield np.stack([_numbers(each, self.dialect) for each in block])
                number += 1
                block = []


def find_text_log(path: Path, *, size_px: tuple[int, int] | None = None) -> TextLog | None:
    """
    How a text file logs frames, or None where it is no such log: an ordinary table, or text of another form.

    Parameters
    ----------
    path : Path
    size_px : tuple of int, optional
        Columns and rows of a frame, where each row of the file is one.

    Raises
    ------
    InputError
        ``size_px`` is given and the rows do not hold so many pixels; or a row has too few or too many.
    """
    try:
        with path.open("rb") as stream:
            raw = stream.read(HEAD_BYTES)
    except OSError as error:
        raise unreadable(path, error) from error
    encoding = text_encoding(raw, where=str(path))
    text = raw.decode(encoding, errors="replace")
    # Most tables have none: to look for each is a tenth of taking them out.
    head = (text.translate(_BRACKETS) if any(chr(each) in text for each in _BRACKETS) else text).splitlines()
    if len(raw) == HEAD_BYTES:
        head = head[:-1]
    head = [line for line in head if line.strip()]
    if len(head) < _FEWEST_ROWS:
        return None
    try:
        # A row of a large detector is long, and a few of them tell enough.
        sniffed = head[: max(4, min(60, 2_000_000 // max(len(head[-1]), 1)))]
        dialect = find_dialect(sniffed, where=str(path))
    except InputError:
        return None
    log = _row_log(path, encoding, dialect, sniffed, size_px)
    if log is None and not (len(raw) < HEAD_BYTES and _is_one_table(head, dialect)):
        log = _block_log(path, encoding, dialect, head)
    return log


def _is_one_table(lines: Sequence[str], dialect: Dialect) -> bool:
    """All lines of the commonest width follow one another: no line between blocks tells a time."""
    counts = [line.count(dialect.separator) for line in lines]
    usual = max(set(counts), key=counts.count)
    first, last = counts.index(usual), len(counts) - counts[::-1].index(usual)
    return counts[first:last].count(usual) == last - first


def _lines(path: Path, encoding: str) -> Iterator[str]:
    with path.open(encoding=encoding, errors="replace") as stream:
        for line in stream:
            yield line.translate(_BRACKETS)


def _row_cells(line: str, dialect: Dialect) -> list[str] | None:
    """A line's cells without an empty one at its end; None for a blank line or a comment."""
    if not line.strip() or line.lstrip().startswith(("#", "%", "//")):
        return None
    cells = line.split() if dialect.separator == BLANKS else line.rstrip("\r\n").split(dialect.separator)
    return cells[:-1] if len(cells) > 1 and not cells[-1].strip() else cells


def _numbers(cells: Sequence[str], dialect: Dialect) -> Float32:
    text = " ".join(cells)
    if dialect.decimal == ",":
        text = text.replace(",", ".")
    with warnings.catch_warnings():
        # At a cell that is no number older versions of numpy warn, newer ones raise: such rows are read cell by cell.
        warnings.simplefilter("error", DeprecationWarning)
        with suppress(DeprecationWarning, ValueError):
            values = np.fromstring(text, dtype=np.float32, sep=" ")
            if values.size == len(cells):
                return values
    read = (dialect.number(cell.strip()) for cell in cells)
    with np.errstate(over="ignore"):  # a number beyond all measure becomes infinite, and is then none
        return np.array([np.nan if value is None else value for value in read], dtype=np.float64).astype(np.float32)


def _is_data(cells: Sequence[str], dialect: Dialect) -> bool:
    """Numbers, or marks for none, but for a few columns in front."""
    behind = [cell.strip() for cell in cells[min(MOST_OTHER_COLUMNS, len(cells) // 2) :]]
    good = sum(dialect.number(cell) is not None or no_reading(cell) for cell in behind)
    return bool(behind) and good == len(behind) and any(dialect.number(cell) is not None for cell in behind)


def _row_log(
    path: Path, encoding: str, dialect: Dialect, head: Sequence[str], size_px: tuple[int, int] | None
) -> TextLog | None:
    rows = [(line, cells) for line in head if (cells := _row_cells(line, dialect)) is not None]
    # Most tables are as wide as a detector has columns, which fits none as a whole frame: no cell need be looked at.
    may_be = {width: size_px is not None or _fits_a_detector(width) for width in {len(cells) for _, cells in rows}}
    data = [cells for _, cells in rows if may_be[len(cells)] and _is_data(cells, dialect)]
    if len(data) < _FEWEST_ROWS or len({len(cells) for cells in data}) > 1:
        return None
    width = len(data[0])
    names = next((cells for _, cells in rows if len(cells) == width and not _is_data(cells, dialect)), None)
    sizes = [size_px] if size_px else DETECTORS
    fits = [(width - w * h, (w, h)) for w, h in sizes if 0 <= width - w * h <= MOST_OTHER_COLUMNS]
    if size_px and not fits and width > size_px[0]:
        raise InputError(
            f"its rows have {width} cells, where {size_px[0]} x {size_px[1]} pixels are {size_px[0] * size_px[1]}",
            where=str(path),
            fix="check size_px (columns, rows)",
        )
    for leading, (w, h) in sorted(fits):
        column = _time_column(data, leading, names=names)
        # Rows numbered one by one, with no time, are those of one frame; words in front of each are a time not known.
        worded = leading > 0 and all(dialect.number(cells[0].strip()) is None for cells in data)
        if column is None and not size_px and not (worded and w * h >= LEAST_WORDED):
            continue
        log = _counted_rows(TextLog(path, encoding, dialect, (h, w), 0, (), leading, names=tuple(names or ())), column)
        if column is None and worded:
            said = f'what stands before each frame (such as "{data[0][0].strip()[:40]}") was not understood as a time'
            log = replace(log, remarks=(*log.remarks, said))
        return log
    return None


def _fits_a_detector(width: int) -> bool:
    return any(0 <= width - w * h <= MOST_OTHER_COLUMNS for w, h in DETECTORS)


def _time_column(data: Sequence[Sequence[str]], leading: int, *, names: Sequence[str] | None) -> tuple[int, int] | None:
    """First and last of the cells that make the time; None where there is none, or only a running number."""
    named = [at for at in time_columns(names[:leading]) if at < leading] if names else []
    for first in [*named, *(at for at in range(leading) if at not in named)]:
        for last in (first + 1, first + 2):
            cells = [" ".join(row[first:last]) for row in data]
            found = (
                seconds_of(cells, name=names[first] if names and first in named else None) if last <= leading else None
            )
            if found is None:
                continue
            steps = np.diff(found[0])
            if first not in named and not found[1] and np.allclose(steps, 1.0) and float(found[0][0]) in (0.0, 1.0):
                continue
            return first, last
    return None


def _counted_rows(log: TextLog, column: tuple[int, int] | None) -> TextLog:
    """The whole file gone through for its times, without reading its pixels."""
    names, width = log.names, log.leading + log.shape[0] * log.shape[1]
    stamps, texts, count, other = [], [], 0, 0
    for number, line in enumerate(_lines(log.path, log.encoding), start=1):
        cells = _row_cells(line, log.dialect)
        if cells is None:
            continue
        if len(cells) == width and tuple(cells) != names:
            count += 1
            if column is not None:
                stamps.append(" ".join(cells[column[0] : column[1]]))
        elif count and len(cells) > width // 2:
            other += 1
            last = number
        elif not count:
            texts.append(line.strip()[:2000])
    remarks = []
    if other:
        rows = "row has" if other == 1 else "rows have"
        remarks.append(f"{other} {rows} not {width} cells (such as row {last}), as when a line was cut: left out")
    times: tuple[Written | None, ...] = (None,) * count
    if column is not None and count:
        found = seconds_of(stamps, name=names[column[0]] if names else None)
        if found is not None:
            seconds, stamp, said = found
            times = tuple(Written(float(each), stamp) for each in seconds)
            remarks += [said] if said else []
    return replace(log, count=count, times=times, texts=tuple(texts), remarks=tuple(remarks))


def _block_log(path: Path, encoding: str, dialect: Dialect, head: Sequence[str]) -> TextLog | None:
    """Blocks of equal rows, each under a line that tells a time; anything else is left to the reader of tables."""
    widths = [
        len(cells) for line in head[:2000] if (cells := _row_cells(line, dialect)) and _all_numbers(cells, dialect)
    ]
    width = max(set(widths), key=widths.count) if widths else 0
    if width < 4:
        return None
    heights: list[int] = []
    times: list[Written | None] = []
    texts: list[str] = []
    rows, said = 0, None
    for line in _lines(path, encoding):
        cells = _row_cells(line, dialect) if not line.lstrip().startswith("#") else [line]
        if cells is None:
            continue
        if len(cells) == width:
            rows += 1
            continue
        if len(cells) > max(4, width // 2) and not _time_of_line(line):
            return None
        if rows:
            heights.append(rows)
            times.append(said)
            rows, said = 0, None
        said = _time_of_line(line) or said
        if not heights and len(texts) < 40:
            texts.append(line.strip()[:2000])
    if rows:
        heights.append(rows)
        times.append(said)
    cut = len(heights) > 1 and heights[-1] < heights[0]
    if cut:
        heights, times = heights[:-1], times[:-1]
    if len(heights) < 2 or len(set(heights)) > 1 or heights[0] < 4 or None in times:
        return None
    remarks = ("the last frame is cut short and was left out",) if cut else ()
    shape = (heights[0], width)
    return TextLog(path, encoding, dialect, shape, len(heights), tuple(times), -1, tuple(texts), remarks)


def _all_numbers(cells: Sequence[str], dialect: Dialect) -> bool:
    return all(dialect.number(cell.strip()) is not None or no_reading(cell.strip()) for cell in cells)


def _time_of_line(line: str) -> Written | None:
    """The time that a line between blocks tells: after a word for it, as a stamp, or as a lone number."""
    text = line.strip().lstrip("#%").strip(" ;,\t:")
    if (found := time_in_text(text)) is not None:
        return found
    found_s = seconds_of([text])
    if found_s is not None and re.fullmatch(r"[-+]?\d+(?:[.,]\d+)?|[\d:.,]+", text):
        return Written(float(found_s[0][0]), found_s[1])
    if _STAMP_LINE.search(text):
        piece = next((word for word in re.split(r"[ \t;,]+", text) if seconds_of([word]) and ":" in word), None)
        return Written(float(seconds_of([piece])[0][0]), True) if piece else None  # type: ignore[index]
    return None
