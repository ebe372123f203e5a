"""When each frame of a recording was taken: from texts, names or a table, on one clock that never runs backwards."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import Fault, InputError
from thermscan.frames.files import unreadable
from thermscan.frames.times import seconds_written, stamp_written
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.named_file import refuse_irregular
from thermscan.scales import read_only

# A step of more than this many usual ones is a gap: a lost frame makes two, and a busy computer is late by less.
GAP_STEPS = 2.5
# Numbers this large are seconds since 1970 (a recording of eleven days has a million seconds).
EPOCH_S = 1e6
# No recording has a time 30,000 years away: such figures, and infinite ones, are typing errors and tell nothing.
LATEST_S = 1e12
# Where so many frames share a time it is written too coarsely (whole seconds), rather than frames being repeated.
SPREAD_SHARE = 0.3
# A clock of the day starts again at midnight.
DAY_S = 86400.0
# A row for each of a million frames.
MOST_TABLE_BYTES = 30_000_000
_NAME_STAMP = re.compile(
    r"(?<!\d)(\d{4})[-_.]?(\d\d)[-_.]?(\d\d)[T _-]?(\d\d)[-_.h:]?(\d\d)[-_.m:]?(\d\d)(?:[-_.,](\d{1,6})(?!\d))?"
)
_NAME_SECONDS = re.compile(
    r"(?:(?<![A-Za-z0-9])t[=_-]?(\d+(?:[.,]\d+)?)(ms|s)?|(?<![\d.])(\d+(?:[.,]\d+)?)[ _]?(ms|s|sec))(?![A-Za-z0-9])",
    re.I,
)


@dataclass(frozen=True, slots=True)
class Written:
    """A time as written: seconds, and whether on a clock of its own (``elapsed``) or of the world (``stamp``)."""

    seconds: float
    stamp: bool


@dataclass(frozen=True, slots=True, eq=False)
class Clock:
    """
    The frames' times on the recording's clock.

    Attributes
    ----------
    times_s : ndarray of shape (n,)
        Never falling.
    interval_s : float or None
        The usual step; None for fewer than two frames.
    gaps : tuple of (float, float)
        When a gap began and how long it was, in seconds.
    remarks : tuple of str
    """

    times_s: NDArray[np.float64]
    interval_s: float | None
    gaps: tuple[tuple[float, float], ...] = ()
    remarks: tuple[str, ...] = field(default=())

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        object.__setattr__(self, "times_s", read_only(self.times_s))


def time_in_text(text: str) -> Written | None:
    """
    The time that a page's or block's text states.

    Examples
    --------
    >>> time_in_text("unit: cK; time_s: 3.5")
    Written(seconds=3.5, stamp=False)
    """
    if (seconds := seconds_written(text)) is not None:
        return Written(seconds, stamp=seconds > EPOCH_S)
    stamp = stamp_written(text)
    return None if stamp is None else Written(stamp, stamp=True)


def time_in_name(name: str) -> Written | None:
    """
    The time that a file's name states: a date with a time, or seconds marked as such; a mere number is none.

    Examples
    --------
    >>> time_in_name("bench_20260502_143000_250.tiff").seconds % 60
    0.25
    >>> time_in_name("idle_t12.5s.tiff"), time_in_name("frame_0012.tiff")
    (Written(seconds=12.5, stamp=False), None)
    """
    stem = re.sub(r"\.(?:tiff?|csv|txt|tsv|dat)$", "", name, flags=re.I)
    if match := _NAME_STAMP.search(stem):
        *parts, fraction = match.groups()
        try:
            moment = datetime(*(int(part) for part in parts), tzinfo=UTC)  # type: ignore[arg-type, misc]
        except ValueError:
            return None
        return Written(moment.timestamp() + (float(f"0.{fraction}") if fraction else 0.0), stamp=True)
    if match := _NAME_SECONDS.search(stem):
        number, unit = (match[1], match[2]) if match[1] else (match[3], match[4])
        scale = 0.001 if unit and unit.lower() == "ms" else 1.0
        return Written(float(number.replace(",", ".")) * scale, stamp=False)
    return None


def read_times(path: Path) -> dict[str, float]:
    """
    A table of times: columns ``frame`` (page counted from 0, or the file's name in a folder) and ``time_s``.

    Raises
    ------
    InputError
        With every fault of the table.
    """
    refuse_irregular(path)
    try:
        if path.stat().st_size > MOST_TABLE_BYTES:
            raise InputError("it is too long for a table of times", where=str(path), fix="name the table itself")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        if isinstance(error, OSError):
            raise unreadable(path, error) from error
        raise InputError("it is not UTF-8 text", where=str(path), fix="save it as UTF-8") from error
    head = text.split("\n", 1)[0]
    separator = next((mark for mark in ";\t" if mark in head), ",")
    rows = [row for row in csv.reader(text.splitlines(), delimiter=separator) if any(cell.strip() for cell in row)]
    names = [cell.strip().casefold() for cell in rows[0]] if rows else []
    missing = [name for name in ("frame", "time_s") if name not in names]
    if missing:
        fix = "give it the columns frame,time_s in the first line"
        raise InputError(f"it has no column {' and none '.join(missing)}", where=str(path), fix=fix)
    at_frame, at_time = names.index("frame"), names.index("time_s")
    found: dict[str, float] = {}
    faults: list[Fault] = []
    for number, row in enumerate(rows[1:], start=2):
        place = f"{path}, row {number}"
        if len(row) <= max(at_frame, at_time):
            faults.append(Fault("it has too few cells", place, "give each row a frame and a time"))
            continue
        name, written = row[at_frame].strip(), row[at_time].strip()
        try:
            seconds = float(written.replace(",", ".") if separator != "," else written)
        except ValueError:
            seconds = float("nan")
        if not np.isfinite(seconds):
            faults.append(Fault(f'time_s: "{written[:40]}" is not a number of seconds', place, "write it like 12.5"))
        elif name in found:
            faults.append(Fault(f'frame "{name[:60]}" is there twice', place, "keep one row a frame"))
        found[name] = seconds
    if faults:
        raise InputError.from_faults(faults)
    if not found:
        raise InputError("it has no row", where=str(path), fix="write one row a frame")
    return found


def written_times(written: Sequence[Written | None]) -> NDArray[np.float64] | None:
    """
    Seconds of each frame where all say one that can be: stamps count from the first one, elapsed times are as written.

    Examples
    --------
    >>> written_times([Written(5.0, False), Written(5.5, False)]).tolist()
    [5.0, 5.5]
    >>> written_times([Written(1e9, True), Written(1e9 + 2, True)]).tolist()
    [0.0, 2.0]
    """
    known = [each for each in written if each is not None]
    if not known or len(known) < len(written) or len({each.stamp for each in known}) > 1:
        return None
    seconds = np.array([each.seconds for each in known])
    if not np.all(np.abs(seconds) <= LATEST_S):
        return None
    return seconds - seconds[0] if known[0].stamp else seconds


def settle_clock(raw_s: Sequence[float] | NDArray[np.float64]) -> Clock:
    """
    One clock for a recording: jumps back are bridged by a usual step, gaps are listed.

    Examples
    --------
    >>> clock = settle_clock([0.0, 1.0, 2.0, 6.0, 7.0, 1.0, 2.0])
    >>> clock.times_s.tolist(), clock.gaps
    ([0.0, 1.0, 2.0, 6.0, 7.0, 8.0, 9.0], ((2.0, 4.0),))
    >>> clock.remarks[0]
    'the clock jumped back once, by 6 s after 7 s; the times went on from there'
    """
    raw = np.asarray(raw_s, dtype=np.float64)
    if len(raw) < 2:
        return Clock(raw, None)
    steps = np.diff(raw)
    forward = steps[steps > 0]
    usual = float(np.median(forward)) if forward.size else 0.0
    back = np.flatnonzero(steps < 0)
    midnight = [index for index in back if abs(steps[index] + DAY_S) < max(100 * usual, 60.0)]
    steps[midnight] += DAY_S
    jumps = [index for index in back if index not in midnight]
    fell_s = [-float(steps[index]) for index in jumps]
    steps[jumps] = usual
    times = raw[0] + np.concatenate([[0.0], np.cumsum(steps)])
    remarks = []
    if jumps:
        first = f"by {fell_s[0]:.4g} s after {times[jumps[0]]:.4g} s"
        often = f"once, {first}" if len(jumps) == 1 else f"{len(jumps)} times, first {first}"
        remarks.append(f"the clock jumped back {often}; the times went on from there")
    same = int(np.count_nonzero(steps == 0))
    if same and forward.size:
        remarks.append(f"{same} of {len(raw)} frames have the same time as the one before")
        if same > SPREAD_SHARE * len(steps):
            times, usual = _spread(times)
            steps = np.diff(times)
            remarks[-1] += ": they were spread evenly between the times written"
    wide = np.flatnonzero(steps > GAP_STEPS * usual) if usual > 0 else np.zeros(0, dtype=int)
    gaps = tuple((float(times[index]), float(steps[index])) for index in wide)
    if gaps:
        longest = max(gaps, key=lambda gap: gap[1])
        remarks.append(
            f"{len(gaps)} gap{'s' if len(gaps) > 1 else ''} in the recording, the longest of {longest[1]:.3g} s "
            f"after {longest[0]:.4g} s"
        )
    return Clock(times, usual if usual > 0 else None, gaps, tuple(remarks))


def _spread(times_s: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Frames that share a time, spread until the next one; and the usual step then."""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(times_s) > 0]))
    step = float((times_s[starts[-1]] - times_s[0]) / max(starts[-1], 1))
    index = np.arange(len(times_s))
    spread = np.interp(index, starts, times_s[starts])
    tail = index > starts[-1]
    spread[tail] = times_s[starts[-1]] + step * (index[tail] - starts[-1])
    return spread, step
