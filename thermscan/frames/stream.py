"""
A recording as a stream: frames with times, one after the other, whatever the length.

One frame is held at a time, as 4-byte floats. Unit, size and clock are settled once, when the recording is opened.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import field, replace
from itertools import islice
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.clock import Clock, Written, read_times, settle_clock, time_in_name, time_in_text, written_times
from thermscan.frames.files import TIFF, file_kind
from thermscan.frames.reading import MAX_AT_INTEGER_END_C, read_frames
from thermscan.frames.settle import settle_unit
from thermscan.frames.stored import StoredPages
from thermscan.frames.stream_tiff import TiffStack, find_tiff_stack, time_written
from thermscan.frames.text_log import TextLog, find_text_log
from thermscan.frames.tiff import open_tiff
from thermscan.frames.units import COUNTS, KELVIN_A_STEP
from thermscan.frozen import dataclass
from thermscan.runs.reading import TIMES_NAME
from thermscan.scales import ZERO_C_ABS_K

Float32 = NDArray[np.float32]
# Frames looked at to settle the unit, and about how many pixels of each.
_SAMPLED, _SAMPLED_PIXELS = 8, 5000


@dataclass(frozen=True, slots=True, eq=False)
class StreamFrame:
    """
    One frame of a stream.

    Attributes
    ----------
    values : ndarray of float32, shape (rows, cols)
        Degrees Celsius, or counts; NaN where a pixel has no reading.
    time_s : float
        On the recording's clock.
    repeats : bool
        It repeats the frame before to the last digit, as while a shutter is closed.
    """

    values: Float32
    time_s: float
    number: int
    path: Path
    page: int
    repeats: bool = False


class _Source(Protocol):
    """One file's frames as stored."""

    @property
    def path(self) -> Path: ...
    @property
    def shape(self) -> tuple[int, int]: ...
    @property
    def count(self) -> int: ...
    def frames(self, first: int = 0) -> Iterator[NDArray[Any]]: ...


@dataclass(frozen=True, slots=True, eq=False)
class _Single:
    """A file of any other form, read whole when its turn comes: its values are degrees Celsius or counts already."""

    path: Path
    shape: tuple[int, int]
    count: int
    unit: str | None
    ambient_c: float | None
    remarks: tuple[str, ...] = ()

    def frames(self, first: int = 0) -> Iterator[NDArray[Any]]:
        for frame in islice(read_frames(self.path, unit=self.unit, ambient_c=self.ambient_c), first, None):
            yield _celsius(np.asarray(frame.values), frame.unit)


@dataclass(frozen=True, slots=True, eq=False)
class FrameStream:
    """
    A recording: it can be gone through again and again.

    Attributes
    ----------
    shape : tuple of int
        Rows and columns.
    counts : bool
        Values are counts, which a camera file turns into temperatures; else degrees Celsius.
    unit, unit_source : str
    clock : Clock or None
        None: nothing tells when the frames were taken.
    remarks : tuple of str
    """

    sources: tuple[_Source, ...]
    shape: tuple[int, int]
    unit: str
    unit_source: str
    clock: Clock | None
    remarks: tuple[str, ...] = field(default=())

    @property
    def counts(self) -> bool:
        """Whether the values are counts."""
        return self.unit == COUNTS

    @property
    def count(self) -> int:
        """How many frames there are."""
        return sum(source.count for source in self.sources)

    @property
    def written_first(self) -> Written | None:
        """The time that the first file states for its first frame, on whatever clock."""
        first = self.sources[0]
        if isinstance(first, TiffStack | TextLog):
            return first.times[0] if first.times else None
        return _time_in_file(first.path)

    def __iter__(self) -> Iterator[StreamFrame]:
        return self.every(1)

    def every(self, step: int, *, first: int = 0) -> Iterator[StreamFrame]:
        """Each ``step``-th frame, from the one numbered ``first`` on."""
        number, before = 0, None
        for source in self.sources:
            stored_c = isinstance(source, _Single)
            skipped = min(max(first - number, 0), source.count)
            number += skipped
            for page, plane in enumerate(source.frames(skipped), start=skipped):
                if (number - first) % step == 0:
                    if plane.shape != self.shape:
                        raise _other_size(source.path, plane.shape, self.shape)
                    values = plane.astype(np.float32) if stored_c else _celsius(plane, self.unit)
                    repeats = before is not None and np.array_equal(before, values, equal_nan=True)
                    time_s = float(self.clock.times_s[number]) if self.clock is not None else float(number)
                    yield StreamFrame(values, time_s, number, source.path, page, repeats)
                    before = values
                number += 1


def open_stream(
    paths: Sequence[Path],
    *,
    unit: str | None = None,
    ambient_c: float | None = None,
    rate_hz: float | None = None,
    times: Path | None = None,
    size_px: tuple[int, int] | None = None,
) -> FrameStream:
    """
    Files as one recording.

    Parameters
    ----------
    paths : sequence of Path
        Stacks, single frames or text logs, in order.
    unit : str, optional
        As in `thermscan.frames.reading.read_frames`.
    ambient_c : float, optional
    rate_hz : float, optional
        Frames a second, where the files state no times; what is given outweighs them.
    times : Path, optional
        Table of times, see `thermscan.frames.clock.read_times`.
    size_px : tuple of int, optional
        Columns and rows of a frame in a log of one row a frame.

    Returns
    -------
    FrameStream

    Raises
    ------
    InputError
        A file cannot be read, the unit cannot be told, sizes differ, or the table of times does not fit.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     log = Path(folder) / "log.csv"
    ...     _ = log.write_text("\\n".join(f"{t},{','.join(['22.5'] * 63)},31.0" for t in (0.0, 0.25, 0.5)))
    ...     stream = open_stream([log], unit="C")
    ...     [frame.time_s for frame in stream], stream.shape
    ([0.0, 0.25, 0.5], (8, 8))
    """
    if not paths:
        raise InputError("no frames are named", fix="name files or a folder of frames")
    sources = _sources(paths, unit=unit, ambient_c=ambient_c, size_px=size_px)
    shape = sources[0].shape
    for source in sources:
        if source.shape != shape:
            raise _other_size(source.path, source.shape, shape)
    unit_name, unit_source, said = _unit(sources, unit=unit, ambient_c=ambient_c)
    clock, clock_said = _clock(sources, rate_hz=rate_hz, times=times)
    remarks = [text for source in sources for text in getattr(source, "remarks", ())]
    return FrameStream(
        sources, shape, unit_name, unit_source, clock,
        tuple(dict.fromkeys([*remarks, *said, *clock_said, *(clock.remarks if clock else ())])),
    )  # fmt: skip


def _sources(
    paths: Sequence[Path], *, unit: str | None, ambient_c: float | None, size_px: tuple[int, int] | None
) -> tuple[_Source, ...]:
    """A folder of single frames is not read to be opened: the others are taken to be as the first, until read."""
    first = _source(paths[0], unit=unit, ambient_c=ambient_c, size_px=size_px)
    if not isinstance(first, _Single) or first.count > 1:
        others = [_source(path, unit=unit, ambient_c=ambient_c, size_px=size_px) for path in paths[1:]]
        return (first, *others)
    found: list[_Source] = [first]
    for path in paths[1:]:
        stack = find_tiff_stack(path) if file_kind(path) == TIFF else None
        found.append(stack or replace(first, path=path, remarks=()))
    return tuple(found)


def _source(path: Path, *, unit: str | None, ambient_c: float | None, size_px: tuple[int, int] | None) -> _Source:
    if file_kind(path) == TIFF:
        stack = find_tiff_stack(path)
        if stack is not None:
            return stack
    else:
        log = find_text_log(path, size_px=size_px)
        if log is not None:
            return log
    frames = read_frames(path, unit=unit, ambient_c=ambient_c)
    settled = unit or (frames[0].unit if frames[0].unit_source != "file" else None)
    return _Single(path, frames[0].shape, len(frames), settled, ambient_c, frames[0].remarks)


def _other_size(path: Path, seen: tuple[int, ...], first: tuple[int, int]) -> InputError:
    return InputError(
        f"its frames have {seen[-1]} x {seen[-2]} pixels, the first ones {first[1]} x {first[0]}",
        where=str(path),
        fix="name frames of one camera and setting together",
    )


def _unit(sources: Sequence[_Source], *, unit: str | None, ambient_c: float | None) -> tuple[str, str, tuple[str, ...]]:
    """The unit of all files, told from the first of them that is a stack or a log; single files are settled each."""
    many = next((source for source in sources if not isinstance(source, _Single)), None)
    if many is None:
        frame = read_frames(sources[0].path, unit=unit, ambient_c=ambient_c)[0]
        return (COUNTS if frame.unit == COUNTS else "C"), frame.unit_source, frame.remarks
    thin = max(int(np.sqrt(many.shape[0] * many.shape[1] / _SAMPLED_PIXELS)), 1)
    pages = tuple(plane[::thin, ::thin].astype(np.float64) for plane in islice(many.frames(), _SAMPLED))
    texts = many.texts if isinstance(many, TiffStack | TextLog) else ()
    stored_as = many.stored_as if isinstance(many, TiffStack) else "text"
    kind = "TIFF" if isinstance(many, TiffStack) else "CSV"
    stored = StoredPages(pages=pages, file_format=kind, stored_as=stored_as, texts=texts)
    settled = settle_unit(stored, unit=unit, ambient_c=ambient_c, where=str(many.path))
    return settled.unit, settled.source, settled.remarks


def _celsius(plane: NDArray[Any], unit: str) -> Float32:
    """A plane in degrees Celsius (counts stay counts), NaN for what is no temperature."""
    with np.errstate(over="ignore", invalid="ignore"):  # a number beyond all measure becomes infinite, and then none
        values = plane.astype(np.float32)
    if unit in KELVIN_A_STEP:
        values *= np.float32(KELVIN_A_STEP[unit])
        values -= np.float32(ZERO_C_ABS_K)
    elif unit == "F":
        values -= np.float32(32.0)
        values /= np.float32(1.8)
    if unit == COUNTS:
        return values
    # Kept as float32: absolute zero itself may come out a few millionths higher.
    bad = ~(values > -ZERO_C_ABS_K + 0.01)
    if plane.dtype.kind in "ui":
        top = values[plane == np.iinfo(plane.dtype).max]
        if top.size and top[0] > MAX_AT_INTEGER_END_C:
            bad |= plane == np.iinfo(plane.dtype).max
    if bad.any():
        values[bad] = np.nan
    return values


def _clock(
    sources: Sequence[_Source], *, rate_hz: float | None, times: Path | None
) -> tuple[Clock | None, tuple[str, ...]]:
    count = sum(source.count for source in sources)
    beside = sources[0].path.parent / TIMES_NAME
    if times is None and rate_hz is None and count == len(sources) > 1 and beside.is_file():
        listed = read_times(beside)
        times = beside if all(source.path.name in listed for source in sources) else None
    if times is not None:
        return settle_clock(_from_table(sources, times)), ()
    if rate_hz is not None:
        return settle_clock(np.arange(count) / rate_hz), ()
    written: list[Written | None] = []
    for source in sources:
        if isinstance(source, TiffStack | TextLog):
            written += source.times
        else:
            named = time_in_name(source.path.name) or _time_in_file(source.path)
            written += [named] if source.count == 1 else [None] * source.count
    raw = written_times(written)
    if raw is None:
        some = sum(each is not None for each in written)
        return None, ((f"only {some} of {count} frames state when they were taken",) if some else ())
    return settle_clock(raw), ()


def _from_table(sources: Sequence[_Source], table: Path) -> NDArray[np.float64]:
    """The table's time of each frame, by its file's name where the files hold one frame each, else by its page."""
    listed = read_times(table)
    count = sum(source.count for source in sources)
    by_name = [listed.get(source.path.name, listed.get(source.path.stem)) for source in sources]
    if all(source.count == 1 for source in sources) and any(found is not None for found in by_name):
        keys = [source.path.name for source in sources]
        found = by_name
    else:
        by_number = {int(float(name)): time for name, time in listed.items() if _is_whole(name)}
        keys = [f"frame {number}" for number in range(count)]
        found = [by_number.get(number) for number in range(count)]
    lost = [key for key, time in zip(keys, found, strict=True) if time is None]
    if lost:
        more = f" and {len(lost) - 1} more" if len(lost) > 1 else ""
        fix = "give each frame a row: its page counted from 0, or its file's name"
        raise InputError(f"it has no time for {lost[0]}{more}", where=str(table), fix=fix)
    return np.array(found, dtype=np.float64)


def _is_whole(name: str) -> bool:
    try:
        return float(name).is_integer()
    except ValueError:
        return False


def _time_in_file(path: Path) -> Written | None:
    """The time that a single frame's own texts state."""
    try:
        if file_kind(path) != TIFF:
            with path.open(encoding="utf-8", errors="replace") as stream:
                head = [line for line, _ in zip(stream, range(12), strict=False)]
            return next((found for line in head if (found := time_in_text(line)) is not None), None)
        with open_tiff(path) as tiff:
            return time_written(tiff.pages[0].texts)
    except (OSError, InputError):
        return None
