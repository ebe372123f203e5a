"""The command's entry point: which commands there are, and what an exit status means."""

from __future__ import annotations

import errno
import gc
import importlib
import os
import re
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress

import click

from thermscan.cli.terminal import visible_streams
from thermscan.errors import ThermscanError
from thermscan.exit_status import BAD_INPUT, CLOSED_PIPE, INTERNAL_FAULT, INTERRUPTED
from thermscan.memory import keep_freed_memory
from thermscan.visible import visible

_STREAM_ERRORS = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)
# So many faults are told one by one: a list beyond a screen or two is read by nobody.
MOST_LINES = 100
# Photos of up to 120 million pixels are unpacked; read when OpenCV is imported, after this.
MOST_PHOTO_PIXELS = "120000000"

# The matrices here are small: BLAS threads on every core would mostly wait for each other (measured: three times
# the processor time of one thread). A user's own setting stays. Read by BLAS when numpy is imported, after this.
BLAS_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")

# Imports and drawings make many small objects and few cycles: to look for these at every 700 of them, as Python does,
# costs 3 to 5 % of a look with its report (measured), and the memory is the same.
OBJECTS_A_SWEEP = 50_000

COMMON_STATUSES = "Exit status: 0 done, 2 bad input or usage, 3 it could not be told or an internal fault."

# name: (module, first line of its help). Imported when called, so that --help is quick.
COMMANDS = {
    "demo": ("thermscan.cli.demo", "Write the sample job to a folder and run it, report included."),
    "inspect": ("thermscan.cli.inspect", "Which part runs hotter or colder than it should?"),
    "baseline": ("thermscan.cli.baseline", "Learn what a good board looks like from known-good runs."),
    "warmup": ("thermscan.cli.warmup", "How does each part warm up after power-on, and where will it end?"),
    "watch": ("thermscan.cli.watch", "Is any part heating as it should not, now, at power-on?"),
    "locate": ("thermscan.cli.locate", "Where does heat enter the board: where is the short?"),
    "frame": ("thermscan.cli.frame", "What is in this frame file, and is it good enough?"),
    "layout": ("thermscan.cli.layout", "Is this layout sound? Draw it, import it, make it."),
    "record": ("thermscan.cli.record", "Keep what was seen, check it, and follow a board over the years."),
    "bench": ("thermscan.cli.bench", "Keep what is the same every day at this bench: camera, unit, operator."),
    "camera": ("thermscan.cli.camera", "How far can this camera be trusted? Calibrate and check it."),
}


_NO_NUMBER = re.compile(r"'([^']*)' is not a valid (?:float|integer)(?: range)?")
_POINT = re.compile(r"[-+]?\d*\.\d+")


class CommandTable(click.Group):
    """The commands, imported one by one as they are called for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Names in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import the command's module and take its ``command``."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(COMMANDS[cmd_name][0]).command
        _name_statuses(command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, summary) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; a closed pipe is caught here, since click would turn it into status 1."""
        keep_freed_memory()
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            return CLOSED_PIPE


def _name_statuses(command: click.Command) -> None:
    """Each help text names the exit statuses: a command's own, else those that all commands share."""
    if "exit status" not in " ".join((command.help or "").split()).lower():
        command.epilog = COMMON_STATUSES
    for inner in getattr(command, "commands", {}).values():
        _name_statuses(inner)


@click.group(cls=CommandTable, no_args_is_help=False, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="thermscan")
@click.option("--debug", is_flag=True, help="Show where in the program an error arose.")
def thermscan(debug: bool) -> None:
    """
    Which part of a circuit board runs hotter or colder than it should, by how much, how sure, and why?

    Exit status: 0 nothing to act on, 1 a finding to act on, 2 bad input or usage, 3 could not judge or an internal
    fault, 130 interrupted, 141 the reader of the output went away.

    Completion: put eval "$(_THERMSCAN_COMPLETE=bash_source thermscan)" into ~/.bashrc; zsh_source for zsh; for fish,
    _THERMSCAN_COMPLETE=fish_source thermscan | source.

    Example: thermscan inspect run.toml --out report
    """


def main(arguments: Sequence[str] | None = None, *, interrupts: Sequence[int] = ()) -> int:
    """
    Run the command line and return its exit status; see the table in DEVELOPERS.md.

    ``interrupts`` fills as interrupts come: after one, any error is only its consequence.
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    debug = "--debug" in given
    gc.set_threshold(OBJECTS_A_SWEEP)
    for name in BLAS_THREADS:
        os.environ.setdefault(name, "1")
    os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", MOST_PHOTO_PIXELS)
    with visible_streams():
        return _run(given, debug=debug, interrupts=interrupts)


def _run(given: list[str], *, debug: bool, interrupts: Sequence[int]) -> int:  # noqa: PLR0911 - one return a kind of ending
    try:
        status = thermscan.main(given, prog_name="thermscan", standalone_mode=False, obj=tuple(given))
        return status if isinstance(status, int) else 0
    except ThermscanError as error:
        _say(error.lines(), debug=debug)
        return error.exit_status
    except click.UsageError as error:
        command = error.ctx.command_path if error.ctx else "thermscan"
        _say([f"{_plainer(error.format_message()).rstrip('.')}; see '{command} --help'"], debug=debug)
        return BAD_INPUT
    except click.Abort:
        return INTERRUPTED
    except click.ClickException as error:
        _say([error.format_message()], debug=debug)
        return BAD_INPUT
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        return CLOSED_PIPE
    except MemoryError:
        _say(["there is not enough memory for this; take smaller frames, or fewer"], debug=debug)
        return BAD_INPUT
    except Exception as error:
        if interrupts:
            return INTERRUPTED
        if isinstance(error, OSError) and error.filename is None and error.errno in _STREAM_ERRORS:
            # Files are written in one room, which tells such faults by the file's name: this is a standard stream.
            told(f"standard output cannot be written to ({error.strerror}); send it elsewhere")
            return BAD_INPUT
        # The one place where any fault is caught: a traceback helps nobody at the bench.
        fault = f"internal fault ({type(error).__name__}: {error})"
        _say([f"thermscan: {fault}; run again with --debug and send what it shows"], debug=debug)
    return INTERNAL_FAULT


def _plainer(message: str) -> str:
    """
    What click says of a number, in words, with what to write.

    Examples
    --------
    >>> _plainer("Invalid value for '--ambient': '22,4' is not a valid float.")
    "Invalid value for '--ambient': '22,4' is not a number; write it with a point: 22.4."
    """
    found = _NO_NUMBER.search(message)
    if found is None:
        return message
    point = found[1].strip().replace(",", ".")
    written = f"; write it with a point: {point}" if "," in found[1] and _POINT.fullmatch(point) else ""
    return f"{message[: found.start()]}'{found[1]}' is not a number{written}{message[found.end() :]}"


def told(line: str) -> None:
    """One line on standard error, where anybody can read it."""
    with suppress(OSError):
        click.echo(" ".join(line.split()), err=True)


def _say(lines: Sequence[str], *, debug: bool) -> None:
    if debug:
        traceback.print_exc()
    for line in lines[:MOST_LINES]:
        told(visible(line))
    if len(lines) > MOST_LINES:
        told(f"and {len(lines) - MOST_LINES} more faults like these")
