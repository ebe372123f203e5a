"""Centroid (pick-and-place) tables and people's own spreadsheets, told by the names of their columns."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Callable, Mapping, Sequence

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.layout.fields import parse_number
from thermscan.layout.importing.drawn import MM_PER, Drawing, DrawnPart, Side
from thermscan.layout.records import NUMBER_COLUMNS, PART_COLUMNS

# Usual names of each column, letters and digits only. The first that a table has is taken.
USUAL_NAMES = {
    "ref": ("designator", "refdes", "ref", "reference", "refdesignator", "referencedesignator", "component", "part"),
    "x": ("midx", "posx", "centerx", "centrex", "xcenter", "xcentre", "centroidx", "placementx", "locationx", "xpos",
          "xlocation", "xcoord", "xcoordinate", "coordx", "positionx", "xposition", "symx", "x"),
    "y": ("midy", "posy", "centery", "centrey", "ycenter", "ycentre", "centroidy", "placementy", "locationy", "ypos",
          "ylocation", "ycoord", "ycoordinate", "coordy", "positiony", "yposition", "symy", "y"),
    "rotation": ("rotation", "rot", "angle", "orientation", "rotate", "theta", "symrotate"),
    "side": ("side", "layer", "tb", "boardside", "mountside", "mountlayer", "placementlayer", "symmirror"),
    "package": ("package", "footprint", "pattern", "packagereference", "pkg", "case", "decal", "symname",
                "packagename"),
    "value": ("value", "val", "comment", "partvalue", "compvalue"),
    "kind": ("description", "kind", "parttype", "partnumber", "device", "mpn"),
}  # fmt: skip
SIDES: dict[str, Side] = {
    **dict.fromkeys(("top", "t", "toplayer", "front", "f", "fcu", "component", "componentside", "1", "no"), "top"),
    **dict.fromkeys(("bottom", "b", "bot", "bottomlayer", "back", "bcu", "solder", "solderside", "2", "yes"), "bottom"),
}
_UNITS = {"mm": "mm", "millimeter": "mm", "millimetre": "mm", "millimeters": "mm", "millimetres": "mm", "metric": "mm",
          "mil": "mil", "mils": "mil", "thou": "mil", "in": "inch", "inch": "inch", "inches": "inch"}  # fmt: skip
_UNIT_END = re.compile(r"[\s(\[_-]+(mm|mils?|thou|in|inch(?:es)?)\s*[)\]]?\s*$", re.IGNORECASE)
# A board is this large, in millimetres: how a unit that nobody states is told from the others.
SMALLEST_SPAN_MM, LARGEST_SPAN_MM = 12.0, 600.0

# Pick-and-place tables count so; a spreadsheet measured with a ruler may not.
Y_UP = "y was taken to count up and rotation counterclockwise; if y counts down from the top left corner, give --y-down"


@dataclass(frozen=True, slots=True)
class _Header:
    row: int
    roles: dict[str, int]
    unused: tuple[str, ...]
    unit: str | None


def read_centroid(
    text: str, where: str, *, unit: str | None = None, column_map: Mapping[str, str] | None = None
) -> Drawing:
    """
    The parts of a centroid table.

    Parameters
    ----------
    text : str
        Delimited by comma, semicolon, tab or bar, or in columns of blanks; lines before the header may tell the unit.
    where : str
        The file, as messages name it.
    unit : str, optional
        ``mm``, ``inch`` or ``mil``; overrides what the file says.
    column_map : mapping, optional
        Columns of the file by what they are: any column of a parts file, or ``x``, ``y``, ``rotation``, ``side``.

    Raises
    ------
    InputError
        No header with ref, x and y; a mapped column that is not there; a unit that cannot be told.

    Examples
    --------
    >>> text = "Designator,Mid X,Mid Y,Rotation,Layer\\nU1,100mil,200mil,90,TopLayer\\n"
    >>> read_centroid(text, "pick.csv").parts[0].x_mm
    2.54
    """
    lines = text.splitlines()
    split, header = _find_header(lines, where, column_map or {})
    known_unit = unit or header.unit or _unit_in(lines[: header.row])
    remarks: list[str] = []
    misread: list[str] = []
    raw = []
    for number, line in enumerate(lines[header.row + 1 :], start=header.row + 2):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        cells = [cell.strip().strip('"').strip() for cell in split(line)]
        row = {role: cells[index] for role, index in header.roles.items() if index < len(cells) and cells[index]}
        if "ref" not in row and "x" not in row:
            continue
        x, y, turn = (_length(row.get("x", "")), _length(row.get("y", "")), _length(row.get("rotation", "0")))
        if not row.get("ref") or x is None or y is None or turn is None:
            misread.append(f"row {number}: no ref, or no number for its place or rotation: {line.strip()[:60]}")
            continue
        raw.append((row, x, y, turn[0]))
    if not raw:
        raise InputError("the table has no rows with ref, x and y", where=where, fix="check the columns, or use --map")
    if known_unit is None and not all(x[1] for _, x, _, _ in raw):
        known_unit = _likely_unit([(x[0], y[0]) for _, x, y, _ in raw], where)
        remarks.append(f"no unit is stated: {known_unit} was taken; if that is wrong, give --unit")
    parts = []
    for row, x, y, turn_deg in raw:
        side_name = re.sub(r"[^a-z0-9]", "", row.get("side", "top").lower())
        if side_name not in SIDES:
            misread.append(f'{row["ref"]}: side "{row["side"][:20]}" is neither top nor bottom')
            continue
        parts.append(
            DrawnPart(
                ref=row["ref"], x_mm=_mm(x, known_unit), y_mm=_mm(y, known_unit), rotation_deg=turn_deg,
                side=SIDES[side_name], package=row.get("package"), value=row.get("value"), kind=row.get("kind"),
                extra=_extra(row),
            )
        )  # fmt: skip
    if header.unused:
        misread.append(f"columns not used: {', '.join(header.unused)}")
    return Drawing(tuple(parts), not_understood=tuple(misread), remarks=(*remarks, Y_UP))


def _extra(row: Mapping[str, str]) -> dict[str, str]:
    """Further columns of a parts file that were mapped; numbers with a decimal point."""
    found = {key: row[key] for key in PART_COLUMNS if key in row and key not in ("ref", "package", "value", "kind")}
    for key in NUMBER_COLUMNS & found.keys():
        if number := _length(found[key]):
            found[key] = f"{number[0]:g}"
    return found


def _find_header(lines: Sequence[str], where: str, column_map: Mapping[str, str]) -> tuple[_Split, _Header]:
    best: tuple[int, _Split, _Header] | None = None
    for split in _SPLITS:
        for number, line in enumerate(lines[:60]):
            header = _header(number, [cell.strip().strip('"') for cell in split(line.lstrip("#").strip())], column_map)
            if header and (best is None or len(header.roles) > best[0]):
                best = (len(header.roles), split, header)
    if best is None:
        seen = next((line.strip() for line in lines if line.strip()), "")[:80]
        fix = "name them with --map, such as --map ref=Name --map x=Xpos --map y=Ypos"
        raise InputError(f'no header with a ref, an x and a y column; it begins "{seen}"', where=where, fix=fix)
    lost = [theirs for role, theirs in column_map.items() if _role(role) not in best[2].roles]
    if lost:
        raise InputError(f'no column "{lost[0]}"', where=where, fix="write the column's name as in the file")
    return best[1], best[2]


def _header(row: int, names: Sequence[str], column_map: Mapping[str, str]) -> _Header | None:
    roles: dict[str, int] = {}
    mapped = {_role(role) for role in column_map}
    plain = [re.sub(r"[^a-z0-9]", "", _UNIT_END.sub("", name).lower()) for name in names]
    for role, theirs in column_map.items():
        index = next((i for i, name in enumerate(names) if name.strip().casefold() == theirs.strip().casefold()), None)
        if index is not None:
            roles[_role(role)] = index
    for role, usual in USUAL_NAMES.items():
        found = next((plain.index(name) for name in usual if name in plain), None)
        if role not in mapped and found is not None and found not in roles.values():
            roles[role] = found
    # A mapped column that is not there is told by its name, once the header is found by the others.
    if not {"ref", "x", "y"} - mapped <= roles.keys() or not roles:
        return None
    unit = _UNIT_END.search(names[roles["x"]]) if "x" in roles else None
    unused = tuple(name for i, name in enumerate(names) if name and i not in roles.values())
    return _Header(row, roles, unused, _UNITS[unit[1].lower()] if unit else None)


def _role(key: str) -> str:
    return {"x_mm": "x", "y_mm": "y", "rotation_deg": "rotation"}.get(key, key)


def _unit_in(lines: Sequence[str]) -> str | None:
    """The unit that a line before the table states, such as "Units used: mil"."""
    for line in lines:
        stated = re.search(r"\bunits?\b[^a-z]*(?:used|is|are|of measure)?[^a-z]*([a-z]+)", line, re.IGNORECASE)
        if stated and stated[1].lower() in _UNITS:
            return _UNITS[stated[1].lower()]
    return None


def _length(cell: str) -> tuple[float, str | None] | None:
    """A number and the unit that its cell states; a comma is a decimal sign where it cannot be anything else."""
    match = re.fullmatch(r"([+\-\u2212]?[0-9.,]+(?:e[+\-]?\d+)?)\s*([a-z\u00b0\"]*)", cell.strip(), re.IGNORECASE)
    number = parse_number(match[1], decimal_comma=match[1].count(",") == 1) if match else None
    if match is None or number is None or not math.isfinite(number):
        return None
    return number, _UNITS.get(match[2].lower())


def _mm(length: tuple[float, str | None], unit: str | None) -> float:
    return round(length[0] * MM_PER[length[1] or unit or "mm"], 6)


def _likely_unit(places: Sequence[tuple[float, float]], where: str) -> str:
    xs, ys = zip(*places, strict=True)
    span = max(max(xs) - min(xs), max(ys) - min(ys))
    fitting = [unit for unit in ("mm", "inch", "mil") if SMALLEST_SPAN_MM <= span * MM_PER[unit] <= LARGEST_SPAN_MM]
    if len(fitting) == 1:
        return fitting[0]
    each = ", ".join(f"{unit}: {span * MM_PER[unit]:.4g} mm" for unit in ("mm", "inch", "mil"))
    raise InputError(f"no unit is stated (the parts would span {each})", where=where, fix="give --unit mm, inch or mil")


_Split = Callable[[str], list[str]]


def _delimited(delimiter: str) -> _Split:
    def cells(line: str) -> list[str]:
        try:
            return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:  # a cell beyond all measure
            return []

    return cells


_SPLITS: tuple[_Split, ...] = (
    *(_delimited(delimiter) for delimiter in (",", ";", "\t", "|")),
    lambda line: re.split(r"\s{2,}", line.strip()),
    lambda line: re.findall(r'"[^"]*"|\S+', line),
)
