"""``thermscan inspect --no-layout``: the options of a look without a layout, and what is done with them."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from thermscan.cli.options import tell_backups
from thermscan.cli.progress import stage_progress
from thermscan.exit_status import OF_OVERALL
from thermscan.runs.run import Run

if TYPE_CHECKING:
    from thermscan.report.shown import Shown

_Command = TypeVar("_Command", bound=Callable[..., Any])

_SIZE = click.FloatRange(min=5.0, max=2000.0)
_OPTIONS = (
    click.option("--no-layout", is_flag=True, help="Find warm and cold bodies by itself: body-1, body-2 ..."),
    click.option("--width-mm", type=_SIZE, metavar="MM", help="With --no-layout: the board's width, for millimetres."),
    click.option(
        "--height-mm", type=_SIZE, metavar="MM",
        help="With --no-layout: the board's height (told from the picture where the view allows).",
    ),
    click.option("--surface", metavar="NAME", help="With --no-layout: surface of the regions (plastic)."),
    click.option("--write-layout", metavar="FILE", help="With --no-layout: write the regions as a first layout."),
)  # fmt: skip
# What only a layout gives sense to.
_NEED_A_LAYOUT = ("layout", "targets", "landmarks", "baseline_file", "explain", "show_registration")
_NEED_NO_LAYOUT = ("width_mm", "height_mm", "surface", "write_layout")
_NAMES = {"landmarks": "--landmark", "baseline_file": "--baseline"}


def no_layout_options(command: _Command) -> _Command:
    """The options of a look without a layout."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def taken_out(options: dict[str, Any]) -> dict[str, Any]:
    """The options of a look without a layout, taken out of a command's options."""
    return {name: options.pop(name) for name in (*_NEED_NO_LAYOUT, "no_layout")}


def check_together(mine: dict[str, Any], others: dict[str, Any]) -> None:
    """
    Refuse options that make no sense together.

    Parameters
    ----------
    mine : dict
        As `taken_out` gives them.
    others : dict
        The command's other options.

    Raises
    ------
    click.UsageError
    """
    no_layout = mine["no_layout"]
    wrong = [name for name in _NEED_A_LAYOUT if no_layout and others.get(name) not in (None, ())]
    wrong += [name for name in _NEED_NO_LAYOUT if not no_layout and mine[name] is not None]
    if wrong:
        option = _NAMES.get(wrong[0], f"--{wrong[0].replace('_', '-')}")
        raise click.UsageError(f"{option} {'cannot go with' if no_layout else 'needs'} --no-layout")
    if mine["width_mm"] is None and mine["height_mm"] is not None:
        raise click.UsageError("--height-mm needs --width-mm")
    if mine["width_mm"] is None and mine["write_layout"]:
        raise click.UsageError("--write-layout needs --width-mm: a layout is in millimetres, a picture in pixels")


def inspect_without(run: Run, options: dict[str, Any], *, shown: Shown, out: str | None, as_json: bool) -> int:
    """Find the regions, write what was asked for, and print the result."""
    from thermscan.errors import InputError
    from thermscan.layout.surfaces import surface_named
    from thermscan.layout.writing import write_board
    from thermscan.no_layout import inspect_without_layout
    from thermscan.regions.found_layout import BoardSize
    from thermscan.report.regions_results import regions_document, regions_lines
    from thermscan.report.results import results_text
    from thermscan.writing import check_place

    try:
        surface = surface_named(options["surface"] or "plastic")
    except InputError as error:
        raise InputError(error.faults[0].what, where="--surface", fix=error.faults[0].fix) from error
    size = BoardSize(options["width_mm"], options["height_mm"])
    layout_file = Path(options["write_layout"]) if options["write_layout"] else None
    with ExitStack() as kept:
        if layout_file:
            check_place(layout_file, run.files)
        if out:
            from thermscan.report.regions_report import write_regions_report
            from thermscan.report.report import reserved_report

            folder = kept.enter_context(reserved_report(Path(out), inputs=run.files))
        with stage_progress("looking") as progress:
            found = inspect_without_layout(run, surface=surface, size=size, progress=progress)
        if out:
            write_regions_report(found, folder, shown=shown)
    if layout_file and found.layout is not None:
        backups = write_board(found.layout, layout_file, inputs=run.files)
        click.echo(f"first layout written to {layout_file}", err=True)
        tell_backups(backups)
    if as_json:
        click.echo(results_text(regions_document(found)), nl=False)
        for remark in found.remarks:
            click.echo(f"remark: {remark}", err=True)
    else:
        for line in regions_lines(found):
            click.echo(line)
    if out:
        click.echo(f"report written to {out}", err=True)
    return OF_OVERALL[found.judgement.overall]
