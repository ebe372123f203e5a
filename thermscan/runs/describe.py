"""A run as results.json tells it: as given, with defaults filled in."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from thermscan.runs.run import Run, Supply


def run_document(run: Run) -> dict[str, object]:
    """
    A run in values that strict JSON knows, under the keys of the run file.

    Parameters
    ----------
    run : Run

    Returns
    -------
    dict
        Every key of the run file; None where nothing was given. Paths are relative to the run file's folder (or to
        the current directory, where there is no run file) as long as they lie within it, else absolute.

    Examples
    --------
    >>> run = Run(frames=(Path("/job/a.tiff"),), ambient_c=22.0, reflected_c=22.0, path=Path("/job/run.toml"))
    >>> run_document(run)["frames"], run_document(run)["ambient_c"]
    (['a.tiff'], 22.0)
    """
    base = run.path.parent if run.path else Path.cwd()

    def text(path: Path | None) -> str | None:
        return None if path is None else _relative(path, base)

    return {
        "path": str(run.path) if run.path else None,
        "layout": text(run.layout),
        "frames": [_relative(path, base) for path in run.frames],
        "unit": run.unit,
        "ambient_c": run.ambient_c,
        "reflected_c": run.reflected_c,
        "stage": run.stage,
        "minutes_on": run.minutes_on,
        "board_serial": run.board_serial,
        "camera": text(run.camera),
        "camera_emissivity": 1.0 if run.camera_emissivity is None else run.camera_emissivity,
        "operator": run.operator,
        "note": run.note,
        "taken": run.taken.isoformat() if run.taken else None,
        "supply": _rails(run.supply),
        "corners_px": [list(point) for point in run.corners_px] if run.corners_px is not None else None,
        "targets": run.targets,
        "off_frames": [_relative(path, base) for path in run.off_frames],
        "rate_hz": run.rate_hz,
        "times": text(run.times),
        "power_on_s": run.power_on_s,
        "drive_period_s": run.drive_period_s,
        "size_px": list(run.size_px) if run.size_px is not None else None,
        "stage_log": text(run.stage_log),
        "stages": [
            {
                "stage": each.stage,
                "at": each.at,
                "supply": _rails(each.supply),
                "note": each.note,
                "frames": each.frames,
                "minutes": each.minutes,
                "alarms": [{"level": level, "text": told} for level, told in each.alarms],
            }
            for each in run.stages
        ],
        "sources": {key: os.path.relpath(path, base) for key, path in run.sources.items()},
        "landmarks": [{"ref": landmark.ref, "px": list(landmark.px)} for landmark in run.landmarks],
    }


def _rails(supply: Sequence[Supply]) -> list[dict[str, object]]:
    return [{"rail": rail.rail, "volts": rail.volts, "amps": rail.amps} for rail in supply]


def _relative(path: Path, base: Path) -> str:
    whole = Path(os.path.normpath(base / path))
    try:
        return whole.relative_to(Path(os.path.normpath(base.absolute()))).as_posix()
    except ValueError:
        return whole.as_posix()
