"""The time in front of a logged frame: which of the first columns it is, and in what unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from thermscan.frames.clock import EPOCH_S
from thermscan.frames.times import stamp_written

# A logger that writes whole numbers more than this apart counts milliseconds: nobody logs a warm-up at ten seconds a
# frame in whole seconds with a sensor that gives several frames a second. A heading with the unit outweighs this.
MILLISECOND_STEP = 10.0
MICROSECOND_STEP = 10_000.0
# 02.05.2026 14:30:00, 5/2/2026 2:30:00 PM: as spreadsheets and loggers write it.
_DATED = re.compile(
    r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})[ ,T]+(\d{1,2}):(\d\d)(?::(\d\d(?:[.,]\d+)?))?(?:\s*([AaPp])\.?[Mm]\.?)?"
)
_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,2}):(\d\d(?:[.,]\d+)?)")
_NAMES = re.compile(r"time|stamp|second|millis|micros|elapsed|clock|zeit|^t$|^t[ _\[(]|^(?:ms|us|s|sec)$", re.I)
_NOT_NAMES = re.compile(r"temp", re.I)
_UNITS = ((re.compile(r"micros|[_ \[(]us|µs|^us$", re.I), 1e-6), (re.compile(r"milli|[_ \[(]ms|^ms$", re.I), 1e-3))


def time_columns(names: Sequence[str]) -> list[int]:
    """
    Which columns' names speak of time.

    Examples
    --------
    >>> time_columns(["frame", "time_ms", "ambient"]), time_columns(["temperature"])
    ([1], [])
    """
    return [at for at, name in enumerate(names) if _NAMES.search(name.strip()) and not _NOT_NAMES.search(name)]


def seconds_of(cells: Sequence[str], *, name: str | None = None) -> tuple[NDArray[np.float64], bool, str | None] | None:
    """
    Seconds that a column of cells states, whether they are of the world's clock, and what was assumed of their unit.

    Parameters
    ----------
    cells : sequence of str
        One a frame.
    name : str, optional
        The column's heading; it may name the unit.

    Returns
    -------
    tuple or None
        None where the cells are no times: words, or numbers that do not rise.

    Examples
    --------
    >>> seconds_of(["0", "62", "125"])[0].tolist(), seconds_of(["0.0", "0.5"])[0].tolist()
    ([0.0, 0.062, 0.125], [0.0, 0.5])
    >>> seconds_of(["2.5.2026 23:59:59", "3.5.2026 00:00:01"])[0].tolist() == [831081599.0, 831081601.0]
    True
    >>> seconds_of(["23.1", "22.9"]) is None
    True
    """
    stamps = [stamp_written(cell) for cell in cells]
    if stamps and None not in stamps:
        return np.array(stamps, dtype=np.float64), True, None
    for clock in (_dated, _of_day):
        if (of_the_world := clock(cells)) is not None:
            return of_the_world, True, None
    try:
        numbers = np.array([float(cell.replace(",", ".")) for cell in cells])
    except ValueError:
        return None
    steps = np.diff(numbers)
    # A clock that was set back once is still a clock; a thermometer's column goes up and down.
    if not np.isfinite(numbers).all() or (steps.size and np.count_nonzero(steps < 0) > max(1, 0.02 * steps.size)):
        return None
    if steps.size and not (steps > 0).any():
        return None
    scale, said = _scale(numbers, steps, name)
    seconds = numbers * scale
    return seconds, bool(seconds[0] > EPOCH_S), said


def _scale(numbers: NDArray[np.float64], steps: NDArray[np.float64], name: str | None) -> tuple[float, str | None]:
    for pattern, scale in _UNITS:
        if name and pattern.search(name):
            return scale, None
    if name and re.search(r"second|_s$|\[s\]|\(s\)|^s$|^sec$", name.strip(), re.I):
        return 1.0, None
    rising = steps[steps > 0]
    whole = bool(np.all(numbers == np.round(numbers)))
    step = float(np.median(rising)) if rising.size else 0.0
    if whole and step >= MICROSECOND_STEP:
        return 1e-6, f"its times step by {step:.0f} and were taken for microseconds"
    if whole and step >= MILLISECOND_STEP:
        return 1e-3, f"its times step by {step:.0f} and were taken for milliseconds"
    return 1.0, None


def _dated(cells: Sequence[str]) -> NDArray[np.float64] | None:
    """Dates, the year last: day first with dots, else whichever order all cells allow, month first where both do."""
    found = [_DATED.fullmatch(cell.strip()) for cell in cells]
    written = [match.groups() for match in found if match is not None]
    if not written or len(written) < len(cells):
        return None
    day_first = written[0][1] == "." or any(int(groups[0]) > 12 for groups in written)
    seconds = []
    for first, _, second, year, hour, minute, rest, half in written:
        day, month = (first, second) if day_first else (second, first)
        hours = int(hour) if half is None else int(hour) % 12 + (12 if half in "Pp" else 0)
        try:
            start = datetime(int(year), int(month), int(day), hours, int(minute))
        except ValueError:
            return None
        since_2000 = (start - datetime(2000, 1, 1)).total_seconds()
        seconds.append(since_2000 + float((rest or "0").replace(",", ".")))
    return np.array(seconds)


def _of_day(cells: Sequence[str]) -> NDArray[np.float64] | None:
    found = [_CLOCK.fullmatch(cell.strip()) for cell in cells]
    written = [match.groups() for match in found if match is not None]
    if not written or len(written) < len(cells):
        return None
    return np.array([3600.0 * float(h or 0) + 60.0 * float(m) + float(s.replace(",", ".")) for h, m, s in written])
