"""The main job, from frames to judgement. It reads from top to bottom; it draws and prints nothing."""

from __future__ import annotations

from dataclasses import dataclass, field

from thermscan.frames.frame import Frame
from thermscan.judge.baseline import Baseline
from thermscan.judge.finding import Judgement
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.registration.registration import Registration
from thermscan.runs.run import Run


@dataclass(frozen=True, slots=True, eq=False)
class Inspection:
    """All that one run told: each stage's result, in order."""

    run: Run
    board: Board
    frames: tuple[Frame, ...]
    image: ThermalImage
    registration: Registration
    rectified: Rectified
    measurements: tuple[PartMeasurement, ...]
    judgement: Judgement
    baseline: Baseline | None = None
    remarks: tuple[str, ...] = field(default=())
