"""``thermscan inspect`` with several runs: a line each, a table at the end, one exit status."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

import click

from thermscan.cli.options import RUN_SUFFIX, bench_of, overrides_of
from thermscan.cli.record_history import columns_of
from thermscan.errors import InputError

if TYPE_CHECKING:
    from thermscan.many_runs import Outcome, Work
    from thermscan.report.shown import Shown
    from thermscan.report.stages_page import StageLook
    from thermscan.writing import ReservedFolder

STAGES_FILE = "stages.html"


def several_wanted(inputs: Sequence[str], jobs: int | None, cluster: str | None) -> bool:
    """
    Whether the inputs are several runs, or are to be treated so.

    Examples
    --------
    >>> several_wanted(["a.toml", "b.toml"], None, None), several_wanted(["a.toml"], None, None)
    (True, False)
    >>> several_wanted(["s3://depot/a.toml"], None, None)
    True
    """
    from thermscan.runs.fetching import is_url

    runs = all(name.lower().endswith(RUN_SUFFIX) for name in inputs)
    return (runs and (len(inputs) > 1 or is_url(inputs[0]))) or bool(jobs or cluster)


def not_for_several(given: Mapping[str, Any]) -> None:
    """Refuse options that are about one run."""
    wrong = next((name for name, value in given.items() if value), None)
    if wrong:
        option = wrong if wrong.startswith("--") else f"--{wrong.removesuffix('_file').replace('_', '-')}"
        raise InputError("is for one run, and several are to be inspected", where=option, fix="give one run file")


def inspect_many(
    inputs: Sequence[str],
    options: dict[str, Any],
    *,
    baseline_file: str | None,
    out: str | None,
    shown: Shown,
    as_json: bool,
    jobs: int | None,
    cluster: str | None,
) -> int:
    """
    Inspect every run, print what became of each in the order given, and return the status that must not be missed.

    Raises
    ------
    InputError
        What is wrong for all of them: the baseline, the folder, the cluster.
    """
    from thermscan.exit_status import worst_status
    from thermscan.judge.baseline_file import read_baseline
    from thermscan.many_runs import inspect_here, inspect_on_cluster
    from thermscan.runs.fetching import is_url
    from thermscan.writing import reserved_folder

    frames = [name for name in inputs if not name.lower().endswith(RUN_SUFFIX)]
    if frames:
        raise InputError("is no run file", where=frames[0], fix="give run files (.toml) with --jobs or --cluster")
    if baseline_file:
        read_baseline(Path(baseline_file))  # told now, and not once for every run
    if jobs is not None and cluster:
        raise InputError("--jobs and --cluster are two ways to do the same", where="--jobs", fix="give one of them")
    works = _works(inputs, options, baseline=baseline_file, out=out, shown=shown)
    with ExitStack() as kept:
        folder = None
        if out:
            folder = kept.enter_context(
                reserved_folder(Path(out), inputs=[Path(name) for name in inputs if not is_url(name)])
            )
            folder.check([STAGES_FILE])
        done = inspect_on_cluster(works, cluster) if cluster else inspect_here(works, jobs=_processes(jobs))
        outcomes, looks = [], []
        for outcome in _in_order(_shown(done, works)):
            if as_json:
                click.echo(json.dumps(outcome.document(), ensure_ascii=True, allow_nan=False))
            if folder and outcome.result:
                looks.append(_stage_look(outcome, works))
            outcomes.append((outcome.run, outcome.exit_status, _in_short(outcome)))
            for line in outcome.faults:
                click.echo(line, err=True)
        if folder:
            _write_stages(folder, looks, shown)
    if not as_json:
        for line in columns_of(
            [("run", "exit", "what was found"), *((run, str(n), told) for run, n, told in outcomes)]
        ):
            click.echo(line)
    return worst_status([status for _, status, _ in outcomes])


def _stage_look(outcome: Outcome, works: Sequence[Work]) -> StageLook:
    """What is laid beside the other looks, with the way to the look's own report."""
    from thermscan.report.stages_page import stage_look

    assert outcome.result is not None
    own = next(work.out for work in works if work.run == outcome.run)
    link = f"{PurePath(own).name}/report.html" if own else None
    return stage_look(PurePath(outcome.run).name, link, outcome.result)


def _write_stages(folder: ReservedFolder, looks: Sequence[StageLook], shown: Shown) -> None:
    """One page of all looks, where they are a few looks at one board."""
    from thermscan.layout.reading import read_board
    from thermscan.report.stages_page import MOST_STAGES, stages_page

    layout = Path(looks[0].layout) if looks and looks[0].layout else None
    one_board = len({look.board for look in looks}) == 1 and layout is not None and layout.is_file()
    if not one_board or layout is None or not 2 <= len(looks) <= MOST_STAGES:
        return
    page = stages_page(looks, read_board(layout), shown)
    folder.put({STAGES_FILE: page.encode("utf-8")}, last=STAGES_FILE)
    click.echo(f"side by side: {folder.path / STAGES_FILE}", err=True)


def _processes(jobs: int | None) -> int:
    """How many at once; 0 means one a core."""
    if jobs is None:
        return 1
    return jobs or len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else jobs or os.cpu_count() or 1


def _works(
    inputs: Sequence[str], options: dict[str, Any], *, baseline: str | None, out: str | None, shown: Shown
) -> list[Work]:
    from thermscan.many_runs import Work

    overrides, bench = overrides_of(options), bench_of(options)
    habits = str(bench.absolute()) if isinstance(bench, Path) else bench
    works, taken = [], set[str]()
    for name in inputs:
        stem, number = PurePath(name).stem or "run", 1
        folder = stem
        while folder.casefold() in taken:
            number += 1
            folder = f"{stem}-{number}"
        taken.add(folder.casefold())
        works.append(Work(name, overrides, baseline, str(Path(out) / folder) if out else None, shown, habits))
    return works


def _in_order(done: Iterable[tuple[int, Outcome]]) -> Iterator[Outcome]:
    """Outcomes in the order of their numbers, each as soon as those before it are there."""
    early: dict[int, Outcome] = {}
    wanted = 0
    for number, outcome in done:
        early[number] = outcome
        while wanted in early:
            yield early.pop(wanted)
            wanted += 1


def _in_short(outcome: Outcome) -> str:
    if outcome.result is None:
        return outcome.faults[0] if outcome.faults else "no result"
    acts = dict.fromkeys(
        f"{each['ref'] or each['rule']} {each['direction']}"
        for each in outcome.result["findings"]
        if each["level"] == "act"
    )
    return f"{outcome.result['overall']}: {', '.join(acts)}" if acts else str(outcome.result["overall"])


def _shown(done: Iterable[tuple[int, Outcome]], works: Sequence[Work]) -> Iterator[tuple[int, Outcome]]:
    """The same outcomes, with a bar on a terminal that says which was done last and how long the rest will take."""
    with _bar(works) as bar:
        for number, outcome in done:
            if bar is not None:
                bar.update(1, works[number].run)
            yield number, outcome


@contextmanager
def _bar(works: Sequence[Work]) -> Iterator[Any]:
    if not sys.stderr.isatty():
        yield None
        return
    terminal = getattr(sys.stderr, "unfiltered", sys.stderr)
    with click.progressbar(
        length=len(works), label="inspecting", file=terminal, show_pos=True, item_show_func=lambda item: item or ""
    ) as bar:
        yield bar
