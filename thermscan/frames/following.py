"""
Frames as another program saves them: each once, in halves or whole, growing stacks and logs page by page.

A folder is looked into again and again, which works on any disk and network share. A file that cannot be read yet is
tried again while it changes, and given up with a word only when it has been still for a while.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Container, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import numpy as np

from thermscan.errors import InputError
from thermscan.frames.clock import EPOCH_S, LATEST_S, Written, time_in_name
from thermscan.frames.stream import FrameStream, StreamFrame, open_stream
from thermscan.runs.reading import FRAME_SUFFIXES, TIMES_NAME, natural_key

# A file that has not changed for so long and still cannot be read will not mend.
STILL_S = 3.0
# Frames given out at one look into the folder: then it is looked into again, however many wait, so that what comes and
# goes is noticed and no more is held (84 MB at 640 x 512).
MOST_AT_ONCE = 64
MARKS_OF_HALVES = (".part", ".tmp", ".crdownload")


@dataclass(slots=True)
class _Known:
    """
    What is known of a file: its last size and time of change, how many of its frames were given out.

    ``reading`` gives the next ones of a file that was opened when it was ``opened``, of which not all were taken yet.
    """

    size: int = -1
    changed_ns: int = -1
    seen_s: float = 0.0
    given: int = 0
    done: bool = False
    told: bool = False
    reading: Iterator[tuple[StreamFrame, float | None]] | None = None
    opened: tuple[int, int] = (-1, -1)


@dataclass(slots=True)
class FolderFrames:
    """
    The frames that come to lie in a folder.

    Attributes
    ----------
    folder : Path
    unit, ambient_c, rate_hz, size_px
        As for `thermscan.frames.stream.open_stream`.
    complaints : list of str
        Files that were given up, in sentences; whoever reads them empties the list.
    more : bool
        Frames were left for the next look, which should come at once.
    """

    folder: Path
    unit: str | None = None
    ambient_c: float | None = None
    rate_hz: float | None = None
    size_px: tuple[int, int] | None = None
    complaints: list[str] = field(default_factory=list)
    counts: bool = False
    more: bool = False
    _known: dict[str, _Known] = field(default_factory=dict)
    _shape: tuple[int, int] | None = None
    _first: float | None = None
    _given: int = 0

    def poll(self, now_s: float, *, last: bool = False) -> list[StreamFrame]:
        """
        Frames that have come since the last look, `MOST_AT_ONCE` at most, in the order of their times.

        Parameters
        ----------
        now_s : float
            A clock that only goes forward.
        last : bool
            Nothing more will come: what cannot be read now is given up.
        """
        self.more = False
        fresh: list[tuple[tuple[float, list[tuple[int, int, str]], int], StreamFrame, float | None]] = []
        present = self._present()
        self._tell_gone(present)
        waiting = []
        for name, about in present.items():
            known = self._known.setdefault(name, _Known())
            if (about.st_size, about.st_mtime_ns) != (known.size, known.changed_ns):
                known.size, known.changed_ns, known.seen_s = about.st_size, about.st_mtime_ns, now_s
                known.done = known.told = False
            if not known.done:
                waiting.append(self.folder / name)
        for path in sorted(waiting, key=lambda each: natural_key(each.name)):
            known = self._known[path.name]
            if len(fresh) >= MOST_AT_ONCE:
                self.more = True
                break
            try:
                found = self._read(path, known, most=MOST_AT_ONCE - len(fresh))
            except InputError as error:
                if last or now_s - known.seen_s > STILL_S:
                    known.done = True
                    if not known.told:
                        self.complaints.append(str(error))
                        known.told = True
                continue
            self.more = self.more or not known.done
            for frame, written in found:
                order = (frame.time_s if written is None else written, natural_key(path.name), frame.page)
                fresh.append((order, frame, written))
        fresh.sort(key=lambda each: each[0])
        return [self._timed(frame, written, now_s) for _, frame, written in fresh]

    def notice(self) -> None:
        """What is there now, while the frames of one look take long: a file that comes and goes meanwhile is told."""
        present = self._present()
        self._tell_gone(present)
        for name in present:
            self._known.setdefault(name, _Known())

    def _tell_gone(self, names: Container[str]) -> None:
        """A file that was seen and vanished before it could be read is a frame that nobody looked at: it is told."""
        for name, known in self._known.items():
            if name not in names and not (known.done or known.told):
                known.told = True
                where = str(self.folder / name)
                self.complaints.append(str(InputError("it vanished before it could be read", where=where)))

    def _present(self) -> dict[str, os.stat_result]:
        """Files that may hold frames: one look at each, since a folder of an hour holds thousands."""
        found = {}
        try:
            with os.scandir(self.folder) as entries:
                for entry in entries:
                    if _may_hold_frames(entry.name):
                        with suppress(OSError):  # gone again
                            about = entry.stat()
                            if stat.S_ISREG(about.st_mode):
                                found[entry.name] = about
        except OSError:
            return {}
        return found

    def _read(self, path: Path, known: _Known, *, most: int) -> list[tuple[StreamFrame, float | None]]:
        """The file's next frames that were not given out yet, each with the time that is written for it."""
        found: list[tuple[StreamFrame, float | None]] = []
        try:
            if known.reading is None:
                known.opened = (known.size, known.changed_ns)
                known.reading = self._opened(path, known.given)
            found.extend(islice(known.reading, most))
            if len(found) < most:
                known.reading = None
                # What came to it since it was opened is still to be read.
                known.done = known.opened == (known.size, known.changed_ns)
        except (InputError, OSError, ValueError) as error:
            known.reading = None
            # What was read before the damage is not lost; the damage is met again at the next look.
            if not found:
                if isinstance(error, InputError):
                    raise
                raise InputError(f"it cannot be read ({error})", where=str(path), fix="save it again") from error
            self.more = True
        known.given += len(found)
        return found

    def _opened(self, path: Path, given: int) -> Iterator[tuple[StreamFrame, float | None]]:
        """The frames of a file from a number on."""
        stream = open_stream([path], unit=self.unit, ambient_c=self.ambient_c, size_px=self.size_px)
        self.counts = stream.counts
        whole = stream.count == 1
        written = _written(stream, path)
        for frame in stream.every(1, first=given):
            self._check(frame, path)
            yield frame, None if written is None else written + (0.0 if whole else frame.time_s)

    def _check(self, frame: StreamFrame, path: Path) -> None:
        rows, cols = frame.values.shape
        if self._shape is None:
            self._shape = (rows, cols)
        elif (rows, cols) != self._shape:
            first = f"{self._shape[1]} x {self._shape[0]}"
            raise InputError(f"it has {cols} x {rows} pixels, the first frame {first}", where=str(path), fix="left out")
        if not np.isfinite(frame.values).any():
            raise InputError("no pixel holds a temperature", where=str(path), fix="left out")

    def _timed(self, frame: StreamFrame, written: float | None, now_s: float) -> StreamFrame:
        """A frame on the clock of this watch: as written, else by the rate, else when it came."""
        number = self._given
        self._given += 1
        if written is not None and abs(written) <= LATEST_S:
            if self._first is None:
                self._first = written if written > EPOCH_S else 0.0
            time_s = written - self._first
        elif self.rate_hz is not None:
            time_s = number / self.rate_hz
        else:
            if self._first is None:
                self._first = now_s
            time_s = now_s - self._first
        return StreamFrame(frame.values, time_s, number, frame.path, frame.page, frame.repeats)


def _may_hold_frames(name: str) -> bool:
    lower = name.lower()
    return (
        os.path.splitext(lower)[1] in FRAME_SUFFIXES
        and lower != TIMES_NAME
        and not lower.startswith(".")
        and not any(mark in lower for mark in MARKS_OF_HALVES)
    )


def _written(stream: FrameStream, path: Path) -> float | None:
    """What to add to the frames' times: 0 where they are the file's own, a single file's time, or None."""
    if stream.count > 1:
        return 0.0 if stream.clock is not None else None
    named: Written | None = time_in_name(path.name) or stream.written_first
    return None if named is None else named.seconds
