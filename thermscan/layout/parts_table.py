"""Rows of a parts file as spreadsheets write it: which delimiter, which decimal sign, which cell is empty."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from thermscan.errors import Fault, nearest_name
from thermscan.frozen import dataclass
from thermscan.layout.fields import parse_number

# What people call the columns in tables of their own, letters only.
_HEADINGS = {
    called: column
    for column, names in {
        "ref": "reference refdes designator referencedesignator",
        "x_mm": "x xmm posx posxmm xpos centrex centerx midx",
        "y_mm": "y ymm posy posymm ypos centrey centery midy",
        "rotation_deg": "rotation rot angle rotationdeg rotdeg angledeg",
        "package": "footprint housing case",
        "kind": "type function",
        "length_mm": "length lengthmm bodylength",
        "width_mm": "width widthmm bodywidth",
        "height_mm": "height heightmm",
        "max_c": "maxc limit limitc",
    }.items()
    for called in names.split()
}
DELIMITERS = (",", ";", "\t", "|")


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row: its number as a spreadsheet counts, and its cells by column; empty cells are left out."""

    number: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True)
class Table:
    """A delimited table: its columns as written, and its rows."""

    columns: tuple[str, ...]
    rows: tuple[TableRow, ...]
    delimiter: str

    def number(self, text: str) -> float | None:
        """The number in a cell; a decimal comma counts where the comma is not the delimiter."""
        return parse_number(text, decimal_comma=self.delimiter != ",")


def read_table(text: str, *, known: Iterable[str], where: str, faults: list[Fault]) -> Table:
    """
    A delimited table whose first line that is neither blank nor a comment names the columns.

    Parameters
    ----------
    text : str
        Comma, semicolon, tab or bar between cells; ``#`` starts a comment line; a first line ``sep=;`` is obeyed.
    known : iterable of str
        Column names, which settle the delimiter: the one that makes most of them.
    where : str
        The file, as messages name it.
    faults : list of Fault
        Grows by what is wrong with the table as such.

    Examples
    --------
    >>> table = read_table("ref;x_mm\\nU1;12,5\\n", known=["ref", "x_mm"], where="parts.csv", faults=[])
    >>> table.rows[0], table.number("12,5")
    (TableRow(number=2, cells={'ref': 'U1', 'x_mm': '12,5'}), 12.5)
    """
    declared = text[4:5] if text.lower().startswith("sep=") else None
    delimiter = declared or _delimiter(text, frozenset(known))
    records = list(enumerate(_records(text, delimiter, where, faults), start=1))
    filled = [(number, cells) for number, cells in records[1 if declared else 0 :] if _counts(cells)]
    if not filled:
        faults.append(Fault("has no header line", where, "name the columns in the first line"))
        return Table((), (), delimiter)
    header_row, header = filled[0]
    columns = tuple(_column(name) for name in header)
    for column in sorted({name for name in columns if name and columns.count(name) > 1}):
        faults.append(Fault("the column is there twice", f"{where}, row {header_row}, {column}", "remove one"))
    rows = tuple(_row(number, cells, columns, where, faults) for number, cells in filled[1:])
    return Table(tuple(name for name in columns if name), rows, delimiter)


def unknown_columns(columns: Sequence[str], known: Sequence[str], where: str, hints: dict[str, str]) -> list[Fault]:
    """
    A fault for each column that is not known, naming the nearest one that is.

    Examples
    --------
    >>> print(*unknown_columns(["rotatoin_deg"], ["ref", "rotation_deg"], "parts.csv", {}))
    parts.csv, rotatoin_deg: unknown column; did you mean rotation_deg?
    """
    faults = []
    for column in columns:
        if column not in known:
            near = nearest_name(column, known)
            remedy = hints.get(column) or (f"did you mean {near}?" if near else f"known: {', '.join(known)}")
            faults.append(Fault("unknown column", f"{where}, {column}", remedy))
    return faults


def _records(text: str, delimiter: str, where: str, faults: list[Fault]) -> list[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    records: list[list[str]] = []
    try:
        records.extend(reader)
    except csv.Error as error:
        faults.append(
            Fault(f"cannot be read ({error})", f"{where}, row {len(records) + 1}", "check its quotation marks")
        )
    return records


def _counts(cells: list[str]) -> bool:
    return any(cell.strip() for cell in cells) and not cells[0].lstrip().startswith("#")


def _column(name: str) -> str:
    written = "_".join(name.strip().lower().split())
    return _HEADINGS.get(re.sub(r"[^a-z]+", "", written), written)


def _row(number: int, cells: list[str], columns: tuple[str, ...], where: str, faults: list[Fault]) -> TableRow:
    beyond = [cell for cell in cells[len(columns) :] if cell.strip()]
    if beyond:
        what = f"{len(cells)} cells where the header has {len(columns)}"
        faults.append(Fault(what, f"{where}, row {number}", "put quotation marks round text that holds the delimiter"))
    named = {column: cell.strip() for column, cell in zip(columns, cells, strict=False) if cell.strip()}
    if "" in named:
        faults.append(
            Fault(f'"{named.pop("")[:20]}" is in a column without a name', f"{where}, row {number}", "name the column")
        )
    return TableRow(number, named)


def _delimiter(text: str, known: frozenset[str]) -> str:
    lines = (line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#"))
    header = next(lines, "")

    def score(delimiter: str) -> tuple[int, int]:
        names = [_column(name) for name in next(csv.reader([header], delimiter=delimiter), [])]
        return sum(name in known for name in names), len(names)

    return max(DELIMITERS, key=score)
