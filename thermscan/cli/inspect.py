"""``thermscan inspect``: the main job."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermscan.cli.inspect_many import inspect_many, not_for_several, several_wanted
from thermscan.cli.no_layout import check_together, inspect_without, no_layout_options, taken_out
from thermscan.cli.options import bench_of, run_from, run_options, shown_from, shown_options, tell_backups
from thermscan.cli.progress import stage_progress
from thermscan.exit_status import OF_OVERALL

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermscan.inspection import Inspection
    from thermscan.judge.baseline import Baseline
    from thermscan.runs.run import Run


@click.command("inspect")
@click.argument("inputs", nargs=-1, required=True, metavar="RUN.toml... | FRAME...")
@run_options
@click.option(
    "--baseline", "baseline_file", metavar="FILE", help="Known-good runs, as 'thermscan baseline' wrote them."
)
@click.option(
    "--before",
    "before_file",
    metavar="RUN",
    help="A look at the same board before its repair: what changed, and what did not.",
)
@click.option("--out", metavar="DIR", help="Write the report there: page, PDF, pictures, results.json, results.csv.")
@click.option("--json", "as_json", is_flag=True, help="Print results.json to standard output and nothing else.")
@click.option("--explain", metavar="REF", help="Print the whole chain for one part, from reading to verdict.")
@click.option(
    "--show-registration",
    metavar="FILE.png",
    help="Write one picture there: the layout drawn over the frame, to see in one look that it lies right.",
)
@click.option(
    "--write-heights",
    metavar="FILE.csv",
    help="Write there how high each part seems to stand: check it and copy it into the layout's height_mm.",
)
@shown_options
@click.option("--jobs", type=click.IntRange(0), metavar="N", help="Several runs: this many at once; 0 for one a core.")
@click.option("--cluster", metavar="ADDRESS", help="Several runs: on the Dask cluster with this scheduler.")
@no_layout_options
def command(
    inputs: tuple[str, ...],
    *,
    baseline_file: str | None,
    before_file: str | None,
    out: str | None,
    as_json: bool,
    explain: str | None,
    show_registration: str | None,
    write_heights: str | None,
    jobs: int | None,
    cluster: str | None,
    **options: Any,
) -> int:
    """
    Which part runs hotter or colder than it should, by how much, and how sure?

    Give one run file, or frames with --layout and --ambient. Without a layout, --no-layout finds warm bodies by
    itself. Several run files are inspected one by one (--jobs: side by side), and one bad run stops no other; --json
    then prints one line for each, and the exit status is the first of 2, 3, 1, 0 that came up. Exit status: 0 nothing
    to act on, 1 a finding to act on, 2 bad input, 3 could not judge.

    Example: thermscan inspect run.toml --baseline good.json --out report
    """
    from thermscan.inspection import inspect_run
    from thermscan.judge.baseline_file import read_baseline
    from thermscan.judge.explain import explain_part
    from thermscan.report.results import results_document, results_text
    from thermscan.report.summary import summary_lines
    from thermscan.runs.reading import read_run

    without = taken_out(options)
    show = {key: options.pop(key) for key in ("language", "units_shown")}
    others = {
        "baseline_file": baseline_file,
        "before_file": before_file,
        "explain": explain,
        "show_registration": show_registration,
        "write_heights": write_heights,
    }
    check_together(without, {**options, **others})
    if several_wanted(inputs, jobs, cluster):
        del others["baseline_file"]
        not_for_several({**others, **without})
        return inspect_many(
            inputs,
            options,
            baseline_file=baseline_file,
            out=out,
            shown=shown_from(show),
            as_json=as_json,
            jobs=jobs,
            cluster=cluster,
        )
    run = run_from(inputs, options)
    shown = shown_from(show, habit=run.units_shown)
    if without["no_layout"]:
        return inspect_without(run, without, shown=shown, out=out, as_json=as_json)
    with ExitStack() as kept:
        before_run = read_run(Path(before_file), bench=bench_of(options)) if before_file else None
        read = (
            *run.files,
            Path(baseline_file) if baseline_file else None,
            *([Path(before_file), *before_run.files] if before_file and before_run else []),
        )
        if out:
            from thermscan.report.report import reserved_report, write_report

            folder = kept.enter_context(reserved_report(Path(out), inputs=read))
        _check_side_files(show_registration, write_heights, read)
        baseline = read_baseline(Path(baseline_file)) if baseline_file else None
        _check_before(run, baseline=baseline, explain=explain)
        with stage_progress("inspecting") as progress:
            before = inspect_run(before_run, baseline=baseline, progress=progress) if before_run else None
            inspection = inspect_run(run, baseline=baseline, before=before, progress=progress)
        explained = explain_part(inspection, explain) if explain else None
        if out:
            write_report(inspection, folder, shown=shown)
        tell_backups(_write_side_files(inspection, show_registration, write_heights, read))
    if as_json:
        click.echo(results_text(results_document(inspection)), nl=False)
        for remark in inspection.remarks:
            click.echo(f"remark: {remark}", err=True)
    else:
        for line in explained or summary_lines(inspection):
            click.echo(line)
    if inspection.judgement.overall == "undecided":
        click.echo(_why_undecided(inspection), err=True)
    if out:
        click.echo(f"report written to {out}", err=True)
    return OF_OVERALL[inspection.judgement.overall]


def _why_undecided(inspection: Any) -> str:
    if not any(each.measurement.measurable for each in inspection.judgement.parts):
        return "could not judge: no part could be measured; each part's reason is in the result"
    return (
        "could not judge: nothing to compare any part with; give known-good runs (--baseline), or state groups, limits "
        "(max_c), watts or families in the layout"
    )


def _check_before(run: Run, *, baseline: Baseline | None, explain: str | None) -> None:
    """What can be told to be wrong before the work is done: a baseline of another layout, a part that is not there."""
    from thermscan.errors import InputError, nearest_name
    from thermscan.judge.baseline_rule import check_same_board
    from thermscan.layout.digest import layout_digest
    from thermscan.layout.reading import read_board

    if run.layout is None or (baseline is None and explain is None):
        return
    board = read_board(run.layout)
    if baseline is not None:
        check_same_board(baseline, board, digest=layout_digest(board))
    refs = [part.ref for part in board.parts]
    if explain is not None and explain not in refs:
        near = nearest_name(explain, refs)
        raise InputError(
            f'"{explain}" is not a part of this layout',
            where="--explain",
            fix=f"did you mean {near}?" if near else "take a ref from the layout",
        )


def _check_side_files(picture: str | None, heights: str | None, read: Sequence[Path | None]) -> None:
    """Say before the work is done that a file beside the report cannot be written."""
    if picture:
        from thermscan.report.report import check_picture

        check_picture(Path(picture), inputs=read)
    if heights:
        from thermscan.writing.places import check_place

        check_place(Path(heights), read)


def _write_side_files(
    inspection: Inspection, picture: str | None, heights: str | None, read: Sequence[Path | None]
) -> list[Path | None]:
    """The registration check and the heights, where they were asked for; what was kept of files there before."""
    backups: list[Path | None] = []
    if picture:
        from thermscan.report.report import write_registration_check

        backups.append(write_registration_check(inspection, Path(picture), inputs=read))
    if heights:
        from thermscan.report.tables import heights_csv
        from thermscan.writing.files import put_file

        backups.append(
            put_file(Path(heights), heights_csv(inspection).encode(), inputs=(*read, *inspection.board.files))
        )
    return backups
