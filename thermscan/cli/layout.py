"""Is this layout sound? Draw it, import it."""

from __future__ import annotations

import json
from pathlib import Path

import click

EXIT_BAD_INPUT = 2


@click.group()
def command() -> None:
    """
    Is this layout sound? Draw it, import it.

    Example: thermscan layout check board.toml
    """


@command.command()
@click.argument("files", nargs=-1, required=True, metavar="FILE…", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on standard output.")
def check(files: tuple[Path, ...], *, as_json: bool) -> int:
    """
    Which layout files are sound, and what is wrong or odd in each?

    Every fault is told with its row and key (exit status 2); what is odd but usable is a remark.

    Example: thermscan layout check board.toml
    """
    from thermscan.layout.check import check_layout

    results = [check_layout(path) for path in files]
    if as_json:
        document = {"schema": "thermscan.layout-check/1", "layouts": [result.document() for result in results]}
        click.echo(json.dumps(document, allow_nan=False, ensure_ascii=False, indent=2))
    else:
        for result in results:
            for line in (*map(str, result.faults), *(f"{result.path}: {remark}" for remark in result.remarks)):
                click.echo(line, err=True)
            click.echo(result.summary)
    return EXIT_BAD_INPUT if any(result.faults for result in results) else 0
