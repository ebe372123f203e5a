"""The baseline as a file: one JSON document that explains itself."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from thermscan.errors import InputError
from thermscan.judge.baseline import Baseline, BaselineRun
from thermscan.named_file import refuse_irregular
from thermscan.visible import brief

SCHEMA = "thermscan.baseline/1"
# The raster is only drawn and subtracted: 0.01 K is well below a camera's noise.
RASTER_DECIMALS = 2
PART_DECIMALS = 4
# A file beyond this is not a baseline: 600 000 raster values of at most 8 characters, and the runs.
LARGEST_BYTES = 64_000_000
ABOUT = {
    "what": "rises above ambient of a board known to be good, run by run, for thermscan inspect --baseline",
    "rise_k": "kelvin above ambient, mean over the part's inner body, corrected for emissivity and reflection",
    "u_k": "standard uncertainty of that, without what all parts of one frame share",
    "rise_raster_k": "mean apparent kelvin above ambient over all runs, row by row from the board's top left; "
    "null where unseen",
    "layout_digest": "SHA-256 over the outline and the parts' geometry",
}


# A board's raster has cells between a hundredth of a millimetre and a centimetre.
FINEST_MM, COARSEST_MM = 0.01, 10.0
# Nothing on a bench is hotter than a lamp's filament, or colder than absolute zero; nor is any bench supply a megawatt.
MOST_RISE_K, COLDEST_C, HOTTEST_C, MOST_WATTS = 4000.0, -273.15, 3000.0, 1e6
LONGEST_PLACE = 80
LONGEST_MINUTES = 1e7  # twenty years

Rise = Annotated[float, Field(ge=-MOST_RISE_K, le=MOST_RISE_K)]
Doubt = Annotated[float, Field(ge=0, le=MOST_RISE_K)]


class _RunRecord(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)

    taken: str | None = None
    board_serial: str | None = None
    stage: str | None = None
    minutes_on: float | None = Field(default=None, ge=0, le=LONGEST_MINUTES)
    ambient_c: float = Field(ge=COLDEST_C, le=HOTTEST_C)
    supply_w: float | None = Field(default=None, ge=0, le=MOST_WATTS)
    frame_sha256: list[str]
    rise_k: dict[str, Rise]
    u_k: dict[str, Doubt]


class _BaselineRecord(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)

    schema_: str = Field(alias="schema")
    about: dict[str, str] = Field(default_factory=dict)
    board_name: str
    board_revision: str | None = None
    layout_digest: str
    mm_per_px: float = Field(ge=FINEST_MM, le=COARSEST_MM)
    runs: list[_RunRecord] = Field(min_length=1)
    remarks: list[str] = Field(default_factory=list)
    rise_raster_k: list[list[Rise | None]] = Field(min_length=1)


def baseline_text(baseline: Baseline) -> str:
    """
    The baseline as strict JSON.

    Examples
    --------
    >>> good = BaselineRun(None, None, None, 15.0, 22.0, None, (), {"U1": 8.0}, {"U1": 0.1})
    >>> text = baseline_text(Baseline("b", None, "0", (good,), np.array([[1.0, np.nan]]), 0.5))
    >>> json.loads(text)["rise_raster_k"]
    [[1.0, None]]
    """
    document = {
        "schema": SCHEMA,
        "about": ABOUT,
        "board_name": baseline.board_name,
        "board_revision": baseline.board_revision,
        "layout_digest": baseline.layout_digest,
        "mm_per_px": baseline.mm_per_px,
        "runs": [_run_document(run) for run in baseline.runs],
        "remarks": list(baseline.remarks),
    }
    head = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
    rows = ",\n  ".join(
        json.dumps([None if math.isnan(value) else value for value in row], allow_nan=False)
        for row in np.round(baseline.rise_raster_k, RASTER_DECIMALS).tolist()
    )
    return f'{head[:-2]},\n "rise_raster_k": [\n  {rows}\n ]\n}}\n'


def write_baseline(baseline: Baseline, path: Path, *, inputs: Iterable[Path | None] = ()) -> Path | None:
    """
    Write a baseline: a reader never sees half a file, and one that was there with other contents is kept.

    Parameters
    ----------
    baseline : Baseline
    path : Path
    inputs : iterable of Path
        Files that the command reads: none of them is replaced.

    Returns
    -------
    Path or None
        The backup of what was there, if anything was.

    Raises
    ------
    InputError
        The place cannot be written to.
    """
    from thermscan.writing import put_file  # noqa: PLC0415 - reading one writes nothing

    return put_file(path, baseline_text(baseline).encode("utf-8"), inputs=inputs)


def read_baseline(path: Path | str) -> Baseline:
    """
    Read a baseline; the file may come from anyone, so that all of it is checked.

    Raises
    ------
    InputError
        Missing, not a baseline, or damaged; one line.
    """
    path = Path(path)
    where = path.name
    learn = "learn it again with thermscan baseline"
    refuse_irregular(path, where=where)
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise InputError("too large for a baseline", where=where, fix=learn)
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror or error})", where=where, fix="check the name") from error
    except UnicodeDecodeError as error:
        raise InputError("it is not text in UTF-8", where=where, fix=learn) from error
    try:
        document: Any = json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise InputError(f"it is not JSON ({brief(str(error))})", where=where, fix=learn) from error
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise InputError(f'its schema is not "{SCHEMA}"', where=where, fix=learn)
    try:
        record = _BaselineRecord.model_validate(document)
    except ValidationError as error:
        first = error.errors()[0]
        place = brief(".".join(str(step) for step in first["loc"]), LONGEST_PLACE)
        raise InputError(f"{place}: {first['msg'].lower()}", where=where, fix=learn) from error
    width = len(record.rise_raster_k[0])
    if width == 0 or any(len(row) != width for row in record.rise_raster_k):
        raise InputError("rise_raster_k: its rows are not of one length", where=where, fix=learn)
    if not any(run.rise_k for run in record.runs):
        raise InputError("no run holds the rise of any part", where=where, fix=learn)
    for number, run in enumerate(record.runs, start=1):
        if set(run.rise_k) != set(run.u_k):
            raise InputError(f"run {number}: rise_k and u_k do not name the same parts", where=where, fix=learn)
    return Baseline(
        board_name=record.board_name,
        board_revision=record.board_revision,
        layout_digest=record.layout_digest,
        runs=tuple(_run_of(run) for run in record.runs),
        rise_raster_k=np.array(
            [[math.nan if value is None else value for value in row] for row in record.rise_raster_k]
        ),
        mm_per_px=record.mm_per_px,
        remarks=tuple(record.remarks),
    )


def _run_document(run: BaselineRun) -> dict[str, Any]:
    return {
        "taken": run.taken,
        "board_serial": run.board_serial,
        "stage": run.stage,
        "minutes_on": run.minutes_on,
        "ambient_c": run.ambient_c,
        "supply_w": run.supply_w,
        "frame_sha256": list(run.frame_sha256),
        "rise_k": {ref: round(value, PART_DECIMALS) for ref, value in run.rise_k.items()},
        "u_k": {ref: round(value, PART_DECIMALS) for ref, value in run.u_k.items()},
    }


def _run_of(record: _RunRecord) -> BaselineRun:
    return BaselineRun(
        taken=record.taken,
        board_serial=record.board_serial,
        stage=record.stage,
        minutes_on=record.minutes_on,
        ambient_c=record.ambient_c,
        supply_w=record.supply_w,
        frame_sha256=tuple(record.frame_sha256),
        rise_k=dict(record.rise_k),
        u_k=dict(record.u_k),
    )


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is not a number that JSON allows")
