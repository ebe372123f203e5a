"""A bench file written: checked as it will be read, the one that was there kept beside it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from thermscan.errors import Fault, InputError
from thermscan.layout.fields import read_record
from thermscan.named_file import is_file
from thermscan.runs.bench import BenchRecord
from thermscan.runs.reading import COUNTS, UNITS
from thermscan.runs.records import NESTED_KEYS
from thermscan.writing import put_file

_HEAD = "# Habits of this bench: what a run or an option says wins.\n"


def write_bench(values: Mapping[str, Any], path: Path, *, where: Mapping[str, str] | None = None) -> Path | None:
    """
    Write a bench file.

    Parameters
    ----------
    values : mapping
        Keys of the file; None is left out. Camera files are relative to the bench file's folder.
    path : Path
    where : mapping, optional
        What the user calls each key, for messages.

    Returns
    -------
    Path or None
        The backup, if a file with other contents was there.

    Raises
    ------
    InputError
        A value that cannot be, no such unit, a camera file that is not there, or a place where it cannot be written.
    """
    kept = {key: value for key, value in values.items() if value not in (None, "", [], ())}
    faults: list[Fault] = []
    names = dict(where or {})

    def told(key: str) -> str:
        return names.get(key, f"{path}, {key}")

    read_record(BenchRecord, kept, where=told, faults=faults, nested={"supply": NESTED_KEYS["supply"]})
    camera = kept.get("camera")
    if isinstance(camera, str) and not is_file(path.absolute().parent / camera):
        faults.append(Fault(f'no file "{camera[:60]}"', told("camera"), "check the name and the folder"))
    unit = kept.get("unit")
    if isinstance(unit, str) and unit not in (*UNITS, COUNTS) and not is_file(path.absolute().parent / unit):
        wrong = f'"{unit[:60]}" is neither a unit nor a camera file'
        faults.append(Fault(wrong, told("unit"), f"write one of {' '.join(UNITS)}"))
    if faults:
        raise InputError.from_faults(faults)
    return put_file(path, bench_text(kept).encode("utf-8"), inputs=())


def bench_text(values: Mapping[str, Any]) -> str:
    """
    The TOML of a bench's habits.

    Examples
    --------
    >>> print(bench_text({"unit": "cK", "supply": [{"rail": "+5 V", "volts": 5.0, "amps": 1.2}]}).splitlines()[1:])
    ['unit = "cK"', 'supply = [{ rail = "+5 V", volts = 5.0, amps = 1.2 }]']
    """
    lines = [f"{key} = {_toml(values[key])}" for key in BenchRecord.model_fields if key in values]
    return _HEAD + "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, str):
        plain = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in plain) + '"'
    return repr(float(value)) if isinstance(value, int | float) else str(value)
