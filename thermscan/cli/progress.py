"""Progress on standard error, and only where a person is watching."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

import click


@contextmanager
def stage_progress(
    label: str, *, runs: int = 1, stages: Sequence[str] | None = None
) -> Iterator[Callable[[str], None]]:
    """
    A callable that is told each stage; a progress bar on a terminal, nothing in a pipe.

    Parameters
    ----------
    label : str
        What is being done.
    runs : int
        How many times all stages will be gone through.
    stages : sequence of str
        Their names; those of an inspection unless given.
    """
    if not sys.stderr.isatty():
        yield lambda _stage: None
        return
    if not stages:
        from thermscan.inspection import STAGES

        stages = STAGES
    terminal = getattr(sys.stderr, "unfiltered", sys.stderr)  # a bar moves the cursor on purpose
    with click.progressbar(
        length=runs * len(stages), label=label, file=terminal, item_show_func=lambda stage: stage or ""
    ) as bar:
        yield lambda stage: bar.update(1, stage)
