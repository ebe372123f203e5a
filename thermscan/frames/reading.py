"""Reading a frame file: TIFF or text by content, the unit settled, bad pixels marked."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermscan.errors import InputError
from thermscan.frames.files import TIFF, file_digest, file_kind
from thermscan.frames.frame import Frame, FrameSource
from thermscan.frames.settle import settle_unit
from thermscan.frames.stored import MAX_FILE_PIXELS, MOST_STORED, StoredPages, as_numbers
from thermscan.frames.tiff import read_tiff
from thermscan.frames.units import COUNTS, celsius, kelvin_a_step
from thermscan.scales import ZERO_C_ABS_K

# A pixel at exactly 0 in °C or °F is a reading only if others come near it; this far alone it is a filling value.
LONELY_ZERO_K = 5.0
# Nothing solid on a bench is hotter: tungsten melts at 3422 °C, and no lamp's filament is in view.
MAX_C = 3000.0
# The largest whole number that the storage holds is a filling value if it means more than solder, plastics and boards
# stand; below, as with signed 16-bit cK (54.5 °C), it may be a clipped reading, which is hot all the same.
MAX_AT_INTEGER_END_C = 300.0
_INTEGER_ENDS = {name: float(np.iinfo(name).max) for name in ("uint8", "uint16", "int16", "uint32", "int32")}
# An image of one row or column has no geometry to find a board in.
MIN_SIDE_PX = 2


def read_frames(
    path: Path | str,
    *,
    unit: str | None = None,
    ambient_c: float | None = None,
    size_px: tuple[int, int] | None = None,
    every: int = 1,
    stop: int | None = None,
) -> tuple[Frame, ...]:
    """
    The frames in a TIFF or CSV file, one a page, with their unit settled.

    The unit is the one given, else the one that the file plainly states, else the only one that makes the frame
    plausible for a bench, which is then said in a remark. It is never guessed in silence.

    Parameters
    ----------
    path : Path
    unit : str, optional
        ``cK dK K C F mK``, or ``counts`` where a camera file turns counts into temperatures.
    ambient_c : float, optional
        Room temperature; it narrows down what is plausible.
    size_px : tuple of int, optional
        Columns and rows of a frame, where a text holds each frame in one line.
    every, stop : int, optional
        Of a long recording: every so manyth page, and none from that one on.

    Returns
    -------
    tuple of Frame
        NaN where the file has no number, or one that cannot be a temperature.

    Raises
    ------
    InputError
        The file cannot be read as frames, holds no number, or its unit cannot be told.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "idle.csv"
    ...     _ = file.write_text("Unit: °C\\n22,5;22,6\\n22,4;31,0\\n", encoding="utf-8")
    ...     frame = read_frames(file)[0]
    >>> frame.values.tolist(), frame.unit, frame.unit_source
    ([[22.5, 22.6], [22.4, 31.0]], 'C', 'file')
    """
    path = Path(path)
    stored = _read_stored(path, size_px=size_px, every=every, stop=stop)
    settled = settle_unit(stored, unit=unit, ambient_c=ambient_c, where=str(path))
    digest = file_digest(path)
    frames = []
    blank = 0
    for number, page in enumerate(stored.pages):
        values, remarks = _mark_bad(page, settled.unit, stored_as=stored.stored_as)
        if remarks and not np.isfinite(values).any():
            blank += 1
            continue
        frames.append(
            Frame(
                values=values,
                unit=settled.unit,
                unit_source=settled.source,
                source=FrameSource(path, number * every, digest, stored.file_format, stored.stored_as),
                time_s=stored.times_s[number] if stored.times_s else None,
                remarks=(*stored.remarks, *settled.remarks, *remarks),
            )
        )
    if not frames:
        raise InputError("no pixel holds a temperature", where=str(path), fix="export the file again")
    if blank:
        remark = f"{blank} of {len(stored.pages)} pages hold no number and were left out"
        return tuple(replace(frame, remarks=(*frame.remarks, remark)) for frame in frames)
    return tuple(frames)


def check_frames(path: Path, *, size_px: tuple[int, int] | None = None) -> None:
    """
    Refuse a file that cannot be read as frames, whatever its unit is; of a long recording one page is looked at.

    Raises
    ------
    InputError
        As :func:`read_frames` raises it for the file itself.

    Examples
    --------
    >>> check_frames(Path("no-such.tiff"))
    Traceback (most recent call last):
    thermscan.errors.InputError: no-such.tiff: there is no such file; check the path
    """
    _read_stored(path, size_px=size_px, every=1, stop=1)


def _read_stored(path: Path, *, size_px: tuple[int, int] | None, every: int, stop: int | None) -> StoredPages:
    """The pages as the file holds them."""
    if file_kind(path) == TIFF:
        stored = read_tiff(path, every=every, stop=stop)
    else:
        stored = _read_text(path, size_px=size_px, every=every, stop=stop)
    _check_shape(stored, where=str(path))
    return stored


def _read_text(path: Path, *, size_px: tuple[int, int] | None, every: int, stop: int | None) -> StoredPages:
    """A log of one row a frame, or a table."""
    # A TIFF loads nothing of this.
    from thermscan.frames.clock import written_times  # noqa: PLC0415
    from thermscan.frames.csv_text import read_csv  # noqa: PLC0415
    from thermscan.frames.text_log import find_text_log  # noqa: PLC0415

    log = find_text_log(path, size_px=size_px)
    if log is None or log.leading < 0:
        stored = read_csv(path)
        times_s = None if stored.times_s is None else stored.times_s[:stop:every]
        return replace(stored, pages=stored.pages[:stop:every], times_s=times_s)
    chosen = range(0, min(stop or log.count, log.count), every)
    if len(chosen) * log.shape[0] * log.shape[1] > MAX_FILE_PIXELS:
        fix = "give it to 'thermscan warmup', which reads frame by frame, or split it"
        raise InputError(f"its {log.count} frames are more than can be held", where=str(path), fix=fix)
    times = written_times(log.times)
    return StoredPages(
        pages=tuple(page.astype(np.float64) for page in islice(log.frames(), 0, chosen.stop, every)),
        file_format="CSV",
        stored_as="text",
        texts=log.texts,
        times_s=None if times is None else tuple((times - times[0])[: chosen.stop : every].tolist()),
        remarks=(f"{log.count} frames of {log.shape[1]} x {log.shape[0]} pixels, one in each row", *log.remarks),
    )


def _check_shape(stored: StoredPages, *, where: str) -> None:
    rows, cols = stored.pages[0].shape
    if min(rows, cols) < MIN_SIDE_PX:
        raise InputError(
            f"it holds {rows} row(s) of {cols} value(s), which is no frame",
            where=where,
            fix="export one value a pixel, one line a pixel row",
        )


def _mark_bad(stored: NDArray[Any], unit: str, *, stored_as: str) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """NaN for what is no number or cannot be a temperature, and a sentence that counts them."""
    page = as_numbers(stored)
    if _all_good(stored, unit, stored_as=stored_as):
        page.flags.writeable = False
        return page, ()
    with np.errstate(invalid="ignore"):
        finite = np.abs(page) <= MOST_STORED
    values = np.where(finite, page, np.nan)
    remarks = []
    missing = int(finite.size - finite.sum())
    if missing:
        remarks.append(f"{_pixels(missing)} without a number, taken as bad")
    if unit == COUNTS:
        return values, tuple(remarks)
    temp_c = celsius(values, unit)
    with np.errstate(invalid="ignore"):
        impossible = (temp_c <= -ZERO_C_ABS_K) | (temp_c > MAX_C)
        if stored_as in _INTEGER_ENDS:
            impossible |= (values == _INTEGER_ENDS[stored_as]) & (temp_c > MAX_AT_INTEGER_END_C)
    if unit in {"C", "F"}:
        impossible |= _lonely_zeros(values, unit)
    found = int(impossible.sum())
    if found:
        values[impossible] = np.nan
        remarks.append(f"{_pixels(found)} at a filling value that is no temperature, taken as bad")
    return values, tuple(remarks)


def _all_good(stored: NDArray[Any], unit: str, *, stored_as: str) -> bool:
    """The ends of the range show that no number is missing or impossible, as is usual."""
    with np.errstate(invalid="ignore"):
        ends = np.array([stored.min(), stored.max()], dtype=np.float64)
    if not (np.abs(ends) <= MOST_STORED).all():
        return False
    if unit == COUNTS:
        return True
    low_c, high_c = celsius(ends, unit)
    may_be_zero = unit in {"C", "F"} and ends[0] <= 0.0 <= ends[1]
    return bool(
        low_c > -ZERO_C_ABS_K and high_c <= MAX_C and ends[1] != _INTEGER_ENDS.get(stored_as) and not may_be_zero
    )


def _lonely_zeros(values: NDArray[np.float64], unit: str) -> NDArray[np.bool_]:
    zeros: NDArray[np.bool_] = values == 0.0
    if not zeros.any():
        return zeros
    others = np.abs(values[~zeros & np.isfinite(values)])
    if others.size and others.min() * kelvin_a_step(unit) > LONELY_ZERO_K:
        return zeros
    return np.zeros(zeros.shape, dtype=np.bool_)


def _pixels(count: int) -> str:
    return "1 pixel" if count == 1 else f"{count} pixels"
