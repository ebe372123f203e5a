"""``thermscan warmup``: temperature against time, part by part."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from thermscan.cli.options import bench_of, run_from, run_options
from thermscan.errors import InputError
from thermscan.exit_status import OF_OVERALL


@click.command("warmup")
@click.argument("inputs", nargs=-1, required=True, metavar="RUN.toml | FRAME...")
@run_options
@click.option(
    "--baseline", "baseline_file", metavar="FILE", help="Known-good steady runs, as 'thermscan baseline' wrote them."
)
@click.option(
    "--baseline-run", metavar="RUN.toml", help="The recorded power-up of a good board: compared at equal times."
)
@click.option("--out", metavar="DIR", help="Write warmup.json and the figure there.")
@click.option("--json", "as_json", is_flag=True, help="Print warmup.json to standard output and nothing else.")
def command(
    inputs: tuple[str, ...],
    *,
    baseline_file: str | None,
    baseline_run: str | None,
    out: str | None,
    as_json: bool,
    **options: Any,
) -> int:
    """
    How does each part warm up after power-on, and where will it end?

    Give a run file whose frames are a recording (a stack, a folder, or a log of one frame a line) that says its times,
    or has rate_hz or times beside it; best from some seconds before power-on. Exit status: 0 nothing to act on, 1 a
    finding to act on, 2 bad input, 3 could not judge.

    Example: thermscan warmup power-up.toml --baseline-run good-power-up.toml --out report
    """
    from thermscan.dynamics.warmup_run import warm_up_run
    from thermscan.judge.baseline_file import read_baseline
    from thermscan.report.results import results_text
    from thermscan.report.time_report import WARM_UP_FILES, reserved_results, warm_up_lines, write_warm_up
    from thermscan.report.time_results import warm_up_document
    from thermscan.runs.reading import read_run

    if options.get("off_frames"):
        fix = "start the recording some seconds before power-on, which shows the same; 'thermscan locate' takes them"
        raise InputError("a warm-up is not compared with frames without power", where="--off-frames", fix=fix)
    run = run_from(inputs, options)
    good_run = read_run(Path(baseline_run), bench=bench_of(options)) if baseline_run else None
    with ExitStack() as kept:
        if out:
            read = (*run.files, Path(baseline_file) if baseline_file else None, *(good_run.files if good_run else ()))
            folder = kept.enter_context(reserved_results(Path(out), WARM_UP_FILES, inputs=read))
        baseline = read_baseline(Path(baseline_file)) if baseline_file else None
        warm_up = warm_up_run(run, baseline=baseline, good_run=good_run)
        if out:
            write_warm_up(warm_up, folder)
    if as_json:
        click.echo(results_text(warm_up_document(warm_up)), nl=False)
        for remark in warm_up.remarks:
            click.echo(f"remark: {remark}", err=True)
    else:
        for line in warm_up_lines(warm_up):
            click.echo(line)
    if out:
        click.echo(f"written to {out}", err=True)
    return OF_OVERALL[warm_up.overall]
