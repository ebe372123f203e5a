"""``thermscan layout targets``: the sheet of corner targets."""

from __future__ import annotations

from pathlib import Path

import click

from thermscan.cli.options import paper_for


@click.command("targets")
@click.option("--out", default="targets.pdf", show_default=True, type=click.Path(path_type=Path), help="PDF to write.")
@click.option(
    "--paper",
    type=click.Choice(["A4", "letter"], case_sensitive=False),
    help="A4, or the bench's habit, unless given.",
)
def targets(*, out: Path, paper: str | None) -> int:
    """
    How can the board's corners show in the infrared? A sheet of four targets to print.

    Foil on matt card, laid on the corners of the warm board; 'thermscan inspect --targets' finds the board by them,
    however it is turned.

    Example: thermscan layout targets --out targets.pdf
    """
    from thermscan.report.target_sheet import write_target_sheet

    paper = paper_for(paper, out.parent)
    write_target_sheet(out, paper=paper)
    click.echo(f"{out}: four corner targets at 1:1 for {paper}")
    return 0
