"""``thermscan watch``: follow frames as they are saved, and alarm when a part rises as it should not."""

from __future__ import annotations

import json
import math
import os
import shlex
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermscan.cli.options import overrides_of, run_options
from thermscan.errors import InputError, ThermscanError
from thermscan.runs.stages import STAGE_SCHEMA
from thermscan.visible import visible

if TYPE_CHECKING:
    from thermscan.dynamics.alarms import Alarm, Expected
    from thermscan.dynamics.watching import Look, Watch
    from thermscan.frames.following import FolderFrames
    from thermscan.runs.run import Run, Supply

POLL_S = 0.25
# Where the frames of one look take longer than this, the folder's names are read again meanwhile.
NOTICE_S = 1.0
# What a key names while watching, in the order of the work.
STAGES = {"1": "bare board", "2": "chips fitted", "3": "under test", "4": "soak"}
# Parts named in one line.
MOST_NAMED = 12
# A command that was called is given so long to end, once the watch has.
COMMAND_S = 10.0
STANDARD_ERROR = 2  # its descriptor: what a command prints must not mix with JSON
ENDED = 3  # Ctrl-C, as a terminal sends it while keys are read


@click.command("watch")
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@click.option(
    "--run", "run_file", required=True, metavar="RUN.toml", help="Layout, ambient, unit; no frames needed yet."
)
@run_options
@click.option("--baseline", "baseline_file", metavar="FILE", help="Known-good steady runs: no part may rise above.")
@click.option("--baseline-run", metavar="RUN.toml", help="A good board's recorded power-up: compared at equal times.")
@click.option("--once", is_flag=True, help="End with the last frame that is there.")
@click.option("--on-alarm", metavar="COMMAND", help="Run this once for each part to be acted on (off by default).")
@click.option("--log", "log_file", metavar="FILE", help="Write every frame's line, and the stages, to this new file.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON line a frame and nothing else.")
def command(
    folder: Path,
    *,
    run_file: str,
    baseline_file: str | None,
    baseline_run: str | None,
    once: bool,
    on_alarm: str | None,
    log_file: str | None,
    as_json: bool,
    **options: Any,
) -> int:
    """
    Is any part heating as it should not, now, in the first minutes of power?

    Follows a folder into which another program saves frames (single files, a growing stack or log): each part's rise
    and slope within two seconds of a frame; alarms where a part leaves the power-up of a good board, rises more than
    its peers or than its watts allow, or will pass its limit, with the seconds until then. A part without a good
    board's power-up, without two peers and without watts is held against nothing but its limit: the end names those.
    By its watts alone a part is not told at twice the usual (its heat capacity is not known so well). Keys 1 to 4 name
    the stage (bare board, chips fitted, under test, soak), Ctrl-C ends. Supply readings and note are read from
    the run file again at each stage; a log (--log) becomes part of a report by 'thermscan inspect --stage-log'.

    This is no safety device: frames come late, cameras freeze, metal hides its heat, and a command that switches a
    supply off may fail. Limit the supply's current, stay beside the board, and keep a hand on the switch.

    Exit status: 0 nothing to act on, 1 an alarm to act on was raised, 2 bad input, 3 no frame could be read, the board
    was never found, or no part of it can be measured.

    Example: thermscan watch frames --run power-up.toml --baseline-run good-power-up.toml --json
    """
    from thermscan.dynamics.watching import Watch
    from thermscan.frames.following import FolderFrames
    from thermscan.layout.reading import read_board
    from thermscan.radiometry.camera import read_camera
    from thermscan.runs.reading import read_run
    from thermscan.writing import new_log

    if not folder.is_dir():
        wrong = "this is no folder" if folder.exists() else "there is no such folder"
        raise InputError(wrong, where=str(folder), fix="name the folder that frames are saved into")
    arguments = _split(on_alarm)
    reread = partial(read_run, Path(run_file), overrides=overrides_of(options), frames_needed=False)
    run = reread()
    if run.layout is None:
        raise InputError("no layout is named", where=run_file, fix='write layout = "board.toml"')
    board, camera = read_board(run.layout), read_camera(run.camera)
    expected = _expected(baseline_file, baseline_run, board)
    counts = camera.reads_counts
    frames = FolderFrames(folder, "counts" if counts else run.unit, run.ambient_c, run.rate_hz, run.size_px)
    watch = Watch(run, board, camera, expected, counts=counts)
    logged: AbstractContextManager[Callable[[str], None] | None]
    logged = new_log(Path(log_file)) if log_file else nullcontext(None)
    with logged as log, _screen(as_json) as show, _keys(once or as_json) as key:
        told = _Telling(run, log, show, as_json=as_json, arguments=arguments, reread=reread)
        told.stage(run.stage)
        try:
            _follow(frames, watch, told, key=key, once=once)
        except KeyboardInterrupt:
            click.echo("stopped", err=True)
    return told.ended(watch)


def _follow(frames: FolderFrames, watch: Watch, told: _Telling, *, key: Callable[[], str | None], once: bool) -> None:
    while True:
        looked_s = time.monotonic()
        for frame in frames.poll(looked_s, last=once):
            told.frame(watch.look(frame))
            if time.monotonic() - looked_s > NOTICE_S:
                looked_s = time.monotonic()
                frames.notice()
        for complaint in frames.complaints:
            click.echo(f"left out: {visible(complaint)}", err=True)
        frames.complaints.clear()
        if once and not frames.more:
            return
        pressed = key()
        if pressed == chr(ENDED):
            raise KeyboardInterrupt
        if pressed in STAGES:
            told.stage(STAGES[pressed])
        if not frames.more:
            time.sleep(POLL_S)


class _Telling:
    """Lines for each frame, to standard output and to the log; commands for alarms; and what the status will be."""

    def __init__(
        self, run: Run, log: Callable[[str], None] | None, show: Callable[[Look, str | None], None] | None,
        *, as_json: bool, arguments: list[str], reread: Callable[[], Run],
    ) -> None:  # fmt: skip
        self.reread = reread
        self.run, self.log, self.show, self.as_json, self.arguments = run, log, show, as_json, arguments
        self.now: str | None = None
        self.last: Look | None = None
        self.acted: set[tuple[str, str]] = set()
        self.said: set[tuple[str, str, str]] = set()
        self.frames = 0
        self.called: list[subprocess.Popen[bytes]] = []

    def stage(self, name: str | None) -> None:
        self.now = name
        supply, note = self._readings()
        rails = [{"rail": rail.rail, "volts": rail.volts, "amps": rail.amps} for rail in supply]
        self._write({"schema": STAGE_SCHEMA, "stage": name, "at": _clock(), "supply": rails, "note": note})
        if self.show is not None and self.last is not None:
            self.show(self.last, name)

    def _readings(self) -> tuple[tuple[Supply, ...], str | None]:
        """Supply and note as the run file has them now: they are written there from stage to stage."""
        try:
            run = self.reread()
        except ThermscanError as error:
            click.echo(f"the run file cannot be read now, its former readings are kept: {error}", err=True)
            run = self.run
        return run.supply, run.note

    def frame(self, look: Look) -> None:
        self.frames += 1
        self.last = look
        document = _document(look, self.now)
        self._write(document)
        if self.as_json:
            click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False))
        elif self.show is not None:
            self.show(look, self.now)
        for alarm in look.alarms:
            if not self.as_json and self.show is None and (alarm.ref, alarm.rule, alarm.level) not in self.said:
                click.echo(f"{document['time_s']:.1f} s, {alarm.level}: {alarm.text}")
            self.said.add((alarm.ref, alarm.rule, alarm.level))
            if alarm.level == "act" and (alarm.ref, alarm.rule) not in self.acted:
                self.acted.add((alarm.ref, alarm.rule))
                self._call(alarm)

    def ended(self, watch: Watch) -> int:
        for called in self.called:
            with suppress(subprocess.TimeoutExpired):
                called.wait(timeout=COMMAND_S)
        status = self._judged(watch)
        refs = watch.not_compared
        if refs and watch.power_on_s is not None:
            named = ", ".join(refs[:MOST_NAMED]) + (f" and {len(refs) - MOST_NAMED} more" * (len(refs) > MOST_NAMED))
            click.echo(
                f"cannot tell whether these rise as they should (no good power-up, no two peers, no watts; only a limit"
                f" of theirs was compared): {visible(named)}", err=True,
            )  # fmt: skip
        return status

    def _judged(self, watch: Watch) -> int:
        count = f"{self.frames} frame{'' if self.frames == 1 else 's'}"
        if self.acted:
            parts = ", ".join(sorted({ref for ref, _ in self.acted}))
            click.echo(f"{count}; to act on: {parts}", err=True)
            return 1
        if not self.frames:
            click.echo("0 frames: nothing was read, so nothing was judged; see that frames are saved there", err=True)
            return 3
        if not watch.placed:
            click.echo(f"{count}; the board was not found: {watch.why_not_placed}", err=True)
            return 3
        known = len(watch.board.parts)
        if not watch.measured:
            click.echo(f"{count}; none of {known} parts can be measured, so nothing was judged; come closer", err=True)
            return 3
        click.echo(f"{count}, {watch.measured} of {known} parts seen; nothing to act on", err=True)
        if watch.power_on_s is None:
            click.echo("no part was seen to rise: power-on was not seen, and only limits were compared", err=True)
        return 0

    def _write(self, document: dict[str, Any]) -> None:
        if self.log is not None:
            self.log(json.dumps(document, ensure_ascii=False, allow_nan=False))

    def _call(self, alarm: Alarm) -> None:
        if not self.arguments:
            return
        about = {"THERMSCAN_REF": alarm.ref, "THERMSCAN_RULE": alarm.rule, "THERMSCAN_TEXT": alarm.text}
        try:
            env = {**os.environ, **about}
            # It is not waited for: frames go on.
            called = subprocess.Popen(self.arguments, env=env, stdin=subprocess.DEVNULL, stdout=STANDARD_ERROR)
            self.called.append(called)
        except OSError as error:
            click.echo(f"the alarm's command could not be run: {error.strerror or error}", err=True)


def _document(look: Look, stage: str | None) -> dict[str, Any]:
    def number(value: float | None) -> float | None:
        return None if value is None or not math.isfinite(value) else round(float(value), 4)

    alarms = [
        {
            "ref": each.ref, "rule": each.rule, "level": each.level, "rise_k": number(each.rise_k),
            "expected_k": number(each.expected_k), "slope_k_per_s": number(each.slope_k_per_s),
            "seconds_to_limit": number(each.seconds_to_limit), "text": each.text,
        }
        for each in look.alarms
    ]  # fmt: skip
    name = look.frame.path.name
    parts = [
        {"ref": ref, "temp_c": number(temp), "rise_k": number(rise), "slope_k_per_s": number(slope)}
        for ref, temp, rise, slope in zip(look.refs, look.temp_c, look.rise_k, look.slope_k_per_s, strict=True)
    ]
    return {
        "schema": "thermscan.watch/1", "file": name, "time_s": number(look.frame.time_s), "stage": stage,
        "alarms": alarms, "page": look.frame.page, "placed": look.placed, "since_power_on_s": number(look.since_s),
        "parts": parts,
    }  # fmt: skip


def _clock() -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%S%z")


def _split(on_alarm: str | None) -> list[str]:
    if on_alarm is None:
        return []
    try:
        arguments = shlex.split(on_alarm)
    except ValueError as error:
        raise InputError(f"the command cannot be read ({error})", where="--on-alarm", fix="close its quotes") from error
    if not arguments:
        raise InputError("the command is empty", where="--on-alarm", fix="leave it away, or name a command")
    return arguments


def _expected(baseline_file: str | None, baseline_run: str | None, board: Any) -> Expected:
    from thermscan.dynamics.alarms import Expected

    expected = Expected()
    if baseline_run is not None:
        from thermscan.dynamics.good_power_up import good_power_up
        from thermscan.runs.reading import read_run

        expected = good_power_up(read_run(Path(baseline_run), overrides={}), board)
    if baseline_file is not None:
        from thermscan.judge.baseline_file import read_baseline

        baseline = read_baseline(Path(baseline_file))
        rises: dict[str, list[float]] = {}
        for known in baseline.runs:
            for ref, rise in known.rise_k.items():
                rises.setdefault(ref, []).append(rise)
        steady = {ref: (statistics.fmean(seen), statistics.pstdev(seen)) for ref, seen in rises.items()}
        expected = replace(expected, steady_k=steady)
    return expected


@contextmanager
def _screen(as_json: bool) -> Iterator[Callable[[Look, str | None], None] | None]:
    """A live table where a person looks at a terminal."""
    if as_json or not sys.stdout.isatty():
        yield None
        return
    from rich.console import Console
    from rich.live import Live

    from thermscan.cli.watch_table import watch_table

    # The table moves the cursor on purpose; what comes from files in it is made visible by `watch_table`.
    console = Console(file=getattr(sys.stdout, "unfiltered", sys.stdout))
    with Live(console=console, refresh_per_second=4, transient=False) as live:
        yield lambda look, stage: live.update(watch_table(look, stage))


@contextmanager
def _keys(none: bool) -> Iterator[Callable[[], str | None]]:
    """Single keys from a terminal, without waiting for them."""
    if none or not sys.stdin.isatty():
        yield lambda: None
        return
    try:
        import select
        import termios
        import tty
    except ImportError:  # no such terminals on this system: the option --stage is left
        yield lambda: None
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    tty.setcbreak(descriptor)
    try:
        yield lambda: os.read(descriptor, 1).decode("latin-1") if select.select([descriptor], [], [], 0)[0] else None
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
