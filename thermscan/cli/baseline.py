"""``thermscan baseline``: learn what good looks like."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from thermscan.cli.options import run_from, run_options
from thermscan.cli.progress import stage_progress


@click.command("baseline")
@click.argument("runs", nargs=-1, required=True, metavar="RUN.toml...")
@run_options
@click.option("--out", required=True, metavar="FILE", help="Where to write the baseline.")
@click.option("--extend", is_flag=True, help="Add the runs to the baseline in that file instead of replacing it.")
@click.option("--json", "as_json", is_flag=True, help="Print the baseline to standard output as well.")
def command(runs: tuple[str, ...], out: str, extend: bool, as_json: bool, **options: Any) -> int:
    """
    What does a good board of this type look like?

    Learns from one or more runs of boards known to be good, all of one layout. Runs that carry a
    finding to act on by the other rules are taken too, but said.

    Example: thermscan baseline good-1.toml good-2.toml good-3.toml --out good.json
    """
    from thermscan.inspection import inspect_run
    from thermscan.judge.baseline_file import baseline_text, read_baseline, write_baseline
    from thermscan.judge.learning import extend_baseline, learn_baseline

    target = Path(out)
    known = read_baseline(target) if target.exists() else None  # refuses what is not a baseline
    inspections = []
    with stage_progress("learning", runs=len(runs)) as progress:
        for name in runs:
            inspections.append(inspect_run(run_from([name], dict(options)), progress=progress))
    baseline = extend_baseline(known, inspections) if known and extend else learn_baseline(inspections)
    write_baseline(baseline, target)
    if as_json:
        click.echo(baseline_text(baseline))
    for name, inspection in zip(runs, inspections, strict=True):
        acts = [finding.ref or finding.rule for finding in inspection.judgement.findings if finding.level == "act"]
        if acts:
            click.echo(f"{name}: taken as good, although there is something to act on: {', '.join(acts)}", err=True)
    for remark in baseline.remarks:
        click.echo(f"remark: {remark}", err=True)
    click.echo(f"{len(baseline.runs)} run(s) of {baseline.board_name} written to {out}", err=True)
    return 0
