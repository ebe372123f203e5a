"""One powered look at one board, as the user describes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from datetime import datetime
from pathlib import Path

from thermscan.frozen import dataclass


@dataclass(frozen=True, slots=True)
class Supply:
    """What the bench supply showed on one rail."""

    rail: str
    volts: float
    amps: float

    @property
    def watts(self) -> float:
        """Power drawn from this rail; a negative rail draws power too."""
        return abs(self.volts * self.amps)


@dataclass(frozen=True, slots=True)
class Landmark:
    """A part's body centre as seen in the frame, in pixels."""

    ref: str
    px: tuple[float, float]


@dataclass(frozen=True, slots=True)
class StageSeen:
    """
    One stage of a board's first power, as a watch logged it.

    Attributes
    ----------
    at : str or None
        When it began, as the watch wrote it.
    frames : int
        So many were looked at, over so many ``minutes``.
    alarms : tuple of (level, text)
        Each part's last alarm of each kind; empty where nothing was alarming.
    """

    stage: str | None
    at: str | None = None
    supply: tuple[Supply, ...] = ()
    note: str | None = None
    frames: int = 0
    minutes: float | None = None
    alarms: tuple[tuple[str, str], ...] = ()


class UsualUnit(str):
    """A unit that is a bench's habit: it holds for frames that state none themselves."""

    __slots__ = ()


@dataclass(frozen=True, slots=True, repr=False)
class Run:
    """
    One powered look at one board: paths are absolute, defaults are filled in.

    Attributes
    ----------
    frames : tuple of Path
        Globs expanded, in order.
    unit : str or None
        None: read from the file where it says.
    camera : Path or None
        Camera file.
    targets : bool
        Four corner targets lie on the board; the frame tells where.
    off_frames : tuple of Path
        The same board on the same bench with the power off.
    rate_hz : float or None
        Frames a second of a recording that states no times; or ``times``, a table of them.
    power_on_s : float or None
        When the power came on, on the recording's clock; may be before the first frame.
    drive_period_s : float or None
        The supply was switched on and off with this period.
    size_px : tuple of int, or None
        Columns and rows of a frame in a log that writes each in one line.
    stage_log : Path or None
        The log of the watch at power-on; ``stages`` is what it tells.
    bench : Path or None
        The file of the bench's habits that was read.
    sources : mapping
        The file of each value that is neither the run's own nor an option's.
    units_shown : str or None
        ``C`` or ``F``, where the bench has a habit.
    camera_emissivity : float or None
        What the camera itself was set to when it turned radiance into temperature. None: what the camera
        file says, or 1.
    """

    frames: tuple[Path, ...]
    ambient_c: float
    reflected_c: float
    layout: Path | None = None
    unit: str | None = None
    stage: str | None = None
    minutes_on: float | None = None
    board_serial: str | None = None
    camera: Path | None = None
    camera_emissivity: float | None = None
    operator: str | None = None
    note: str | None = None
    taken: datetime | None = None
    supply: tuple[Supply, ...] = field(default=())
    corners_px: tuple[tuple[float, float], ...] | None = None
    landmarks: tuple[Landmark, ...] = field(default=())
    targets: bool = False
    off_frames: tuple[Path, ...] = ()
    rate_hz: float | None = None
    times: Path | None = None
    power_on_s: float | None = None
    drive_period_s: float | None = None
    size_px: tuple[int, int] | None = None
    stage_log: Path | None = None
    stages: tuple[StageSeen, ...] = ()
    path: Path | None = None
    bench: Path | None = None
    sources: Mapping[str, Path] = field(default_factory=dict)
    units_shown: str | None = None
    remarks: tuple[str, ...] = field(default=())

    @property
    def files(self) -> tuple[Path, ...]:
        """Every file that the run names, and its own."""
        named = (self.path, *self.frames, *self.off_frames, self.times, self.layout, self.camera)
        named = (*named, self.stage_log, self.bench)
        return tuple(path for path in named if path)

    def __repr__(self) -> str:
        frames = self.frames[0].name if len(self.frames) == 1 else f"{len(self.frames)} files"
        return f"<run {self.path.name if self.path else 'by options'}: {frames}, ambient {self.ambient_c:g} °C>"
