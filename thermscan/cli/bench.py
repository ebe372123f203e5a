"""``thermscan bench``: the habits of a bench, asked once and kept in ``bench.toml``."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import click

from thermscan.cli.options import supply_reading, tell_backups
from thermscan.errors import InputError

_QUESTIONS = (
    ("camera", "Camera file (thermscan camera makes one)"),
    ("unit", "Unit of your frames where they do not state it: cK dK K C F mK"),
    ("ambient_c", "Air at the bench, if it is always the same, in °C"),
    ("operator", "Your name"),
    ("supply", "Supply reading that is always the same, such as +5 V=5.02,1.31"),
    ("paper", "Paper to print on: A4 or letter"),
    ("units_shown", "Unit that reports show: C or F"),
)
_OPTION_OF = {"ambient_c": "--ambient", "reflected_c": "--reflected", "units_shown": "--units-shown"}


@click.command("bench")
@click.option("--camera", metavar="FILE", help="Camera file.")
@click.option("--unit", metavar="UNIT", help="Unit of frames that state none: cK dK K C F mK.")
@click.option("--ambient", "--ambient-c", "ambient_c", type=float, metavar="C", help="Air at the bench.")
@click.option("--reflected", "--reflected-c", "reflected_c", type=float, metavar="C", help="What boards reflect there.")
@click.option("--operator", metavar="TEXT", help="Who takes the frames.")
@click.option("--supply", multiple=True, metavar="RAIL=V,A", help="Supply reading; may be repeated.")
@click.option("--paper", metavar="PAPER", help="A4 or letter.")
@click.option("--units-shown", metavar="UNIT", help="C or F, in reports.")
@click.option("--out", default=".", metavar="FILE|DIR", help="Where to write it: here, unless given.")
@click.option("--show", is_flag=True, help="Print what holds here and which file says so; write nothing.")
@click.option("--json", "as_json", is_flag=True, help="With --show: print it as JSON and nothing else.")
def command(*, out: str, show: bool, as_json: bool, **given: Any) -> int:
    """
    What is the same every day at this bench? Say it once, in bench.toml.

    Holds for all runs in its folder and below; what a run or an option says wins, and results name the file of each
    value that came from it. Without options it asks. A bench.toml that is there keeps its other keys.

    Exit status: 0 written or shown, 2 bad input.

    Example: thermscan bench --camera my-camera.toml --unit cK --operator "bench 2" --paper A4
    """
    given = {key: value for key, value in given.items() if value not in (None, ())}
    if "supply" in given:
        given["supply"] = [supply_reading(text) for text in given["supply"]]
    if show:
        if given:
            raise InputError("--show writes nothing, and takes no values", fix="leave out --show, or the values")
        return _show(Path(out), as_json=as_json)
    from thermscan.named_file import is_file
    from thermscan.radiometry.camera import read_camera
    from thermscan.runs.bench import BENCH_FILE, read_bench
    from thermscan.runs.bench_writing import write_bench

    path = Path(out) / BENCH_FILE if Path(out).is_dir() else Path(out)
    before = dict(read_bench(path).values) if path.exists() else {}
    if not given:
        if not sys.stdin.isatty():
            raise InputError(
                "nothing is given, and there is nobody to ask", fix="give options, such as --unit cK --operator NAME"
            )
        given = _asked(before)
    if isinstance(camera := given.get("camera"), str):
        if is_file(Path(camera)):
            read_camera(Path(camera))
        given["camera"] = os.path.relpath(camera, path.absolute().parent)
    backup = write_bench({**before, **given}, path, where={key: _option(key) for key in given})
    tell_backups([backup])
    click.echo(f"written: {path}", err=True)
    return 0


def _option(key: str) -> str:
    return _OPTION_OF.get(key, f"--{key}")


def _asked(before: dict[str, Any]) -> dict[str, Any]:
    """The answers; an empty one keeps what is there."""
    click.echo("An empty answer leaves it open, or as it is.", err=True)
    answers: dict[str, Any] = {}
    for key, question in _QUESTIONS:
        now = f" [{before[key]}]" if key in before and key != "supply" else ""
        answer = click.prompt(f"{question}{now}", default="", show_default=False, err=True).strip()
        if not answer:
            continue
        if key == "supply":
            answers[key] = [supply_reading(answer)]
        elif key == "ambient_c":
            try:
                answers[key] = float(answer.replace(",", "."))
            except ValueError as error:
                raise InputError(f'"{answer}" is not a number', where="ambient", fix="write it as 22.4") from error
        else:
            answers[key] = answer
    return answers


def _show(folder: Path, *, as_json: bool) -> int:
    from thermscan.runs.bench import bench_for

    bench = bench_for(folder if folder.is_dir() else folder.parent, folder if folder.is_file() else True)
    if as_json:
        document = {
            "schema": "thermscan.bench/1",
            "path": str(bench.path) if bench else None,
            "values": dict(bench.values) if bench else {},
        }
        click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2))
    elif bench is None:
        click.echo(f"no bench.toml in {folder.absolute()} or above it: nothing holds unless a run says it")
    else:
        from thermscan.runs.bench_writing import bench_text

        click.echo(f"{bench.path}:")
        for line in bench_text(bench.values).splitlines()[1:]:
            click.echo(f"  {line}")
    return 0
