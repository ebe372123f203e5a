"""``thermscan locate``: where the heat enters."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from thermscan.cli.options import run_from, run_options
from thermscan.errors import InputError
from thermscan.exit_status import OF_OVERALL

# A microwatt would take years to find; a kilowatt is no leak.
LEAST_FIND_MW, MOST_FIND_MW = 1e-3, 1e6


@click.command("locate")
@click.argument("inputs", nargs=-1, required=True, metavar="RUN.toml | FRAME...")
@run_options
@click.option(
    "--find",
    "find_mw",
    type=float,
    metavar="MW",
    help="Say how long to record, so that this many milliwatts on bare board would be found.",
)
@click.option("--out", metavar="DIR", help="Write locate.json and the pictures of amplitude and phase there.")
@click.option("--json", "as_json", is_flag=True, help="Print locate.json to standard output and nothing else.")
def command(
    inputs: tuple[str, ...], *, find_mw: float | None, out: str | None, as_json: bool, **options: Any
) -> int:  # fmt: skip
    """
    Where does heat enter the board: where is the short?

    Switch a small supply on and off while recording (period 10 to 60 s, half on, half off, ten periods and more, camera
    on a stand), or name frames with the power off (--off-frames). A period that is not given is looked for.

    Feed the rail that is shorted from a bench supply limited in both: its voltage below what any junction on the board
    needs to conduct (0.3 V, and never above the rail's own), its current to what the thinnest track in its way bears
    (0.5 A to begin with; one or two amperes in a wide rail). Take out what must not be fed backwards, charge nothing,
    keep away from mains and high-voltage sections, and stop when a part gets hot to the touch or a track darkens.
    Milliwatts are enough.

    Exit status: 0 no source of heat found, 1 found, 2 bad input, 3 could not judge.

    Example: thermscan locate short.toml --period 20 --out report
    """
    from thermscan.dynamics.locate_run import locate_run
    from thermscan.report.results import results_text
    from thermscan.report.time_report import LOCATE_FILES, located_lines, reserved_results, write_located
    from thermscan.report.time_results import locate_document

    if find_mw is not None and not LEAST_FIND_MW <= find_mw <= MOST_FIND_MW:
        allowed = f"{LEAST_FIND_MW:g} to {MOST_FIND_MW:g}"
        raise InputError(f"{find_mw:g} mW is not within {allowed}", where="--find", fix="write milliwatts, such as 5")
    run = run_from(inputs, options)
    with ExitStack() as kept:
        if out:
            folder = kept.enter_context(reserved_results(Path(out), LOCATE_FILES, inputs=run.files))
        located = locate_run(run)
        if out:
            write_located(located, folder)
    if as_json:
        click.echo(results_text(locate_document(located)), nl=False)
        for remark in located.remarks:
            click.echo(f"remark: {remark}", err=True)
    else:
        for line in located_lines(located, wanted_w=None if find_mw is None else find_mw / 1000.0):
            click.echo(line)
    if out:
        click.echo(f"written to {out}", err=True)
    return OF_OVERALL[located.overall]
