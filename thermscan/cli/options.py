"""Options that more than one command takes, and how they become a run."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from thermscan.errors import Fault, InputError
from thermscan.named_file import is_file
from thermscan.runs.reading import option_name, read_run
from thermscan.runs.run import Run

if TYPE_CHECKING:
    from thermscan.report.shown import Shown

RUN_SUFFIX = ".toml"
_Command = TypeVar("_Command", bound=Callable[..., Any])

_SHOWN_OPTIONS = (
    click.option(
        "--language", type=click.Choice(["en", "de"]), default="en", show_default=True, help="Of page and PDF."
    ),
    click.option("--units-shown", type=click.Choice(["C", "F"]), help="Of page and PDF (C, or the bench's habit)."),
)

_OPTIONS = (
    click.option("--layout", metavar="FILE", help="Layout of the board."),
    click.option("--unit", metavar="UNIT", help="Unit of the frames: cK dK K C F mK, or a camera file."),
    click.option("--ambient", "--ambient-c", "ambient_c", type=float, metavar="C", help="Air at the bench."),
    click.option(
        "--reflected", "--reflected-c", "reflected_c", type=float, metavar="C",
        help="Apparent temperature of what the board reflects (ambient unless given).",
    ),
    click.option("--stage", metavar="TEXT", help="What is fitted and what it is doing."),
    click.option("--minutes-on", type=float, metavar="MIN", help="Time since power-on."),
    click.option("--board-serial", metavar="TEXT", help="Which specimen this is."),
    click.option("--camera", metavar="FILE", help="Camera file."),
    click.option(
        "--camera-emissivity", type=float, metavar="E", help="Emissivity that the camera itself was set to (1.0)."
    ),
    click.option("--operator", metavar="TEXT", help="Who took the frames."),
    click.option("--note", metavar="TEXT", help="Anything worth keeping with the run."),
    click.option("--taken", metavar="TIME", help="When, such as 2026-05-02T14:30:00Z."),
    click.option(
        "--supply", multiple=True, metavar="RAIL=V,A", help="Supply reading, such as '+5 V=5.02,1.31'; may be repeated."
    ),
    click.option(
        "--corners", "--corners-px", "corners_px", metavar="'X,Y X,Y X,Y X,Y'",
        help="The board's corners in the frame: top left, top right, bottom right, bottom left.",
    ),
    click.option(
        "--targets", is_flag=True, default=None,
        help="The four corner targets of 'thermscan layout targets' lie on the board; find it by them.",
    ),
    click.option(
        "--landmark", "--landmarks", "landmarks", multiple=True, metavar="REF=X,Y",
        help="A part's body centre in the frame; give four or more.",
    ),
    click.option("--rate-hz", type=float, metavar="HZ", help="Frames a second, where the files state no times."),
    click.option("--times", metavar="FILE", help="Table of the frames' times: columns frame,time_s."),
    click.option(
        "--power-on", "--power-on-s", "power_on_s", type=float, metavar="S",
        help="When the power came on, in seconds on the recording's clock.",
    ),
    click.option(
        "--period", "--drive-period-s", "drive_period_s", type=float, metavar="S",
        help="Period with which the supply was switched on and off.",
    ),
    click.option("--off-frames", multiple=True, metavar="FRAME", help="The same board with the power off."),
    click.option("--stage-log", metavar="FILE", help="Log of 'thermscan watch --log': its stages go into the report."),
    click.option("--bench", metavar="FILE", help="Habits of the bench (bench.toml here or above, unless given)."),
    click.option("--no-bench", is_flag=True, default=None, help="Take no habits from any bench.toml."),
    click.option("--size-px", metavar="COLS,ROWS", help="Size of a frame in a log of one line a frame, such as 32,24."),
)  # fmt: skip


def tell_backups(backups: Iterable[Path | None]) -> None:
    """Say where what was there before is kept."""
    for backup in backups:
        if backup is not None:
            click.echo(f"what was there before is kept as {backup}", err=True)


def run_options(command: _Command) -> _Command:
    """Every key of the run file as an option; what is given here wins over the file."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def shown_options(command: _Command) -> _Command:
    """Language and units of what is shown; files for programs and the terminal stay English and in degrees Celsius."""
    for option in reversed(_SHOWN_OPTIONS):
        command = option(command)
    return command


def shown_from(options: dict[str, Any], *, habit: str | None = None) -> Shown:
    """The language and units that a command line asks for, or the bench has as a habit."""
    from thermscan.report.shown import Shown

    units = options["units_shown"] or habit or "C"
    return Shown(options["language"], "F" if units == "F" else "C")


def paper_for(paper: str | None, folder: Path) -> str:
    """The paper that is asked for, else the bench's habit, else A4."""
    if paper is not None:
        return paper
    from thermscan.runs.bench import bench_for

    bench = bench_for(folder, bench=True)
    return str(bench.values.get("paper", "A4")) if bench else "A4"


def run_from(inputs: Sequence[str], options: dict[str, Any]) -> Run:
    """
    The run that a command line describes.

    Parameters
    ----------
    inputs : sequence of str
        One run file, or one or more frames.
    options : dict
        As `run_options` gives them.

    Raises
    ------
    InputError
        Run file and frames are mixed, or an option cannot be read.
    """
    run_files = [name for name in inputs if name.lower().endswith(RUN_SUFFIX)]
    if run_files and len(inputs) > 1:
        raise InputError(
            f"{len(inputs)} inputs given, one of which is a run file",
            where=run_files[0],
            fix="give one run file, or only frames",
        )
    overrides, bench = overrides_of(options), bench_of(options)
    if not run_files:
        overrides["frames"] = list(inputs)
    try:
        return read_run(Path(run_files[0]) if run_files else None, overrides=overrides, bench=bench)
    except InputError as error:
        if run_files:
            raise
        # The file first: what else is missing is no help as long as it is the wrong one.
        told = sorted(error.faults, key=lambda fault: fault.where != option_name("frames"))
        raise InputError.from_faults([*_wrong_files(inputs, overrides.get("size_px")), *told]) from error


def _wrong_files(names: Sequence[str], size_px: Any) -> list[Fault]:
    """What is wrong with those files that are there and hold no frames."""
    from thermscan.frames.reading import check_frames

    whole = isinstance(size_px, list) and len(size_px) == 2 and all(isinstance(n, int) for n in size_px)
    faults: list[Fault] = []
    for path in filter(is_file, map(Path, names)):
        try:
            check_frames(path, size_px=tuple(size_px) if whole else None)
        except InputError as error:
            faults.extend(error.faults)
    return faults


def bench_of(options: dict[str, Any]) -> Path | bool:
    """The bench file that is named; True: the nearest one; False: none."""
    bench, none = options.get("bench"), bool(options.get("no_bench"))
    if bench and none:
        raise InputError("--bench and --no-bench exclude each other", fix="give one of them")
    return Path(bench) if bench else not none


def overrides_of(options: dict[str, Any]) -> dict[str, Any]:
    """Keys of the run file that options give, as a run file would have them."""
    overrides = {
        key: value for key, value in options.items() if value not in (None, ()) and key not in ("bench", "no_bench")
    }
    if "supply" in overrides:
        overrides["supply"] = [supply_reading(text) for text in overrides["supply"]]
    if "corners_px" in overrides:
        overrides["corners_px"] = [_numbers(pair, "--corners") for pair in overrides["corners_px"].split()]
    if "size_px" in overrides:
        overrides["size_px"] = [int(n) if n == int(n) else n for n in _numbers(overrides["size_px"], "--size-px")]
    if "off_frames" in overrides:
        overrides["off_frames"] = list(overrides["off_frames"])
    if "landmarks" in overrides:
        overrides["landmarks"] = [_landmark(text) for text in overrides["landmarks"]]
    return overrides


def supply_reading(text: str) -> dict[str, object]:
    """One rail as an option writes it: ``+5 V=5.02,1.31``."""
    rail, equals, reading = text.rpartition("=")
    numbers = _numbers(reading, "--supply")
    if not equals or not rail or len(numbers) != 2:
        raise InputError(f'"{text}" is not a supply reading', where="--supply", fix="write it as '+5 V=5.02,1.31'")
    return {"rail": rail, "volts": numbers[0], "amps": numbers[1]}


def _landmark(text: str) -> dict[str, object]:
    ref, equals, place = text.rpartition("=")
    if not equals or not ref:
        raise InputError(f'"{text}" is not a landmark', where="--landmark", fix="write it as U1=120.5,88")
    return {"ref": ref, "px": _numbers(place, "--landmark")}


def _numbers(text: str, option: str) -> list[float]:
    try:
        return [float(number) for number in text.split(",")]
    except ValueError as error:
        raise InputError(
            f'"{text}" is not numbers', where=option, fix="separate them with commas, as 120.5,88"
        ) from error
