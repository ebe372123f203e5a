"""
A board at power-on, frame by frame: how fast each part rises, and which rises as it should not.

Nothing is looked at twice, and memory stays small however long it goes on. Alarms are held against the recorded
power-up of a good board at the same time, against a part's peers, against what its watts allow, and against its limit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.alarms import Alarm, Expected, alarms_of, held_against_nothing
from thermscan.dynamics.apparent import converter
from thermscan.dynamics.part_pixels import PartPixels, find_part_pixels
from thermscan.dynamics.reference import Reference, follow, reference_from
from thermscan.errors import CannotJudge, InputError
from thermscan.frames.stream import StreamFrame
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.radiometry.camera import Camera
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration import Drift
from thermscan.runs.run import Run

FloatArray = NDArray[np.float64]

# Frames held until the board has been placed, and again to place it better once it shows more.
HELD = 12
# A board is placed again once the picture has changed since by this many times what it showed then (its noise alone
# changes by 1.4 times what it shows); so often at most.
SHOWS_NEW, MOST_PLACINGS = 1.6, 6
# One that could not be placed is tried again where it shows this many times as much.
SHOWS_MORE = 1.3
# Points kept a part: when there are more, every second of the older half goes.
MOST_POINTS = 3000
# A slope is told from so many seconds, and at least so many frames.
SLOPE_S, SLOPE_FRAMES = 5.0, 5
# Power-on is where the warmest parts have risen by this, traced back along their slope.
RISEN_K, RISEN_NOISE = 0.25, 6.0


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What one frame told: each measured part's temperature, rise and slope, and what is alarming."""

    frame: StreamFrame
    placed: bool
    alarms: tuple[Alarm, ...] = ()
    refs: tuple[str, ...] = ()
    temp_c: FloatArray = field(default_factory=lambda: np.zeros(0))
    rise_k: FloatArray = field(default_factory=lambda: np.zeros(0))
    slope_k_per_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    u_rise_k: FloatArray = field(default_factory=lambda: np.zeros(0))
    u_slope: FloatArray = field(default_factory=lambda: np.zeros(0))
    since_s: float | None = None


class Watch:
    """
    The state of a watch.

    Parameters
    ----------
    run : Run
    board : Board
    camera : Camera
    expected : Expected
        What the parts are held against.
    counts : bool
        Frames are counts.
    """

    def __init__(self, run: Run, board: Board, camera: Camera, expected: Expected, *, counts: bool = False) -> None:
        self.run, self.board, self.camera, self.expected, self.counts = run, board, camera, expected, counts
        self._first: ThermalImage | None = None
        self._convert: Callable[[NDArray[np.float32]], NDArray[np.float32]] | None = None
        self._held: list[StreamFrame] = []
        self._reference: Reference | None = None
        self._pixels: PartPixels | None = None
        self._drift: Drift | None = None
        self._placings, self._shown = 0, 0.0
        self._placed_on: NDArray[np.float32] | None = None
        self._times: list[float] = []
        self._temps: list[FloatArray] = []
        # What the bench read first: its change since then is the camera's own drift, or a step of its shutter.
        self._bench_c: float | None = None
        self._power_on_s = run.power_on_s
        self.why_not_placed: str | None = None

    @property
    def placed(self) -> bool:
        """Whether the board has been found in the frames."""
        return self._reference is not None

    @property
    def measured(self) -> int:
        """How many parts can be measured in the frames."""
        return 0 if self._pixels is None else len(self._pixels.columns)

    @property
    def not_compared(self) -> tuple[str, ...]:
        """Measured parts that only a limit of theirs, if they have one, tells anything of."""
        columns = () if self._pixels is None else self._pixels.columns
        return held_against_nothing([self.board.parts[index] for index in columns], self.expected)

    @property
    def power_on_s(self) -> float | None:
        """When power came on, on the frames' clock; None while that was not seen."""
        return self._power_on_s

    def look(self, frame: StreamFrame) -> Look:
        """Take in one frame, in whatever order of time it comes."""
        if self._convert is None:
            self._first, self._convert = converter(frame, counts=self.counts, run=self.run, camera=self.camera)
        seen = StreamFrame(
            self._convert(frame.values), frame.time_s, frame.number, frame.path, frame.page, frame.repeats
        )
        self._hold(seen)
        self._place(seen)
        if self._reference is None or self._pixels is None:
            return Look(frame, False)
        self._take(seen)
        return self._told(frame)

    def _hold(self, frame: StreamFrame) -> None:
        """The first frame, and the latest ones."""
        self._held.append(frame)
        if len(self._held) > HELD:
            del self._held[1]

    def _place(self, frame: StreamFrame) -> None:
        """Find the board, or find it better once it shows more than it did."""
        thin = frame.values[::3, ::3]
        shows = _contrast(thin)
        if self._placed_on is None:
            more = shows > SHOWS_MORE * self._shown
        else:
            more = _contrast(thin - self._placed_on) > SHOWS_NEW * self._shown
        if self._placings >= MOST_PLACINGS or not more or self._first is None:
            return
        self._placings += 1
        self._shown = shows
        try:
            reference = reference_from(self._held, self._first, self.run, self.board, self.camera)
            pixels = find_part_pixels(reference)
        except (CannotJudge, InputError) as error:
            self.why_not_placed = str(error)
            # A board that is not yet warm may show later: without power that is the usual case.
            self._placings -= 1 if isinstance(error, CannotJudge) else 0
            return
        before, was = self._pixels, self._bench(frame)
        self._reference, self._pixels, self._drift, self._placed_on = reference, pixels, None, thin
        self.why_not_placed = None
        now = self._bench(frame)
        if self._bench_c is not None and was is not None and now is not None:
            # Other pixels of the bench, at another level.
            self._bench_c += now - was
        if before is None or before.columns != pixels.columns:
            self._times, self._temps, self._bench_c = [], [], None
            for each in self._held[:-1]:
                self._take(each)

    def _bench(self, frame: StreamFrame) -> float | None:
        """The bench's level in a frame, where the view lies as it did last."""
        if self._reference is None or self._pixels is None:
            return None
        drift = follow(self._reference, frame, self._drift)
        level = self._pixels.read_bench(frame.values, None if drift is None else drift.other_from_first)
        return level if np.isfinite(level) else None

    def _take(self, frame: StreamFrame) -> None:
        """A frame's part temperatures, put where its time belongs."""
        assert self._reference is not None
        assert self._pixels is not None
        drift = follow(self._reference, frame, self._drift)
        self._drift = drift or self._drift
        at = self._drift.other_from_first if self._drift is not None else None
        means, bench = self._pixels.read(frame.values, at)
        temps = self._pixels.surface_c(means)
        if np.isfinite(bench):
            self._bench_c = bench if self._bench_c is None else self._bench_c
            temps = temps - (bench - self._bench_c)
        index = int(np.searchsorted(self._times, frame.time_s, side="right"))
        self._times.insert(index, frame.time_s)
        self._temps.insert(index, temps)
        if len(self._times) > MOST_POINTS:
            half = MOST_POINTS // 2
            self._times[:half], self._temps[:half] = self._times[:half:2], self._temps[:half:2]

    def _told(self, frame: StreamFrame) -> Look:
        assert self._pixels is not None
        if not self._pixels.columns:
            return Look(frame, True)
        times, temps = np.array(self._times), np.array(self._temps)
        refs = tuple(self.board.parts[index].ref for index in self._pixels.columns)
        power_on = self._found_power_on(times, temps)
        now = times[-1]
        recent = times >= now - SLOPE_S
        recent[-SLOPE_FRAMES:] = True
        slope, slope_u, level = _line(times[recent] - now, temps[recent])
        start = _start(times, temps, power_on)
        rise = level - start
        since = None if power_on is None else float(now - power_on)
        parts = [self.board.parts[index] for index in self._pixels.columns]
        u = slope_u * max(SLOPE_S, float(np.ptp(times[recent]))) / 2 + 0.02
        alarms: tuple[Alarm, ...] = ()
        if len(times) >= SLOPE_FRAMES:
            alarms = alarms_of(
                parts, level, rise, slope, since_s=since, u_rise_k=u, u_slope=slope_u, expected=self.expected
            )
        return Look(frame, True, alarms, refs, level, rise, slope, u, slope_u, since)

    def _found_power_on(self, times: FloatArray, temps: FloatArray) -> float | None:
        """As given; else where the warmest parts left their level; the first frame, where they never had one."""
        if self._power_on_s is not None:
            return self._power_on_s if times[-1] >= self._power_on_s else None
        if len(times) < SLOPE_FRAMES:
            return None
        start = np.nanmean(temps[: SLOPE_FRAMES - 1], axis=0)
        noise = float(np.nanmedian(np.nanstd(np.diff(temps[-40:], axis=0), axis=0))) / np.sqrt(2)
        rises = temps[-1] - start
        warm = np.nanpercentile(rises, 75)
        if warm < max(RISEN_K, RISEN_NOISE * noise):
            return None
        chosen = rises >= warm
        curve = np.nanmean(temps[:, chosen], axis=1) - float(np.nanmean(start[chosen]))
        above = curve > 0.5 * float(curve[-1])
        first = int(np.argmax(above))
        slope, _, level = _line(times[first:] - times[first], curve[first:, None])
        back = float(level[0] - slope[0] * (times[-1] - times[first])) if slope[0] > 0 else 0.0
        begun = float(times[first] - max(back, 0.0) / slope[0]) if slope[0] > 0 else float(times[first])
        self._power_on_s = max(begun, float(times[0]))
        return self._power_on_s


def _contrast(values: NDArray[np.float32]) -> float:
    """Between its warmest and its coldest places, one part among them; 0 where nothing can be read."""
    finite = values[np.isfinite(values)]
    return float(np.subtract(*np.percentile(finite, [99.5, 0.5]))) if finite.size else 0.0


def _line(t: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slope, its standard uncertainty and the level at the last time, for each column."""
    if len(t) < 3:
        still = np.zeros(y.shape[1])
        return still, np.full(y.shape[1], np.inf), y[-1]
    centred = t - t.mean()
    size = float((centred**2).sum())
    mean = y.mean(axis=0)
    slope = (centred[:, None] * (y - mean)).sum(axis=0) / max(size, 1e-12)
    left = y - mean - centred[:, None] * slope
    spread = np.sqrt((left**2).sum(axis=0) / (len(t) - 2))
    return slope, spread / np.sqrt(max(size, 1e-12)), mean + slope * centred[-1]


def _start(times: FloatArray, temps: FloatArray, power_on_s: float | None) -> FloatArray:
    """Each part's level before power-on, or in the first frames where that was not seen."""
    if power_on_s is None:
        return np.asarray(np.nanmean(temps[:SLOPE_FRAMES], axis=0))
    before = times <= power_on_s
    return np.asarray(np.nanmean(temps[before], axis=0) if before.sum() >= 2 else temps[0])
