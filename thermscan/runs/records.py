"""The tables of a run file, key by key."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from thermscan.layout.fields import (
    LARGEST_NUMBER,
    AboveZero,
    Emissivity,
    Label,
    Name,
    Note,
    NotNegative,
    Number,
    Pair,
    Record,
    Text,
    complaint,
    shown,
    shown_number,
)
from thermscan.runs.corners import corner_fault
from thermscan.scales import c_from_abs_k

# Nobody works at a bench outside this (the highest air temperature on record is 57 °C, from memory); a reading beyond
# it is in another unit.
LOWEST_AMBIENT_C, HIGHEST_AMBIENT_C = -40.0, 57.0
# Reflected: a clear sky or a cold wall at one end, an oven or a lamp at the other.
LOWEST_REFLECTED_C, HIGHEST_REFLECTED_C = -80.0, 300.0
FEWEST_LANDMARKS = 4

SUPPLY_EXAMPLE = '[{ rail = "+5 V", volts = 5.02, amps = 1.31 }]'
_CORNERS_EXAMPLE = "[[x, y], [x, y], [x, y], [x, y]]"
_LANDMARKS_EXAMPLE = '[{ ref = "U1", px = [x, y] }, …]'


def within(lowest: float, highest: float) -> BeforeValidator:
    """A number of degrees Celsius between two limits; what another unit would make of it is said."""

    def check(value: object) -> object:
        if isinstance(value, bool) or not isinstance(value, int | float) or lowest <= value <= highest:
            return value
        slip = _unit_slip(value) if abs(value) <= LARGEST_NUMBER else "write degrees Celsius, such as 22.5"
        raise complaint(f"{shown_number(value)} is not within {lowest:g} to {highest:g} degrees Celsius", slip)

    return BeforeValidator(check)


def _unit_slip(value: float) -> str:
    """What a temperature that cannot be degrees Celsius most likely is."""
    readings = {"kelvin": float(c_from_abs_k(value)), "degrees Fahrenheit": (value - 32.0) / 1.8}
    likely = [f"{value:g} {unit} is {celsius:.1f} C" for unit, celsius in readings.items() if 5.0 <= celsius <= 45.0]
    return f"write degrees Celsius: {' or '.join(likely)}" if likely else "write degrees Celsius, such as 22.5"


def _frames(value: object) -> object:
    if isinstance(value, str):
        return [value]
    if not isinstance(value, list | tuple):
        raise complaint(f"{shown(value)} is not a list of files", 'write frames = ["idle.tiff"]')
    if not value:
        raise complaint("the list is empty", 'write frames = ["idle.tiff"]')
    return [str(item) if hasattr(item, "__fspath__") else item for item in value]


def path_text(value: object) -> object:
    """A path as text; anything else as it is."""
    return str(value) if hasattr(value, "__fspath__") else value


def _taken(value: object) -> datetime:
    if isinstance(value, datetime):
        return value
    if isinstance(value, date):
        return datetime.combine(value, time())
    if isinstance(value, str):
        try:
            return datetime.fromisoformat(value.strip())
        except ValueError:
            pass
    raise complaint(f"{shown(value)} is not a date and time", "write it like 2026-05-02T14:30:00Z")


def list_of(what: str, example: str) -> BeforeValidator:
    """A list, or what to write instead."""

    def check(value: object) -> object:
        if not isinstance(value, list | tuple):
            raise complaint(f"{shown(value)} is not a list of {what}", f"write {example}")
        return list(value)

    return BeforeValidator(check)


def _size(value: object) -> object:
    if isinstance(value, list | tuple) and len(value) == 2 and all(isinstance(n, int) and n > 1 for n in value):
        return tuple(value)
    raise complaint(f"{shown(value)} is not a size in whole pixels", "write columns and rows, such as [32, 24]")


def _corners(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    if fault := corner_fault(points):
        raise complaint(fault.what, fault.fix)
    return points


def _landmarks(landmarks: list[LandmarkRecord]) -> list[LandmarkRecord]:
    refs = [landmark.ref for landmark in landmarks]
    twice = sorted({ref for ref in refs if refs.count(ref) > 1})
    if twice:
        raise complaint(f'ref "{twice[0][:40]}" is there twice', "mark each part once")
    if 0 < len(refs) < FEWEST_LANDMARKS:
        raise complaint(f"{len(refs)} landmarks where {FEWEST_LANDMARKS} or more are needed", "mark more parts")
    return landmarks


class SupplyRecord(Record):
    """One rail of the bench supply."""

    rail: Name
    volts: Number
    amps: Number


class LandmarkRecord(Record):
    """One part as seen in the frame."""

    ref: Name
    px: Pair


class RunRecord(Record):
    """A run file, or the options that stand for one."""

    layout: Annotated[Name, BeforeValidator(path_text)] | None = None
    frames: Annotated[list[Name], BeforeValidator(_frames)]
    off_frames: Annotated[list[Name], BeforeValidator(_frames)] = Field(default_factory=list)
    rate_hz: AboveZero | None = None
    times: Annotated[Name, BeforeValidator(path_text)] | None = None
    power_on_s: Number | None = None
    drive_period_s: AboveZero | None = None
    stage_log: Annotated[Name, BeforeValidator(path_text)] | None = None
    size_px: Annotated[tuple[int, int], BeforeValidator(_size)] | None = None
    unit: Annotated[Name, BeforeValidator(path_text)] | None = None
    ambient_c: Annotated[Number, within(LOWEST_AMBIENT_C, HIGHEST_AMBIENT_C)]
    reflected_c: Annotated[Number, within(LOWEST_REFLECTED_C, HIGHEST_REFLECTED_C)] | None = None
    stage: Label | None = None
    minutes_on: NotNegative | None = None
    board_serial: Label | None = None
    camera: Annotated[Name, BeforeValidator(path_text)] | None = None
    camera_emissivity: Emissivity | None = None
    operator: Text | None = None
    note: Note | None = None
    taken: Annotated[datetime, BeforeValidator(_taken)] | None = None
    supply: Annotated[list[SupplyRecord], list_of("rails", SUPPLY_EXAMPLE)] = Field(default_factory=list)
    corners_px: Annotated[list[Pair], list_of("four points", _CORNERS_EXAMPLE), AfterValidator(_corners)] | None = None
    targets: bool = False
    landmarks: Annotated[list[LandmarkRecord], list_of("landmarks", _LANDMARKS_EXAMPLE), AfterValidator(_landmarks)] = (
        Field(default_factory=list)
    )


NESTED_KEYS = {"supply": tuple(SupplyRecord.model_fields), "landmarks": tuple(LandmarkRecord.model_fields)}

HINTS = {
    "+frames": 'write frames = ["idle.tiff"], or name the files after the command',
    "+ambient_c": (
        "every rise is counted from the air temperature beside the board: "
        "write ambient_c = 22.4 with what a thermometer shows there, or give --ambient 22.4"
    ),
}
