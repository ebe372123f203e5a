"""When each page of a recording was taken, where the file says so."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

_NUMBER = r"([-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?)"
_SECONDS = re.compile(
    rf"(?<![A-Za-z])(?:time|t|elapsed|zeit)(?:_s|\s*\[s\]|\s*\(s\))?\s*[\"']?\s*[:=;]\s*{_NUMBER}\s*(ms|s)?(?![\w:.])",
    re.I,
)
_STAMP = re.compile(r"(\d{4})[-:/](\d\d)[-:/](\d\d)[T ](\d\d):(\d\d):(\d\d(?:[.,]\d+)?)")
_INTERVAL = re.compile(
    rf"(?<![A-Za-z])(?:frame[_ ]?interval|finterval|interval)(?:_s)?\s*[\"']?\s*[:=]\s*{_NUMBER}\s*(ms|s)?(?![\w.])",
    re.I,
)
_RATE = re.compile(rf"(?<![A-Za-z])(?:frame[_ ]?rate|fps|rate)(?:_hz)?\s*[\"']?\s*[:=]\s*{_NUMBER}", re.I)


def page_times(texts: Sequence[Sequence[str]], *, pages: int) -> tuple[float, ...] | None:
    """
    Seconds since the first page, for each page, or None where the file does not plainly say.

    Parameters
    ----------
    texts : sequence of sequences of str
        What is written at each page. A time in each, or one list of times, or one frame interval or rate.
    pages : int

    Returns
    -------
    tuple of float, or None
        Rising strictly; times that repeat or run backwards are not believed.

    Examples
    --------
    >>> page_times([["time_s: 3.0"], ["time_s: 3.5"]], pages=2)
    (0.0, 0.5)
    >>> page_times([["fps=25"], []], pages=2)
    (0.0, 0.04)
    >>> page_times([["unit: cK"], []], pages=2)
    """
    if pages < 2 or not texts:
        return None
    times = _listed(texts[0], pages)
    if times is None and len(texts) == pages:
        each = [next((time for text in page if (time := _time_in(text)) is not None), None) for page in texts]
        times = [time for time in each if time is not None] if None not in each else None
    if times is None:
        interval = next((step for text in texts[0] if (step := _interval_in(text)) is not None), None)
        times = [interval * number for number in range(pages)] if interval else None
    if times is None or not all(later > earlier for earlier, later in pairwise(times)):
        return None
    return tuple(round(time - times[0], 6) for time in times)


def _value(number: str, unit: str | None) -> float:
    return float(number.replace(",", ".")) * (0.001 if unit and unit.lower() == "ms" else 1.0)


def seconds_written(text: str) -> float | None:
    """
    Seconds written behind a word for time, or None.

    Examples
    --------
    >>> seconds_written("frame 3, t = 250 ms")
    0.25
    """
    match = _SECONDS.search(text)
    return _value(match.group(1), match.group(2)) if match else None


def stamp_written(text: str) -> float | None:
    """
    A written date and time, in seconds since the year 2000, or None.

    Examples
    --------
    >>> stamp_written("2000-01-01T00:01:30.5")
    90.5
    """
    if match := _STAMP.search(text):
        year, month, day, hour, minute = (int(part) for part in match.groups()[:5])
        second = float(match.group(6).replace(",", "."))
        try:
            start = datetime(year, month, day, hour, minute)
        except ValueError:
            return None
        return (start - datetime(2000, 1, 1)).total_seconds() + second
    return None


def _time_in(text: str) -> float | None:
    seconds = seconds_written(text)
    return stamp_written(text) if seconds is None else seconds


def _interval_in(text: str) -> float | None:
    if match := _INTERVAL.search(text):
        return _value(match.group(1), match.group(2))
    if match := _RATE.search(text):
        rate = float(match.group(1).replace(",", "."))
        return 1.0 / rate if rate > 0 else None
    return None


def _listed(texts: Sequence[str], pages: int) -> list[float] | None:
    for text in texts:
        try:
            document = json.loads(text)
        except (ValueError, RecursionError):
            continue
        for key in ("times_s", "time_s", "times"):
            listed = document.get(key) if isinstance(document, dict) else None
            numbers = [float(t) for t in listed if isinstance(t, int | float)] if isinstance(listed, list) else []
            if len(numbers) == pages:
                return numbers
    return None
