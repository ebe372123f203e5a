"""A run from its file and from options, which win: everything that is wrong is said at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from thermscan.errors import Fault, InputError, nearest_name
from thermscan.frozen import dataclass
from thermscan.layout.fields import read_record
from thermscan.layout.text_file import parse_toml, read_text_file
from thermscan.named_file import exists, is_file, is_folder
from thermscan.runs.bench import bench_for
from thermscan.runs.matching import has_pattern, matching_files
from thermscan.runs.records import HINTS, NESTED_KEYS, RunRecord
from thermscan.runs.run import Landmark, Run, StageSeen, Supply, UsualUnit
from thermscan.runs.stages import read_stage_log
from thermscan.visible import brief

UNITS = ("cK", "dK", "K", "C", "F", "mK")
# The unit of frames that a camera file turns into temperatures.
COUNTS = "counts"
# An ambient above this is allowed, but a bench is seldom so hot: most likely it is in degrees Fahrenheit.
DOUBTFUL_AMBIENT_C = 50.0

# How files of frames are named, and a table of their times.
FRAME_SUFFIXES = frozenset({".tif", ".tiff", ".csv", ".txt", ".tsv"})
TIMES_NAME = "times.csv"

# Keys whose option is not simply the key with hyphens.
_OPTIONS = {
    "ambient_c": "--ambient",
    "reflected_c": "--reflected",
    "corners_px": "--corners",
    "landmarks": "--landmark",
    "frames": "FRAME",
    "power_on_s": "--power-on",
    "drive_period_s": "--period",
}


def option_name(key: str) -> str:
    """
    The command's option for a key of the run file.

    Examples
    --------
    >>> option_name("ambient_c"), option_name("minutes_on")
    ('--ambient', '--minutes-on')
    """
    return _OPTIONS.get(key, f"--{key.replace('_', '-')}")


def read_run(
    path: Path | str | None,
    *,
    overrides: Mapping[str, object] = MappingProxyType({}),
    bench: Path | bool = True,
    frames_needed: bool = True,
) -> Run:
    """
    A run from its file, from options, or from both.

    Parameters
    ----------
    path : Path or None
        Run file (TOML). None: the options tell everything.
    overrides : mapping
        Keys of the run file with Python values; None or an empty list means not given. They win over the file.
        Relative paths in them are relative to the current directory, those in the file to the file.
    bench : Path or bool
        File of the bench's habits, for what neither run nor overrides say; True: ``bench.toml`` in the run's folder
        (the current directory where there is no run file) or the nearest one above; False: none.
    frames_needed : bool
        False: the frames are yet to come, and those that the file names need not be there.

    Returns
    -------
    Run
        Paths are absolute, globs expanded, defaults filled in; reflected_c is ambient_c where not given.

    Raises
    ------
    InputError
        With every fault: unknown key, missing frame, no ambient, crossed corners …

    Examples
    --------
    >>> read_run(None, overrides={"frames": ["no-such.tiff"], "ambient_c": 22.0})
    Traceback (most recent call last):
    thermscan.errors.InputError: FRAME: no file "no-such.tiff"; check the name and the folder
    """
    path = Path(path) if path is not None else None
    from_file = parse_toml(read_text_file(path).text, path) if path else {}
    given = {key: value for key, value in overrides.items() if value is not None and value not in ((), [])}
    own: dict[str, Any] = {**_without_other_places(from_file, given), **given}
    habits = bench_for(path.parent if path else Path.cwd(), bench)
    lent = {} if habits is None else {key: value for key, value in habits.run_values.items() if key not in own}
    if "camera" in own:
        # A unit that is a camera file's belongs to the bench's own camera.
        lent = {key: value for key, value in lent.items() if key != "unit" or value in UNITS}
    elif own.get("unit") is not None and own["unit"] not in (*UNITS, COUNTS):
        lent.pop("camera", None)
    values: dict[str, Any] = {**lent, **own}

    def where(key: str) -> str:
        if key in given:
            return option_name(key)
        if habits is not None and key.partition("[")[0].partition(".")[0] in lent:
            return f"{habits.path}, {key}"
        if path:
            return f"{path}, {key}" if key else str(path)
        return option_name(key)

    if not frames_needed:
        values["frames"] = values.get("frames") or ["."]
    faults: list[Fault] = []
    record = read_record(RunRecord, values, where=where, faults=faults, hints=HINTS, nested=NESTED_KEYS)
    if record is not None and record.targets and (record.corners_px is not None or record.landmarks):
        also = "corners_px" if record.corners_px is not None else "landmarks"
        faults.append(Fault(f"targets and {also} both tell where the board is", where("targets"), "keep one of them"))
    if record is not None and record.times is not None and record.rate_hz is not None:
        faults.append(
            Fault("times and rate_hz both tell when the frames were taken", where("times"), "keep one of them")
        )
    files = _find_files(
        values,
        _Places(path, frozenset(given), where, faults, bench=habits.path if habits else None, lent=frozenset(lent)),
        frames_needed=frames_needed,
    )
    if record is None or faults:
        raise InputError.from_faults(faults)
    unit = UsualUnit(files.unit) if files.unit in UNITS and "unit" in lent else files.unit
    return Run(
        frames=files.frames, ambient_c=record.ambient_c,
        reflected_c=record.ambient_c if record.reflected_c is None else record.reflected_c,
        layout=files.layout, unit=unit, stage=record.stage or None, minutes_on=record.minutes_on,
        board_serial=record.board_serial or None, camera=files.camera, camera_emissivity=record.camera_emissivity,
        operator=record.operator or None, note=record.note or None, taken=record.taken,
        supply=tuple(Supply(rail.rail, rail.volts, rail.amps) for rail in record.supply),
        corners_px=tuple(record.corners_px) if record.corners_px is not None else None,
        landmarks=tuple(Landmark(landmark.ref, landmark.px) for landmark in record.landmarks),
        targets=record.targets, off_frames=files.off_frames, rate_hz=record.rate_hz, times=files.times,
        power_on_s=record.power_on_s, drive_period_s=record.drive_period_s, size_px=record.size_px,
        stage_log=files.stage_log, stages=files.stages,
        path=path.absolute() if path else None, bench=habits.path if habits else None,
        sources=dict.fromkeys(lent, habits.path) if habits else {},
        units_shown=habits.values.get("units_shown") if habits else None, remarks=_remarks(record),
    )  # fmt: skip


def _without_other_places(from_file: Mapping[str, Any], given: Mapping[str, object]) -> dict[str, Any]:
    """The file's keys, less those that tell where the board is where an option tells it in another way."""
    dropped: set[str] = set()
    if given.get("targets"):
        dropped = {"corners_px", "landmarks"}
    elif given.get("corners_px") or given.get("landmarks"):
        dropped = {"targets"}
    return {key: value for key, value in from_file.items() if key not in dropped}


@dataclass(frozen=True, slots=True)
class _Files:
    """The files that a run names, and its unit, which may be one of them."""

    frames: tuple[Path, ...]
    off_frames: tuple[Path, ...]
    times: Path | None
    layout: Path | None
    camera: Path | None
    unit: str | None
    stage_log: Path | None
    stages: tuple[StageSeen, ...]


class _Places:
    """Finds the files that a run names, and notes those that are missing."""

    def __init__(
        self,
        run_file: Path | None,
        given: frozenset[str],
        where: Callable[[str], str],
        faults: list[Fault],
        *,
        bench: Path | None,
        lent: frozenset[str],
    ) -> None:
        self._bench, self._lent = bench, lent
        self._run_file, self._given, self._where, self._faults = run_file, given, where, faults

    def fault(self, key: str, what: str, fix: str) -> None:
        """Note what is wrong with a key."""
        self._faults.append(Fault(what, self._where(key), fix))

    def path(self, key: str, name: str) -> Path:
        """The path that a name under a key means."""
        if self._bench is not None and key in self._lent:
            return self._bench.parent / name
        if self._run_file is None or key in self._given:
            return Path.cwd() / name
        return self._run_file.absolute().parent / name

    def file(self, key: str, name: str) -> Path | None:
        """A file that must exist."""
        path = self.path(key, name)
        if is_file(path):
            return path
        shown_name = f'"{brief(name)}"'
        if is_folder(path):
            self.fault(key, f"{shown_name} is a folder", "check the name and the folder")
        elif exists(path):
            self.fault(key, f"{shown_name} is not a regular file but a pipe or a device", "name a file")
        else:
            self.fault(key, f"no file {shown_name}", "check the name and the folder")
        return None

    def stages(self, log: Path) -> tuple[StageSeen, ...]:
        """What a watch's log tells."""
        try:
            return read_stage_log(log)
        except InputError as error:
            self._faults.extend(error.faults)
            return ()

    def frames(self, names: Iterable[str], *, key: str = "frames", times: Path | None = None) -> tuple[Path, ...]:
        """Files, globs and folders in the order given, in natural order; each file once, or averaging would cheat."""
        found: dict[Path, Path] = {}
        for name in names:
            place = self.path(key, name)
            if has_pattern(name) and not is_file(place):
                paths = self._matching(key, name, place)
            elif is_folder(place):
                paths = frame_files(place)
                if not paths:
                    self.fault(
                        key, f'"{brief(name)}" is a folder without frames', "name a folder of TIFF or CSV frames"
                    )
            else:
                paths = [path] if (path := self.file(key, name)) else []
            for path in paths:
                found.setdefault(path.resolve(), path)
        if times is not None:
            found.pop(times.resolve(), None)
        return tuple(found.values())

    def _matching(self, key: str, name: str, place: Path) -> list[Path]:
        try:
            paths = sorted(matching_files(place), key=lambda path: natural_key(str(path)))
        except InputError as error:
            self.fault(key, f'"{brief(name)}": {error.faults[0].what}', error.faults[0].fix or "")
            return []
        if len(paths) > 1:
            paths = [path for path in paths if path.name.lower() != TIMES_NAME]
        if not paths:
            self.fault(key, f'no file matches "{brief(name)}"', "check the name and the folder")
        return paths


def _find_files(values: Mapping[str, Any], places: _Places, *, frames_needed: bool) -> _Files:
    """The files of a run, looked for even where other keys are faulty, so that one look tells all that is wrong."""

    def text(key: str) -> str | None:
        value = values.get(key)
        return str(value) if isinstance(value, str | Path) and str(value) else None

    def names(key: str) -> list[str]:
        value = values.get(key)
        listed = value if isinstance(value, list | tuple) else [value]
        return [str(name) for name in listed if isinstance(name, str | Path) and str(name)]

    camera_name, unit = text("camera"), text("unit")
    camera = places.file("camera", camera_name) if camera_name else None
    if unit == COUNTS and camera_name is None:
        places.fault("unit", "counts need a camera file that turns them into temperatures", "add camera")
    elif unit is not None and unit not in UNITS and unit != COUNTS:
        unit_file = places.path("unit", unit)
        if not is_file(unit_file):
            near = nearest_name(unit, UNITS)
            fix = f"did you mean {near}?" if near else f"write one of {' '.join(UNITS)}, or the name of a camera file"
            places.fault("unit", f'"{unit[:60]}" is neither a unit nor a camera file', fix)
        elif camera is not None and camera.resolve() != unit_file.resolve():
            places.fault("unit", "unit names one camera file and camera another", "keep one of them")
        camera, unit = unit_file, COUNTS
    layout_name = text("layout")
    times_name = text("times")
    times = places.file("times", times_name) if times_name else None
    log_name = text("stage_log")
    log = places.file("stage_log", log_name) if log_name else None
    return _Files(
        frames=places.frames(names("frames"), times=times) if frames_needed else (),
        off_frames=places.frames(names("off_frames"), key="off_frames"),
        times=times,
        layout=places.file("layout", layout_name) if layout_name else None,
        camera=camera,
        unit=unit,
        stage_log=log,
        stages=places.stages(log) if log else (),
    )


def _remarks(record: RunRecord) -> tuple[str, ...]:
    if record.ambient_c <= DOUBTFUL_AMBIENT_C:
        return ()
    shown = f"{record.ambient_c:g}"
    celsius = (record.ambient_c - 32.0) / 1.8
    return (f"ambient_c is {shown}, hot for a bench; {shown} degrees Fahrenheit would be {celsius:.1f}",)


def natural_key(name: str) -> list[tuple[int, int, str]]:
    """
    Sorts numbers in names by their value.

    Examples
    --------
    >>> sorted(["f10.tiff", "f9.tiff"], key=natural_key)
    ['f9.tiff', 'f10.tiff']
    """
    pieces = re.findall(r"[0-9]+|[^0-9]+", name)
    return [(0, int(piece), "") if piece[0].isdigit() else (1, 0, piece.casefold()) for piece in pieces]


def frame_files(folder: Path) -> list[Path]:
    """The files of a folder that are named as frames, in natural order; a table of times is none of them."""
    inside = (path for path in folder.iterdir() if path.suffix.lower() in FRAME_SUFFIXES and is_file(path))
    return sorted((path for path in inside if path.name.lower() != TIMES_NAME), key=lambda path: natural_key(path.name))
