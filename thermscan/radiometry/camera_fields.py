"""What a camera file may hold, key by key, and how its values are written."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BeforeValidator

from thermscan.layout.fields import AboveZero, Emissivity, Name, Note, NotNegative, Number, Record, complaint, shown

# What inexpensive cameras claim: within 2 K, or 2 % of the reading in Celsius where that is more.
# Common practice in data sheets of uncooled cameras.
DEFAULT_ACCURACY_K, DEFAULT_ACCURACY_PERCENT = 2.0, 2.0
# A lens that is sharp to about a pixel: from memory; `thermscan.regions.blur.estimate_blur` measures it.
DEFAULT_BLUR_PX = 0.6
# Beyond these wavelengths no bench radiates enough to be seen, or no camera looks.
_BAND_LIMITS_UM = (0.5, 100.0)
# No number of a camera file is larger; TOML would allow whole numbers that no float can hold.
_LARGEST = 1e30
# No part can be told from its neighbour with a lens as soft as this; the work grows with the square of the width.
_WIDEST_BLUR_PX = 50.0
# From 8 pixels behind a fisheye to the largest detector behind a telescope; real lenses' coefficients are below 10.
_SHORTEST_FOCAL_PX, _LONGEST_FOCAL_PX, _STRONGEST_BEND = 1.0, 1e6, 1e3


def _pixels(value: object) -> tuple[int, ...]:
    items = tuple(value) if isinstance(value, list | tuple) else ()
    if len(items) != 2 or not all(isinstance(v, int) and not isinstance(v, bool) and v > 0 for v in items):
        raise complaint(f"{shown(value)} is not a size", "write [columns, rows], such as [256, 192]")
    return items


def _numbers(value: object, length: int | None, example: str) -> tuple[float, ...]:
    items = tuple(value) if isinstance(value, list | tuple) else ()
    good = all(isinstance(v, int | float) and not isinstance(v, bool) and abs(v) <= _LARGEST for v in items)
    if not items or not good or (length is not None and len(items) != length):
        raise complaint(f"{shown(value)} is not a list of {length or 'finite'} numbers", f"write {example}")
    return tuple(float(v) for v in items)


def _fov(value: object) -> tuple[float, ...]:
    pair = _numbers(value, 2, "[horizontal, vertical] in degrees, such as [56, 42]")
    if not all(0 < angle < 180 for angle in pair):
        raise complaint(f"{shown(value)} is not a field of view", "give degrees between 0 and 180, such as [56, 42]")
    return pair


def _band(value: object) -> tuple[float, ...]:
    pair = _numbers(value, 2, "the shorter and the longer wavelength in micrometres, such as [8, 14]")
    if not pair[0] < pair[1]:
        raise complaint(f"{shown(value)} is not a band", "write the shorter wavelength first, such as [8, 14]")
    if not (_BAND_LIMITS_UM[0] <= pair[0] and pair[1] <= _BAND_LIMITS_UM[1]):
        raise complaint(f"{shown(value)} is no band of a thermal camera", "write micrometres, such as [8, 14]")
    return pair


def _table(value: object) -> tuple[tuple[float, ...], ...]:
    if not isinstance(value, list | tuple) or not value:
        raise complaint(f"{shown(value)} is not a table", "write a list of rows, such as [[7.5, 0.0], [8.0, 1.0]]")
    rows = tuple(_numbers(row, None, "rows of numbers, such as [[7.5, 0.0], [8.0, 1.0]]") for row in value)
    if len({len(row) for row in rows}) > 1:
        raise complaint("its rows have unlike lengths", "give each row as many numbers")
    return rows


def _pairs(value: object) -> tuple[tuple[float, ...], ...]:
    rows = _table(value)
    if any(len(row) != 2 for row in rows):
        raise complaint("a row has not two numbers", "write [wavelength in um, response] rows")
    return rows


def _range(value: object) -> tuple[float, ...]:
    return _numbers(value, 2, "[lowest, highest] reference temperature in degrees Celsius, such as [0, 100]")


def _parameters(value: object) -> tuple[float, ...]:
    return _numbers(value, None, "a list of numbers, such as [-1.2]")


def _blur(blur_px: float) -> float:
    if blur_px > _WIDEST_BLUR_PX:
        what = f"{blur_px:g} is above {_WIDEST_BLUR_PX:g} pixels"
        raise complaint(what, "write the width of the point spread, such as 0.6")
    return blur_px


def _focal(length_px: float) -> float:
    if not _SHORTEST_FOCAL_PX <= length_px <= _LONGEST_FOCAL_PX:
        what = f"{length_px:g} is not within {_SHORTEST_FOCAL_PX:g} to {_LONGEST_FOCAL_PX:g} pixels"
        raise complaint(what, "write the focal length in pixels, as 'thermscan camera lens' finds it")
    return length_px


def _centre(place_px: float) -> float:
    if abs(place_px) > _LONGEST_FOCAL_PX:
        raise complaint(f"{place_px:g} is no place near a frame", "write the picture's centre in pixels")
    return place_px


def _bend(coefficient: float) -> float:
    if abs(coefficient) > _STRONGEST_BEND:
        raise complaint(f"{coefficient:g} is beyond any lens", "write what 'thermscan camera lens' finds")
    return coefficient


class CameraRecord(Record):
    """The keys of a camera file outside its tables."""

    name: Name
    pixels: Annotated[tuple[int, int], BeforeValidator(_pixels)] | None = None
    fov_deg: Annotated[tuple[float, float], BeforeValidator(_fov)] | None = None
    band_um: Annotated[tuple[float, float], BeforeValidator(_band)] | None = None
    response: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_pairs)] | None = None
    accuracy_k: NotNegative = DEFAULT_ACCURACY_K
    accuracy_percent: NotNegative = DEFAULT_ACCURACY_PERCENT
    netd_k: AboveZero | None = None
    shading_k: NotNegative | None = None
    blur_px: Annotated[NotNegative, AfterValidator(_blur)] | None = None
    emissivity: Emissivity | None = None
    reflected_c: Number | None = None
    note: Note | None = None
    # Only so that an unknown key is told that these are known; they are read on their own.
    lens: None = None
    calibration: None = None
    shading: None = None


class LensRecord(Record):
    """The keys of [lens]."""

    fx_px: Annotated[AboveZero, AfterValidator(_focal)]
    fy_px: Annotated[AboveZero, AfterValidator(_focal)]
    cx_px: Annotated[Number, AfterValidator(_centre)]
    cy_px: Annotated[Number, AfterValidator(_centre)]
    k1: Annotated[Number, AfterValidator(_bend)] = 0.0
    k2: Annotated[Number, AfterValidator(_bend)] = 0.0
    p1: Annotated[Number, AfterValidator(_bend)] = 0.0
    p2: Annotated[Number, AfterValidator(_bend)] = 0.0
    k3: Annotated[Number, AfterValidator(_bend)] = 0.0


class ShadingRecord(Record):
    """The keys of [shading]."""

    pixels: Annotated[tuple[int, int], BeforeValidator(_pixels)]
    at_c: Number
    left_k: NotNegative
    coefficients: Annotated[tuple[float, ...], BeforeValidator(_parameters)]
    rows_k: Annotated[tuple[float, ...], BeforeValidator(_parameters)]
    columns_k: Annotated[tuple[float, ...], BeforeValidator(_parameters)]


class CalibrationRecord(Record):
    """The keys of [calibration]."""

    model: Name
    parameters: Annotated[tuple[float, ...], BeforeValidator(_parameters)]
    of: Name = "C"
    covariance: Annotated[tuple[tuple[float, ...], ...], BeforeValidator(_table)] | None = None
    range_c: Annotated[tuple[float, float], BeforeValidator(_range)] | None = None


def toml_value(value: object) -> str:
    """
    A value as TOML writes it.

    Examples
    --------
    >>> toml_value((1.5, "a"))
    '[1.5, "a"]'
    """
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, tuple | list):
        return f"[{', '.join(toml_value(item) for item in value)}]"
    return repr(value)
