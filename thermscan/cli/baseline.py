"""``thermscan baseline``: learn what good looks like, show it, forget a run of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from thermscan.cli.options import run_from, run_options, tell_backups
from thermscan.cli.progress import stage_progress

LEARN = "learn"


class LearnUnlessNamed(click.Group):
    """A group whose first command is meant wherever none is named: ``baseline RUN.toml... --out FILE``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put the default command in front of what it is to read."""
        if not args or (args[0] not in self.commands and args[0] not in ctx.help_option_names):
            args = [LEARN, *args]
        return super().parse_args(ctx, args)

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The ways to call it."""
        formatter.write_usage(ctx.command_path, "[learn] RUN.toml... --out FILE [OPTIONS]")
        formatter.write_usage(ctx.command_path, "show FILE [--json]", prefix="       ")
        formatter.write_usage(ctx.command_path, "forget FILE NUMBER [--out FILE]", prefix="       ")

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The options for learning, then the commands."""
        self.commands[LEARN].format_options(ctx, formatter)
        self.format_commands(ctx, formatter)


@click.group("baseline", cls=LearnUnlessNamed, no_args_is_help=False)
def command() -> None:
    """
    What does a good board of this type look like?

    Learns from one or more runs of boards known to be good, all of one layout; shows what a baseline
    holds; forgets a run that was not so good after all.

    Example: thermscan baseline good-1.toml good-2.toml good-3.toml --out good.json
    """


@command.command(LEARN, short_help="Learn from known-good runs (this is meant where no command is named).")
@click.argument("runs", nargs=-1, required=True, metavar="RUN.toml...")
@run_options
@click.option("--out", required=True, metavar="FILE", help="Where to write the baseline.")
@click.option("--extend", is_flag=True, help="Add the runs to the baseline in that file instead of replacing it.")
@click.option("--json", "as_json", is_flag=True, help="Print the baseline to standard output as well.")
def learn(runs: tuple[str, ...], out: str, extend: bool, as_json: bool, **options: Any) -> int:
    """
    What does a good board of this type look like?

    Learns from one or more runs of boards known to be good, all of one layout. Runs that carry a
    finding to act on by the other rules are taken too, but said.

    Example: thermscan baseline good-1.toml good-2.toml good-3.toml --out good.json
    """
    from thermscan.inspection import inspect_run
    from thermscan.judge.baseline_file import baseline_text, read_baseline, write_baseline
    from thermscan.judge.learning import extend_baseline, learn_baseline
    from thermscan.writing import check_place

    target = Path(out)
    looks = [run_from([name], dict(options)) for name in runs]
    read = [path for run in looks for path in run.files]
    check_place(target, read)
    known = read_baseline(target) if target.exists() else None  # refuses what is not a baseline
    inspections = []
    with stage_progress("learning", runs=len(runs)) as progress:
        for run in looks:
            inspections.append(inspect_run(run, progress=progress))
    baseline = extend_baseline(known, inspections) if known and extend else learn_baseline(inspections)
    backup = write_baseline(baseline, target, inputs=(*read, *inspections[0].board.files))
    tell_backups([backup])
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


@command.command("show", short_help="What does this baseline hold? Board, runs, each part's rise and spread.")
@click.argument("file", metavar="FILE")
@click.option("--json", "as_json", is_flag=True, help="Print it as JSON and nothing else.")
def show(file: str, as_json: bool) -> int:
    """
    What does this baseline hold?

    The board, its known-good runs with what was stated of them, and each part's usual rise with by how
    much the runs differ.

    Example: thermscan baseline show good.json
    """
    from thermscan.judge.baseline_file import read_baseline
    from thermscan.judge.baseline_view import summary_document, summary_lines

    baseline = read_baseline(Path(file))
    if as_json:
        click.echo(json.dumps(summary_document(baseline), ensure_ascii=False, allow_nan=False, indent=2))
    else:
        for line in summary_lines(baseline):
            click.echo(line)
    return 0


@command.command("forget", short_help="Leave one run out of a baseline, by its number in 'show'.")
@click.argument("file", metavar="FILE")
@click.argument("number", type=int, metavar="NUMBER")
@click.option("--out", metavar="FILE", help="Write the result there and leave the first file as it is.")
def forget(file: str, number: int, out: str | None) -> int:
    """
    What is left of a baseline without one of its runs?

    The run is named by its number in 'thermscan baseline show'. The last one cannot be forgotten.

    Example: thermscan baseline forget good.json 2
    """
    from thermscan.judge.baseline_file import read_baseline, write_baseline
    from thermscan.judge.learning import forget_run

    baseline = forget_run(read_baseline(Path(file)), number)
    # Without --out the user means the file itself; what it was is kept beside it.
    tell_backups([write_baseline(baseline, Path(out or file), inputs=[Path(file)] if out else [])])
    for remark in baseline.remarks:
        click.echo(f"remark: {remark}", err=True)
    click.echo(f"run {number} forgotten; {len(baseline.runs)} run(s) left in {out or file}", err=True)
    return 0
