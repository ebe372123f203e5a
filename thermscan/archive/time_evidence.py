"""What a recording tells, kept in a record beside its inspection: warm-up curves and where the heat enters."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from thermscan.archive.portable import portable_run, portable_texts
from thermscan.dynamics.locate_run import locate_run
from thermscan.dynamics.warmup_run import warm_up_run
from thermscan.judge.baseline import Baseline
from thermscan.report.time_report import locate_contents, warm_up_contents
from thermscan.report.time_results import locate_document, warm_up_document
from thermscan.runs.run import Run

# What may be kept, and the file of its results in a record's ``report/``.
KINDS: Mapping[str, str] = {"warmup": "warmup.json", "locate": "locate.json"}


def time_contents(kind: str, run: Run, root: Path, *, baseline: Baseline | None) -> dict[str, bytes]:
    """
    The files of one of ``KINDS``, by name; paths in them are those in the record.

    Raises
    ------
    InputError, CannotJudge
        The run is no such recording.
    """
    if kind == "warmup":
        warm_up = warm_up_run(run, baseline=baseline)
        return warm_up_contents(
            replace(warm_up, run=portable_run(warm_up.run, root), remarks=portable_texts(warm_up.remarks, root))
        )
    located = locate_run(run)
    return locate_contents(
        replace(located, run=portable_run(located.run, root), remarks=portable_texts(located.remarks, root))
    )


def time_document(kind: str, run: Run, *, baseline: Baseline | None) -> dict[str, Any]:
    """The results document of one of ``KINDS``, derived again."""
    if kind == "warmup":
        return warm_up_document(warm_up_run(run, baseline=baseline))
    return locate_document(locate_run(run))
