"""Reference points for a calibration: a known temperature beside what the camera wrote."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np

from thermscan.errors import Fault, InputError, nearest_name
from thermscan.frames.reading import read_frames
from thermscan.frames.units import COUNTS, celsius
from thermscan.frozen import dataclass
from thermscan.layout.fields import parse_number, shown
from thermscan.layout.text_file import read_text_file
from thermscan.radiometry.planck import DEFAULT_BAND_UM, Band
from thermscan.radiometry.surface import apparent_temperature

COLUMNS = ("known_c", "value", "frame", "left", "top", "right", "bottom", "emissivity", "reflected_c")
_REGION = ("left", "top", "right", "bottom")
# "ice.tiff@10,20,40,50": a frame, and in it a rectangle of whole pixels, all four included.
_FRAME_WITH_REGION = re.compile(r"^(?P<path>.+?)(?:@(?P<box>\d+,\d+,\d+,\d+))?$")


@dataclass(frozen=True, slots=True)
class RegionReading:
    """
    What a region of one or more frames reads.

    Attributes
    ----------
    mean : float
        In Celsius or in counts.
    of : str
        ``C`` or ``counts``.
    spread : float
        Standard deviation over the region's pixels.
    pixels : int
    """

    mean: float
    of: str
    spread: float
    pixels: int


@dataclass(frozen=True, slots=True)
class ReferencePoint:
    """
    One pair.

    Attributes
    ----------
    apparent_c : float
        Apparent temperature that the reference has: its own, with emissivity and reflection.
    value : float
        What the camera wrote, in Celsius or counts.
    of : str
        ``C`` or ``counts``.
    place : str
        Where the pair stands, for messages.
    """

    apparent_c: float
    value: float
    of: str
    place: str


def read_region(path: Path, *, box: tuple[int, int, int, int] | None = None, unit: str | None = None) -> RegionReading:
    """
    Mean over a rectangle of a frame file, all its pages together.

    Parameters
    ----------
    path : Path
    box : tuple of int, optional
        Left, top, right, bottom pixel, all included; by default the whole frame.
    unit : str, optional
        As in `read_frames`.

    Returns
    -------
    RegionReading

    Raises
    ------
    InputError
        The file cannot be read, or the rectangle lies outside the frame or has no valid pixel.
    """
    frames = read_frames(path, unit=unit)
    counts = frames[0].unit == COUNTS
    stack = np.stack([frame.values if counts else celsius(frame.values, frame.unit) for frame in frames])
    rows, cols = stack.shape[1:]
    left, top, right, bottom = box if box is not None else (0, 0, cols - 1, rows - 1)
    if not (0 <= left <= right < cols and 0 <= top <= bottom < rows):
        raise InputError(
            f"the region {left},{top},{right},{bottom} does not lie in a frame of {cols} x {rows} pixels",
            where=str(path),
            fix="write left,top,right,bottom in pixels; (0, 0) is the top left one",
        )
    region = stack[:, top : bottom + 1, left : right + 1]
    good = region[np.isfinite(region)]
    if good.size == 0:
        raise InputError("the region has no valid pixel", where=str(path), fix="choose another region")
    return RegionReading(float(good.mean()), COUNTS if counts else "C", float(good.std()), good.size // len(frames))


def parse_frame_region(text: str, *, where: str) -> tuple[Path, tuple[int, int, int, int] | None]:
    """
    A frame's path and the rectangle written after it.

    Examples
    --------
    >>> path, box = parse_frame_region("ice.tiff@10,20,40,50", where="--ice")
    >>> path.name, box
    ('ice.tiff', (10, 20, 40, 50))
    """
    match = _FRAME_WITH_REGION.match(text.strip())
    if match is None or not text.strip():
        raise InputError(f'"{text}" names no frame', where=where, fix="write FILE or FILE@left,top,right,bottom")
    if match["box"] is None:
        return Path(match["path"]), None
    left, top, right, bottom = (int(number) for number in match["box"].split(","))
    return Path(match["path"]), (left, top, right, bottom)


def read_reference_points(
    path: Path,
    *,
    of: str | None = None,
    unit: str | None = None,
    emissivity: float = 1.0,
    reflected_c: float | None = None,
    band_um: Band = DEFAULT_BAND_UM,
) -> tuple[ReferencePoint, ...]:
    """
    The pairs of a CSV file.

    Parameters
    ----------
    path : Path
        Columns ``known_c`` and either ``value`` or ``frame`` (relative to the file; with ``left``, ``top``, ``right``,
        ``bottom`` for a region of it); ``emissivity`` and ``reflected_c`` of the reference where they differ. Comma,
        semicolon or tab; a decimal comma where the cells are not separated by commas.
    of : str, optional
        What the column ``value`` holds: ``C`` (the default) or ``counts``.
    unit : str, optional
        Of the frames.
    emissivity, reflected_c : float
        Of the references, where the file does not say.
    band_um : pair of float or SpectralResponse

    Returns
    -------
    tuple of ReferencePoint

    Raises
    ------
    InputError
        An unknown column, a cell that is no number, a frame that cannot be read; all at once.
    """
    text = read_text_file(path).text
    first = text.splitlines()[0]
    delimiter = max(";\t,", key=first.count)
    rows = list(csv.reader(io.StringIO(text), delimiter=delimiter))
    columns = [cell.strip().lower() for cell in rows[0]]
    faults = _column_faults(columns, path) + _option_faults(emissivity, reflected_c, columns, path)
    if faults:
        raise InputError.from_faults(faults)
    read = cache(lambda file, box: read_region(file, box=box, unit=unit))
    points = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        place = f"{path}, row {number}"
        try:
            cells = _cells(row, columns, place)
            numbers = _numbers(cells, place, decimal_comma=delimiter != ",")
            apparent_c = _apparent(numbers, emissivity, reflected_c, band_um, place)
            if "frame" in cells:
                reading = read(path.parent / cells["frame"], _box(numbers, place))
                points.append(ReferencePoint(apparent_c, reading.mean, reading.of, place))
            else:
                points.append(ReferencePoint(apparent_c, numbers["value"], of or "C", place))
        except InputError as error:
            faults += error.faults
    if not faults and not points:
        faults.append(Fault("no reference point", str(path), "write one a row below the headings"))
    if not faults and len({point.of for point in points}) > 1:
        faults.append(Fault("some values are counts and some temperatures", str(path), "calibrate them apart"))
    if faults:
        raise InputError.from_faults(faults)
    return tuple(points)


def _column_faults(columns: Sequence[str], path: Path) -> list[Fault]:
    faults = []
    for name in columns:
        if name not in COLUMNS:
            near = nearest_name(name, COLUMNS)
            fix = f"did you mean {near}?" if near else f"known: {', '.join(COLUMNS)}"
            faults.append(Fault(f"{shown(name)} is an unknown column", f"{path}, row 1", fix))
    if not faults and len(set(columns)) < len(columns):
        faults.append(Fault("a column stands twice", f"{path}, row 1", "keep one"))
    if not faults and ("known_c" not in columns or not {"value", "frame"} & set(columns)):
        faults.append(Fault("columns are missing", f"{path}, row 1", "known_c is needed, and value or frame"))
    return faults


def _option_faults(emissivity: float, reflected_c: float | None, columns: Sequence[str], path: Path) -> list[Fault]:
    """What is wrong with the values that hold for all rows, so that it is not told for each."""
    faults = []
    if not 0 < emissivity <= 1:
        faults.append(Fault(f"{emissivity:g} is not an emissivity", "--emissivity", "give one such as 0.96"))
    if reflected_c is not None and not np.isfinite(reflected_c):
        faults.append(Fault(f"{reflected_c:g} is not a temperature", "--reflected", "give the room's as a rule"))
    if emissivity < 1 and reflected_c is None and "reflected_c" not in columns:
        what = f"the references' emissivity is {emissivity:g}, but what they reflect is not given"
        faults.append(Fault(what, str(path), "add --reflected, the room's temperature as a rule"))
    return faults


def _cells(row: Sequence[str], columns: Sequence[str], place: str) -> dict[str, str]:
    if len(row) > len(columns):
        raise InputError(
            f"{len(row)} cells stand below {len(columns)} headings",
            where=place,
            fix="write a decimal point, or separate the cells by semicolons",
        )
    cells = {column: cell.strip() for column, cell in zip(columns, row, strict=False) if cell.strip()}
    if "frame" not in cells and "value" not in cells:
        raise InputError("neither value nor frame", where=place, fix="write one of them")
    return cells


def _numbers(cells: dict[str, str], place: str, *, decimal_comma: bool) -> dict[str, float]:
    numbers, faults = {}, []
    for column, text in cells.items():
        if column == "frame":
            continue
        number = parse_number(text, decimal_comma=decimal_comma)
        if number is None or not np.isfinite(number):
            faults.append(Fault(f"{shown(text)} is not a number", f"{place}, {column}", "write digits, such as 98.3"))
        else:
            numbers[column] = number
    if "known_c" not in cells:
        faults.append(Fault("it is missing", f"{place}, known_c", "write the reference's temperature"))
    if faults:
        raise InputError.from_faults(faults)
    return numbers


def _apparent(
    numbers: dict[str, float], emissivity: float, reflected_c: float | None, band_um: Band, place: str
) -> float:
    e = numbers.get("emissivity", emissivity)
    if not 0 < e <= 1:
        raise InputError(f"{e:g} is not an emissivity", where=f"{place}, emissivity", fix="write one such as 0.96")
    reflected = numbers.get("reflected_c", reflected_c)
    if e == 1:
        return numbers["known_c"]
    if reflected is None:
        raise InputError(
            f"the reference's emissivity is {e:g}, but what it reflects is not given",
            where=place,
            fix="add --reflected, the room's temperature as a rule",
        )
    found = apparent_temperature(numbers["known_c"], emissivity=e, reflected_c=reflected, band_um=band_um)
    if not np.isfinite(found):
        raise InputError(f"{numbers['known_c']:g} C is no temperature of a reference", where=place)
    return float(found)


def _box(numbers: dict[str, float], place: str) -> tuple[int, int, int, int] | None:
    given = [name for name in _REGION if name in numbers]
    if not given:
        return None
    if len(given) < len(_REGION) or any(numbers[name] != int(numbers[name]) for name in given):
        raise InputError("the region is incomplete", where=place, fix="write left, top, right, bottom in whole pixels")
    left, top, right, bottom = (int(numbers[name]) for name in _REGION)
    return left, top, right, bottom
