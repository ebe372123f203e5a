"""Decoding a text file, and finding how its cells and decimals are written."""

from __future__ import annotations

import codecs
import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from thermscan.errors import InputError
from thermscan.frames.units import unit_named
from thermscan.frozen import dataclass

BLANKS = " "
NO_TABLE, HOW_TO_WRITE = "it holds no table of numbers", "export one value a pixel, one line a pixel row"
# At equal score the earlier wins: a tab that is there is a separator, and blanks beside it are padding.
SEPARATORS = ("\t", ";", ",", "|", BLANKS)
DECIMALS = (".", ",")
# Lines looked at to find the dialect: from all over the file, so that a long header does not decide.
_SNIFFED_LINES = 60
# Cells looked at, from all along the line; each dialect is tried on each.
_SNIFFED_CELLS = 40
# A text cell speaks against a dialect this many times louder than a number speaks for it.
_TEXT_COST = 3.0
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
# So much of a file shows which encoding it has.
_HEAD_BYTES = 4096
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f]")
# The same for bytes, where a character below 128 is its byte: taking them out is several times as quick as looking.
_CONTROL_BYTES = bytes((*range(0x09), *range(0x0E, 0x20)))
_ONE_BYTE = ("utf-8", "utf-8-sig", "cp1252")
_WITHOUT_NUMBERS = dict.fromkeys(map(ord, '0123456789.,;+-|\t "'))
_TWO_DIGITS = re.compile(r"\d.*?\d")
_SUFFIX = re.compile(
    r"(?<=\d)[ ]?((?:°|deg\.?)?[ ]?(?:[CFK](?![A-Za-z])|celsius|fahrenheit|kelvin)|[cdm]K(?![A-Za-z]))", re.IGNORECASE
)
_NUMBER = {
    ".": re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"),
    ",": re.compile(r"[-+]?(?:\d+,?\d*|,\d+)(?:[eE][-+]?\d+)?"),
}
# Many cells at once, one a line; each is taken whole or not at all, so that a bad one does not try the others anew.
_NUMBERS = {mark: re.compile(rf"(?>{one.pattern})(?:\n(?>{one.pattern}))*") for mark, one in _NUMBER.items()}
_ALL_BEGIN_AS_NUMBERS = re.compile(r"[-+]?\d++[.,]?\d*+(?:\n[-+]?\d++[.,]?\d*+)*")
# What programs write where a pixel has no reading.
_NO_READING = re.compile(
    r"|[-–—_.*?x#]+|[-+]?nan(?:\(.*\))?|[-+]?1\.#.*|[-+]?inf(?:inity)?|n\.?/?a\.?n?\.?|#.*|null|nil|none|void|bad|dead|err(?:or)?|"
    r"ol|[<>].*|over(?:flow|range)?|under(?:flow|range)?|invalid|missing|masked",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a text file separates its cells and writes its decimals."""

    separator: str
    decimal: str

    def cells(self, line: str) -> list[str]:
        """
        The cells of one line, without the blanks around them.

        Examples
        --------
        >>> Dialect(";", ",").cells('22,5; "23,1" ;')
        ['22,5', '23,1', '']
        >>> Dialect(" ", ".").cells("  22.5   23.1 ")
        ['22.5', '23.1']
        """
        if '"' in line:
            return _quoted_cells(line, self.separator)
        if self.separator == BLANKS:
            return line.split()
        return [cell.strip() for cell in line.split(self.separator)]

    def number(self, cell: str) -> float | None:
        """
        The number in one cell, or None where it holds none.

        Examples
        --------
        >>> Dialect(";", ",").number("22,5"), Dialect(";", ",").number("22.5")
        (22.5, None)
        """
        if _NUMBER[self.decimal].fullmatch(cell) is None:
            return None
        return float(cell.replace(",", "."))


def _quoted_cells(line: str, separator: str) -> list[str]:
    """Cells of a line with quotes in it; unlike the csv module, blanks and tabs may stand around a quoted cell."""
    if separator == BLANKS:
        return [(inner or bare).strip() for inner, bare in re.findall(r'"((?:[^"]|"")*)"|([^\s"]+)', line)]
    blank = " " if separator == "\t" else r"[ \t]"
    end = rf"{blank}*(?:{re.escape(separator)}|$)"
    pattern = re.compile(rf'{blank}*"((?:[^"]|"")*)"{end}|([^{re.escape(separator)}]*){end}')
    cells, at = [], 0
    while at <= len(line):
        match = pattern.match(line, at)
        if match is None:
            return [cell.strip() for cell in line.split(separator)]
        cells.append((match.group(1) or match.group(2) or "").strip())
        at = match.end()
        if at == len(line) and not line.endswith(separator, match.start(), at):
            break
        if at == len(line):
            cells.append("")
            break
    return cells


def no_reading(cell: str) -> bool:
    """
    True for an empty cell or one of the marks that stand for a pixel without a reading.

    Examples
    --------
    >>> [no_reading(cell) for cell in ("", "NaN", "n/a", "####", "--", ">150", "Row 1")]
    [True, True, True, True, True, True, False]
    """
    return _NO_READING.fullmatch(cell) is not None


def decode_text(raw: bytes, *, where: str) -> str:
    """
    A text file's characters: UTF-8, UTF-16 or UTF-32 by their mark, UTF-16 by its zero bytes, else UTF-8 or cp1252.

    Raises
    ------
    InputError
        The bytes are no text.

    Examples
    --------
    >>> decode_text("22,5 °C".encode("cp1252"), where="a.csv")
    '22,5 °C'
    """
    encoding = text_encoding(raw, where=where)
    try:
        # Old systems close a text with Ctrl-Z.
        text = raw.decode(encoding).rstrip("\x1a")
    except UnicodeDecodeError:
        text = raw.decode("latin-1" if encoding in ("utf-8", "cp1252") else encoding, errors="replace")
    if encoding in _ONE_BYTE:
        seen = raw.rstrip(b"\x1a")
        controls = len(seen.translate(None, _CONTROL_BYTES)) < len(seen)
    else:
        controls = _CONTROL.search(text) is not None
    if controls:
        raise _no_text(where)
    return text


def text_encoding(head: bytes, *, where: str) -> str:
    """
    The encoding of a text by its first bytes, which may end within a character.

    Raises
    ------
    InputError
        The bytes are no text.

    Examples
    --------
    >>> text_encoding("22,5;23,1\\n".encode("utf-16-be")[:11], where="a.csv")
    'utf-16-be'
    """
    marked = next((name for mark, name in _BOMS if head.startswith(mark)), None)
    encoding = marked or _by_zero_bytes(head[:_HEAD_BYTES])
    if encoding is None:
        try:
            codecs.getincrementaldecoder("utf-8")().decode(head)
            encoding = "utf-8"
        except UnicodeDecodeError:
            encoding = "cp1252"
    if _CONTROL.search(head[:_HEAD_BYTES].decode(encoding, errors="replace").rstrip("\x1a")):
        raise _no_text(where)
    return encoding


def _no_text(where: str) -> InputError:
    fix = "export the temperature of each pixel as TIFF or CSV"
    return InputError("it is neither a TIFF nor readable text", where=where, fix=fix)


def _by_zero_bytes(head: bytes) -> str | None:
    """Digits, separators and line ends have a zero byte in UTF-16: first where it is big endian, else second."""
    first, second = head[0::2].count(0), head[1::2].count(0)
    half = len(head) // 2
    if second > 0.7 * half and first == 0:
        return "utf-16-le"
    if first > 0.7 * half and second == 0:
        return "utf-16-be"
    return None


def plain_lines(text: str) -> list[str]:
    """
    A text's lines, whatever their ends; hard blanks become blanks, and typographic minus signs plain ones.

    Examples
    --------
    >>> plain_lines("a\\r\\nb\\rc\\n")
    ['a', 'b', 'c']
    """
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    for odd, plain in (
        ("\u00a0", " "),
        ("\u202f", " "),
        ("\u2009", " "),
        ("\u2212", "-"),
    ):
        text = text.replace(odd, plain)
    lines = text.split("\n")
    return lines[:-1] if lines and lines[-1] == "" else lines


def take_suffixes(lines: Sequence[str], *, where: str) -> tuple[list[str], str | None]:
    """
    Lines without the unit written behind each number, and that unit.

    Only where most lines that hold numbers carry it: a header's "ambient 22 °C" is left alone.

    Raises
    ------
    InputError
        Numbers carry different units.
    """
    found = [_SUFFIX.findall(line) if _has_letters(line) else [] for line in lines]
    carrying = [line for line, units in zip(lines, found, strict=True) if len(units) >= 2]
    if not carrying or 2 * len(carrying) < sum(_TWO_DIGITS.search(line) is not None for line in lines):
        return list(lines), None
    counted: Counter[str] = Counter()
    for each in found:
        counted.update(each if len(each) >= 2 else ())
    units = {unit for text in counted if (unit := unit_named(text)) is not None}
    if len(units) > 1:
        raise InputError(
            f"the numbers carry different units ({', '.join(sorted(units))})", where=where, fix="export it in one unit"
        )
    marked = set(carrying)
    return [_SUFFIX.sub("", line) if line in marked else line for line in lines], units.pop() if units else None


def _has_letters(line: str) -> bool:
    """Anything that a plain number does not hold: only then may a unit stand behind one."""
    return bool(line.translate(_WITHOUT_NUMBERS))


def find_dialect(lines: Sequence[str], *, where: str) -> Dialect:
    """
    The dialect in which most of a text reads as rows of numbers.

    Raises
    ------
    InputError
        There is no table of numbers under any dialect.

    Examples
    --------
    >>> find_dialect(["Camera: bench", "22,5;22,6", "22,7;22,8"], where="a.csv")
    Dialect(separator=';', decimal=',')
    """
    filled = [line for line in lines if line.strip()]
    step = max(len(filled) // _SNIFFED_LINES, 1)
    sample = filled[::step]
    best, best_score = None, 0.0
    for separator in SEPARATORS:
        rows = [_sniffed(line, separator) for line in sample if separator in line]
        for decimal in DECIMALS:
            score = _table_score(rows, decimal)
            if score > best_score + 1e-9:
                best, best_score = Dialect(separator, decimal), score
    if best is None:
        raise InputError(NO_TABLE, where=where, fix=HOW_TO_WRITE)
    return best


class _Sniffed(NamedTuple):
    """How many cells a line has, and those of some of them that hold anything."""

    width: int
    cells: tuple[str, ...]


def _sniffed(line: str, separator: str) -> _Sniffed:
    # A wide row has hundreds of cells: blanks are taken off those alone that are looked at.
    plain = separator != BLANKS and '"' not in line
    cells = line.split(separator) if plain else Dialect(separator, ".").cells(line)
    some = [cell.strip() for cell in cells[:: max(len(cells) // _SNIFFED_CELLS, 1)]]
    if _ALL_BEGIN_AS_NUMBERS.fullmatch("\n".join(some)) is None:
        some = [cell for cell in some if not no_reading(cell)]
    return _Sniffed(len(cells), tuple(some))


def _table_score(rows: Sequence[_Sniffed], decimal: str) -> float:
    """What the rows of the commonest width score: header lines may read as numbers under a wrong dialect too."""
    by_width: defaultdict[int, float] = defaultdict(float)
    for row in rows:
        by_width[row.width] += _row_score(row, decimal)
    return max(by_width.values(), default=0.0)


def _row_score(row: _Sniffed, decimal: str) -> float:
    if row.width < 2:
        return 0.0
    if _NUMBERS[decimal].fullmatch("\n".join(row.cells)) is not None:
        return float(len(row.cells))
    is_number = _NUMBER[decimal].fullmatch
    numbers = sum(is_number(cell) is not None for cell in row.cells)
    words = len(row.cells) - numbers
    return max(numbers - _TEXT_COST * max(words - 1, 0), 0.0)
