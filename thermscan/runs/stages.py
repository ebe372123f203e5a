"""The stages of a board's first power, as a watch logged them: supply readings, how long, and what was alarming."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from thermscan.errors import InputError
from thermscan.runs.run import StageSeen, Supply

STAGE_SCHEMA, FRAME_SCHEMA = "thermscan.watch-stage/1", "thermscan.watch/1"
# A line holds one frame's parts; a hundred parts take some ten thousand characters.
MOST_LINE, MOST_STAGES = 4_000_000, 1000


@dataclass(slots=True)
class _Open:
    """A stage that is being read."""

    stage: StageSeen
    first_s: float | None = None
    last_s: float | None = None
    frames: int = 0
    alarms: dict[tuple[str, str], str] = field(default_factory=dict)

    def closed(self) -> StageSeen:
        minutes = None if self.first_s is None or self.last_s is None else (self.last_s - self.first_s) / 60.0
        told = tuple((level, text) for (level, _), text in sorted(self.alarms.items()))
        return replace(self.stage, frames=self.frames, minutes=minutes, alarms=told)


def read_stage_log(path: Path) -> tuple[StageSeen, ...]:
    """
    The stages in a log of ``thermscan watch --log``.

    A last line that was not finished, as after a power cut, is left out.

    Raises
    ------
    InputError
        It cannot be read, or is no such log.
    """
    stages: list[_Open] = []
    for number, entry in _entries(path):
        schema = entry.get("schema")
        if schema == STAGE_SCHEMA:
            if len(stages) >= MOST_STAGES:
                raise InputError(f"more than {MOST_STAGES} stages", where=f"{path}, line {number}", fix="split the log")
            stages.append(_Open(_stage(entry, where=f"{path}, line {number}")))
        elif schema == FRAME_SCHEMA:
            if not stages:
                stages.append(_Open(StageSeen(None)))
            _add(stages[-1], entry)
        else:
            fix = "name the file that 'thermscan watch --log FILE' wrote"
            raise InputError("this is no line of a watch's log", where=f"{path}, line {number}", fix=fix)
    seen = tuple(each.closed() for each in stages)
    # A watch begins before a stage is named: where it saw nothing until then there is nothing to tell.
    return tuple(each for each in seen if each.frames or each.stage is not None or each.supply)


def _entries(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    try:
        with path.open(encoding="utf-8") as stream:
            number = 0
            while line := stream.readline(MOST_LINE):
                number += 1
                if not line.endswith("\n"):
                    return
                try:
                    entry = json.loads(line)
                except (ValueError, RecursionError):
                    entry = None
                yield number, entry if isinstance(entry, dict) else {}
    except (OSError, UnicodeDecodeError) as error:
        raise InputError("it cannot be read as text", where=str(path), fix="check the file") from error


def _stage(entry: dict[str, Any], *, where: str) -> StageSeen:
    try:
        supply = tuple(
            Supply(str(rail["rail"]), float(rail["volts"]), float(rail["amps"])) for rail in entry.get("supply") or ()
        )
    except (TypeError, KeyError, ValueError, OverflowError) as error:
        raise InputError("its supply readings cannot be read", where=where, fix="leave the log as it was") from error
    name, at, note = (entry.get(key) for key in ("stage", "at", "note"))
    return StageSeen(
        stage=str(name) if name else None, at=str(at) if at else None, note=str(note) if note else None, supply=supply
    )


def _add(stage: _Open, entry: dict[str, Any]) -> None:
    stage.frames += 1
    time_s = entry.get("time_s")
    if isinstance(time_s, int | float):
        stage.first_s = time_s if stage.first_s is None else min(stage.first_s, time_s)
        stage.last_s = time_s if stage.last_s is None else max(stage.last_s, time_s)
    for alarm in entry.get("alarms") or ():
        if isinstance(alarm, dict) and isinstance(alarm.get("text"), str):
            key = (str(alarm.get("level")), f"{alarm.get('ref')} {alarm.get('rule')}")
            stage.alarms[key] = alarm["text"]
