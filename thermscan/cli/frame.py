"""``thermscan frame``: what is in these frame files."""

from __future__ import annotations

import json
from pathlib import Path

import click

from thermscan.errors import InputError, ThermscanError

BAD_INPUT = 2


@click.command(name="frame")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE…")
@click.option("--unit", metavar="UNIT", help="Unit of the values: cK dK K C F mK, or counts.")
@click.option("--ambient", "ambient_c", type=float, metavar="°C", help="Room temperature; it helps to tell the unit.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
def command(files: tuple[Path, ...], unit: str | None, ambient_c: float | None, as_json: bool) -> int:
    """
    What is in a frame file, and is it good enough to measure on?

    Prints size, unit and where it came from, temperature range, bad pixels, noise and what speaks against the frame.

    Example: thermscan frame idle.tiff --ambient 22.4
    """
    from thermscan.frames.facts import facts_document, facts_text, file_facts
    from thermscan.frames.units import known_unit
    from thermscan.runs.records import HIGHEST_AMBIENT_C, LOWEST_AMBIENT_C

    if unit is not None:
        known_unit(unit, where="--unit")
    if ambient_c is not None and not LOWEST_AMBIENT_C <= ambient_c <= HIGHEST_AMBIENT_C:
        raise InputError(f"{ambient_c:g} °C is no room", where="--ambient", fix="give degrees Celsius, such as 22.4")
    facts, status = [], 0
    for path in files:
        try:
            found = file_facts(path, unit=unit, ambient_c=ambient_c)
        except ThermscanError as error:
            status = BAD_INPUT
            for line in error.lines():
                click.echo(line, err=True)
            continue
        facts.append(found)
        if not as_json:
            click.echo(facts_text(found))
    if as_json:
        click.echo(json.dumps(facts_document(facts), ensure_ascii=False, allow_nan=False, indent=2))
    return status
