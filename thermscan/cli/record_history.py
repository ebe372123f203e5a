"""``thermscan record list`` and ``record trend``: questions to a folder of records."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermscan.exit_status import BAD_INPUT, CLEAR, FINDING

if TYPE_CHECKING:
    from thermscan.archive.history import Listed
    from thermscan.archive.trend import Trend

# More lines than a person reads; --json has them all.
_MOST_POINTS = 60


@click.command("list", short_help="Which records are in this folder?")
@click.argument("folder", metavar="FOLDER")
@click.option("--board", metavar="NAME", help="Of this board.")
@click.option("--serial", metavar="TEXT", help="Of this specimen.")
@click.option("--part", metavar="REF", help="In which this part was measured.")
@click.option(
    "--finding", metavar="TEXT", help="With such a finding: a ref, a rule, act, watch, hot, cold, or its words."
)
@click.option("--overall", metavar="WORD", help="clear, watch, act or undecided.")
@click.option("--since", metavar="DATE", help="Taken then or later.")
@click.option("--until", metavar="DATE", help="Taken then or earlier.")
@click.option("--rebuild", is_flag=True, help="Make the index anew from the records.")
@click.option("--json", "as_json", is_flag=True, help="Print the list as JSON and nothing else.")
def list_command(folder: str, *, rebuild: bool, as_json: bool, **wanted: str | None) -> int:
    """
    Which records are in this folder, of which boards, and what was found?

    The folder is the archive: it is searched through an index (thermscan-index.sqlite) that is made from the
    records and brought up to date by itself. Exit status: 0, or 2 where a record is damaged.

    Example: thermscan record list archive --serial 0067 --since 2026-01-01
    """
    from thermscan.archive.history import Filters, list_document, list_records
    from thermscan.archive.index import open_index

    with _index_progress() as progress, open_index(Path(folder), rebuild=rebuild, progress=progress) as index:
        records = list_records(index, Filters(**wanted))
        faults, remarks = index.faults, index.remarks
    if as_json:
        click.echo(json.dumps(list_document(records), ensure_ascii=True, allow_nan=False, indent=2))
    else:
        for line in _list_lines(records):
            click.echo(line)
    return _told(faults, remarks, CLEAR)


@click.command("trend", short_help="How did a board's parts do from visit to visit?")
@click.argument("folder", metavar="FOLDER")
@click.option("--board", required=True, metavar="NAME", help="The board, as its layout names it.")
@click.option("--ref", metavar="REF", help="One part.")
@click.option("--serial", metavar="TEXT", help="One specimen.")
@click.option(
    "--out", metavar="DIR", help="Write pictures there: each part's rise over the visits, the boards side by side."
)
@click.option("--rebuild", is_flag=True, help="Make the index anew from the records.")
@click.option("--json", "as_json", is_flag=True, help="Print points and changes as JSON and nothing else.")
def trend_command(
    folder: str, *, board: str, ref: str | None, serial: str | None, out: str | None, rebuild: bool, as_json: bool
) -> int:
    """
    Does a part run hotter than on earlier visits, at the same ambient and load?

    Compares the visits to one board (by its serial) at one stage, and lists the boards of one type side by side.
    Exit status: 0 nothing changed so that you must act, 1 something did, 2 bad input or a damaged record.

    Example: thermscan record trend archive --board "tape controller" --ref U7 --out trend
    """
    from thermscan.archive.history import looks_at
    from thermscan.archive.index import open_index
    from thermscan.archive.trend import trend_document, trend_of

    with _index_progress() as progress, open_index(Path(folder), rebuild=rebuild, progress=progress) as index:
        looks = looks_at(index, board=board, ref=ref, serial=serial)
        faults, remarks = index.faults, index.remarks
    trend = trend_of(board, looks, ref=ref)
    if out:
        from thermscan.archive.trend_pictures import write_trend_pictures

        written = write_trend_pictures(trend, Path(out), inputs=[Path(folder)])
        click.echo(f"{len(written)} pictures written to {out}", err=True)
    if as_json:
        click.echo(json.dumps(trend_document(trend), ensure_ascii=True, allow_nan=False, indent=2))
    else:
        for line in trend_lines(trend):
            click.echo(line)
    status = FINDING if any(change.level == "act" for change in trend.changes) else CLEAR
    return _told(faults, remarks, status)


def _told(faults: tuple[str, ...], remarks: tuple[str, ...], status: int) -> int:
    for line in (*remarks, *faults):
        click.echo(line, err=True)
    return BAD_INPUT if faults else status


@contextmanager
def _index_progress() -> Iterator[Callable[[int, int], None] | None]:
    """A progress bar over the records that are read, on a terminal; nothing in a pipe, or where none need be read."""
    if not sys.stderr.isatty():
        yield None
        return
    bars: list[Any] = []

    def tell(done: int, of: int) -> None:
        if not bars:
            bars.append(click.progressbar(length=of, label="reading records", file=sys.stderr))
            bars[0].__enter__()
        bars[0].update(done - bars[0].pos)

    try:
        yield tell
    finally:
        for bar in bars:
            bar.__exit__(None, None, None)


def _list_lines(records: list[Listed]) -> list[str]:
    if not records:
        return ["no record fits"]
    heads = ("taken", "board", "serial", "stage", "overall", "flagged", "record")
    rows = [
        (
            (each.taken or "not stated")[:16].replace("T", " "),
            " ".join(filter(None, (each.board, each.revision))),
            each.serial or "",
            each.stage or "",
            each.overall,
            " ".join(each.flagged),
            each.bag,
        )
        for each in records
    ]
    return columns_of([heads, *rows])


def trend_lines(trend: Trend) -> list[str]:
    """A board's history for a person: what changed first, then the points."""
    visits = len({point.look.bag for point in trend.points})
    lines = [f"{trend.board}: {visits} visit{'' if visits == 1 else 's'}"]
    acts = [change.text for change in trend.changes if change.level == "act"]
    lines += [f"  {text}" for text in acts]
    lines += [f"  to watch: {change.text}" for change in trend.changes if change.level == "watch"]
    if visits == 1:
        lines.append("  one visit only: whether anything changed cannot be told yet")
    elif not trend.changes:
        lines.append("  no part changed by more than looks at the same board differ")
    lines.append("")
    told = {(change.ref, change.after.serial) for change in trend.changes}
    shown = [point for point in trend.points if (point.look.ref, point.look.serial) in told] or list(trend.points)
    shown.sort(key=lambda point: (point.look.ref, point.look.serial or "", point.look.moment or 0.0))
    heads = ("part", "serial", "taken", "rise, K", "u, K", "verdict", "measured, K")
    rows = [
        (
            point.look.ref,
            point.look.serial or "",
            (point.look.taken or "not stated")[:16].replace("T", " "),
            f"{point.rise_k:.1f}",
            f"{point.u_k:.1f}",
            point.look.verdict,
            f"{point.look.rise_k:.1f}",
        )
        for point in shown[:_MOST_POINTS]
    ]
    lines += columns_of([heads, *rows])
    if len(trend.points) > len(rows):
        lines.append(f"{len(trend.points) - len(rows)} more points; --json has all, --ref one part's")
    lines.append("rise: above ambient, at the same load and level as the other visits; u: standard uncertainty (k = 1)")
    return lines + [f"remark: {remark}" for remark in trend.remarks]


def columns_of(rows: list[tuple[str, ...]]) -> list[str]:
    """
    Rows as lines with their columns under each other; what would steer a terminal is not passed on.

    Examples
    --------
    >>> columns_of([("part", "rise"), ("U7", "9.1")])
    ['part  rise', 'U7    9.1']
    """
    clean = [["".join(sign for sign in cell if sign.isprintable()) for cell in row] for row in rows]
    widths = [max(len(row[column]) for row in clean) for column in range(len(clean[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in clean]
