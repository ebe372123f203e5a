"""Each part's temperature against time: the board placed once, its drift followed, one pass over the recording."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.apparent import ApparentStream, apparent_stream
from thermscan.dynamics.part_pixels import PartPixels, find_part_pixels
from thermscan.dynamics.reference import Reference, find_reference, follow
from thermscan.errors import CannotJudge, InputError
from thermscan.frames.clock import Clock
from thermscan.frames.stream import FrameStream, StreamFrame, open_stream
from thermscan.frozen import dataclass, reduce_frozen
from thermscan.layout.board import Board
from thermscan.radiometry.camera import Camera
from thermscan.registration import Drift
from thermscan.runs.run import Run
from thermscan.scales import read_only

FloatArray = NDArray[np.float64]

# A hand's motion is slower than a few hertz: followed this often, its place between is a straight line away.
FOLLOWED_HZ = 7.0


@dataclass(frozen=True, slots=True, eq=False)
class PartSeries:
    """
    What a recording tells of each part.

    Attributes
    ----------
    times_s : ndarray of shape (n,)
        Of the frames used, on the recording's clock.
    mean_c : ndarray of shape (n, parts)
        Surface temperature of each measured part (see ``pixels.columns``); the camera's own drift is taken out where
        the bench shows it. NaN where a frame does not show the part.
    bench_c : ndarray of shape (n,)
        What the bench read; NaN where it is not in view.
    shift_px : ndarray of shape (n,)
        How far each frame had moved from the reference picture; NaN where it could not be followed.
    frames : int
        In the recording; frozen or foreign ones are not used.
    """

    reference: Reference
    pixels: PartPixels
    times_s: FloatArray
    mean_c: FloatArray
    bench_c: FloatArray
    shift_px: FloatArray
    frames: int
    clock: Clock
    remarks: tuple[str, ...] = field(default=())

    __reduce__ = reduce_frozen

    def __post_init__(self) -> None:
        for name in ("times_s", "mean_c", "bench_c", "shift_px"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def refs(self) -> tuple[str, ...]:
        """The measured parts' names, in the order of the columns."""
        return tuple(self.reference.board.parts[index].ref for index in self.pixels.columns)


def open_recording(run: Run, camera: Camera, *, times_needed: bool = True) -> ApparentStream:
    """
    A run's frames as one recording in apparent temperatures.

    Raises
    ------
    InputError
        A file cannot be read, it is not a recording, or nothing tells its times.
    """
    unit = "counts" if camera.reads_counts else run.unit
    stream = open_stream(
        run.frames, unit=unit, ambient_c=run.ambient_c, rate_hz=run.rate_hz, times=run.times, size_px=run.size_px
    )
    where = str(run.path) if run.path else str(run.frames[0])
    if stream.count < 2:
        raise InputError("one frame is no recording", where=where, fix="name a stack, or a folder of frames")
    if times_needed and stream.clock is None:
        fix = 'add rate_hz = 9.0 (frames a second), or times = "times.csv" with columns frame,time_s'
        raise InputError("nothing states when the frames were taken", where=where, fix=fix)
    return apparent_stream(stream, run, camera)


def extract_series(
    run: Run, board: Board, camera: Camera, *, progress: Callable[[str], None] | None = None
) -> PartSeries:
    """
    Every measurable part's temperature against time.

    Raises
    ------
    InputError
        The recording cannot be read.
    CannotJudge
        The board is not found in it, or no part can be measured.
    """
    tell = progress or (lambda _stage: None)
    tell("reading")
    stream = open_recording(run, camera)
    tell("registration")
    reference = find_reference(stream, run, board, camera)
    pixels = find_part_pixels(reference)
    if not pixels.columns:
        raise _none_measurable(reference)
    tell("reading every frame")
    return read_series(stream.stream, followed(stream, reference, clock=stream.stream.clock), reference, pixels)


def followed(
    frames: Iterable[StreamFrame], reference: Reference, *, clock: Clock | None
) -> Iterator[tuple[StreamFrame, Drift | None]]:
    """
    Each frame with the board's motion in it; repeats are left out.

    A frame that shows too little to be followed (a board not yet warm) is taken where the nearest one lies; one that
    shows something else than those about it comes with None.
    """
    interval_s = clock.interval_s if clock is not None and clock.interval_s else 1.0 / FOLLOWED_HZ
    every = max(int(1.0 / (FOLLOWED_HZ * interval_s)), 1)
    last: Drift | None = None
    waiting: list[StreamFrame] = []
    for frame in frames:
        if frame.repeats:
            continue
        waiting.append(frame)
        if len(waiting) < every and last is not None:
            continue
        drift = follow(reference, frame, last)
        yield from _between(waiting, last, drift)
        last = drift or last
        waiting = []
    yield from _between(waiting, last, last)


def _between(
    waiting: list[StreamFrame], before: Drift | None, now: Drift | None
) -> Iterator[tuple[StreamFrame, Drift | None]]:
    """Frames between two that were followed, their motion in proportion."""
    for number, frame in enumerate(waiting, start=1):
        if now is None or before is None or number == len(waiting):
            yield frame, now
            continue
        part = number / len(waiting)
        matrix = (1 - part) * before.other_from_first + part * now.other_from_first
        yield frame, Drift(matrix, now.likeness, (1 - part) * before.shift_px + part * now.shift_px)


def _none_measurable(reference: Reference) -> CannotJudge:
    told = Counter(each.reason for each in reference.measurements if each.reason is not None).most_common(1)
    what = f"none of the layout's {len(reference.measurements)} parts can be measured"
    why, fix = (f": {told[0][0].sentence}", told[0][0].remedy) if told else ("", "check the layout")
    return CannotJudge(what + why, where=str(reference.run.frames[0]), fix=fix)


def read_series(
    stream: FrameStream, frames: Iterable[tuple[StreamFrame, Drift | None]], reference: Reference, pixels: PartPixels
) -> PartSeries:
    """Parts' means of every followed frame."""
    times, means, bench, shift = [], [], [], []
    lost = 0
    for frame, drift in frames:
        read, bench_c = pixels.read(frame.values, None if drift is None else drift.other_from_first)
        times.append(frame.time_s)
        means.append(read)
        bench.append(bench_c)
        shift.append(np.nan if drift is None else drift.shift_px)
        lost += drift is None
    means_c, benches_c = np.array(means).reshape(-1, 2 * len(pixels.columns)), np.array(bench)
    shift_px = np.array(shift)
    keep = _of_the_view(shift_px)
    surface_c = pixels.surface_c(means_c[keep]) - camera_drift(benches_c[keep])[:, None]
    assert stream.clock is not None
    used = int(keep.sum())
    frozen = stream.count - len(times)
    said = []
    if frozen:
        said.append(f"{frozen} of {stream.count} frames repeat the one before, as while a shutter is closed")
    if foreign := len(times) - used:
        said.append(f"{foreign} of {stream.count} frames show another view, or something in the way")
    moved = float(np.nanmax(shift_px)) if np.isfinite(shift_px).any() else 0.0
    if moved > 0.5:
        said.append(f"the view moved by up to {moved:.1f} pixels, which was followed")
    return PartSeries(
        reference, pixels, np.array(times)[keep], surface_c, benches_c[keep], shift_px[keep], stream.count,
        stream.clock, tuple(dict.fromkeys((*reference.remarks, *said))),
    )  # fmt: skip


def _of_the_view(shift_px: FloatArray) -> NDArray[np.bool_]:
    """Frames that were followed, and those before the first of them, in which the board was not yet warm."""
    known = np.isfinite(shift_px)
    if not known.any():
        return np.ones(len(shift_px), bool)
    keep = known.copy()
    keep[: int(np.argmax(known))] = True
    return keep


def camera_drift(bench_c: FloatArray) -> FloatArray:
    """The bench's slow change against its level at the end, where the reference was taken; 0 where it is not seen."""
    seen = np.isfinite(bench_c)
    if seen.sum() < max(2, 0.5 * len(bench_c)):
        return np.zeros(len(bench_c))
    index = np.arange(len(bench_c))
    whole = np.interp(index, index[seen], bench_c[seen])
    result: FloatArray = whole - float(np.median(whole[-max(len(whole) // 10, 1) :]))
    return result
