"""Frames inspected without a run file: what `thermscan inspect FRAME --layout …` does."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from thermscan.inspection import Inspection, inspect_run
from thermscan.judge.baseline import Baseline
from thermscan.runs.reading import read_run


def inspect_frames(
    frames: Path | str | Sequence[Path | str],
    *,
    layout: Path | str,
    ambient_c: float,
    baseline: Baseline | None = None,
    bench: Path | bool = False,
    **keys: object,
) -> Inspection:
    """
    Which parts of a board run hotter or colder than they should, from frames and a layout.

    Parameters
    ----------
    frames : path or sequence of paths
        Files, folders or patterns.
    layout : path
    ambient_c : float
        Air at the bench.
    baseline : Baseline, optional
    bench : Path or bool
        As in `thermscan.read_run`; none unless asked for.
    **keys
        Any other key of the run file, such as ``unit="cK"`` or ``corners_px=[[x, y], …]``.

    Returns
    -------
    Inspection

    Raises
    ------
    InputError
        A file or a key is wrong.
    CannotJudge
        The board cannot be found in the frames.
    """
    listed = [frames] if isinstance(frames, Path | str) else list(frames)
    overrides = {
        "frames": [str(name) for name in listed],
        "layout": str(layout),
        "ambient_c": ambient_c,
        **keys,
    }
    return inspect_run(read_run(None, overrides=overrides, bench=bench), baseline=baseline)
