"""Learning what good looks like, from inspections of boards known to be good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import sample_bilinear
from thermscan.errors import InputError
from thermscan.frames.frame import Frame
from thermscan.heat.bare import bare_pixels
from thermscan.judge.baseline import Baseline, BaselineRun
from thermscan.judge.comparison import look_u_k
from thermscan.layout.board import Board
from thermscan.layout.digest import layout_digest
from thermscan.regions.measurement import PartMeasurement, Rectified
from thermscan.runs.run import Run

# A forgotten run's share in the raster stays: that is said in every later version of the file.
_RASTER_KEEPS = "the board's raster still holds a share of a forgotten run"
# Runs that start this far apart in minutes since power-on are not one state of the board.
MINUTES_RATIO = 2.0


class Inspected(Protocol):
    """What is read of an inspection."""

    @property
    def run(self) -> Run: ...
    @property
    def board(self) -> Board: ...
    @property
    def frames(self) -> tuple[Frame, ...]: ...
    @property
    def rectified(self) -> Rectified: ...
    @property
    def measurements(self) -> tuple[PartMeasurement, ...]: ...


def learn_baseline(inspections: Sequence[Inspected]) -> Baseline:
    """
    A baseline from one or more inspections of one layout.

    Parameters
    ----------
    inspections : sequence of Inspection
        Each with a run, board, frames, rectified raster and measurements.

    Returns
    -------
    Baseline

    Raises
    ------
    InputError
        No inspection, different layouts, the same frames twice, or no measurable part in one of them.
    """
    if not inspections:
        raise InputError("no run to learn from", fix="name at least one run of a board known to be good")
    first = inspections[0]
    baseline = Baseline(
        board_name=first.board.name,
        board_revision=first.board.revision,
        layout_digest=layout_digest(first.board),
        runs=(),
        rise_raster_k=np.full(first.rectified.apparent_c.shape, np.nan),
        mm_per_px=first.rectified.mm_per_px,
    )
    return extend_baseline(baseline, inspections)


def extend_baseline(baseline: Baseline, inspections: Sequence[Inspected]) -> Baseline:
    """
    A baseline with further runs; the old ones stay as they are.

    Raises
    ------
    InputError
        As `learn_baseline`.
    """
    if not inspections:
        return baseline
    first = inspections[0]
    runs = list(baseline.runs)
    everything = _Mean(baseline.rise_raster_k, len(runs))
    flat = _Mean(baseline.rise_raster_k, len(runs))
    for inspection in inspections:
        _check_layout(baseline, inspection)
        learned = _learned_run(inspection)
        if any(set(learned.frame_sha256) & set(known.frame_sha256) for known in runs):
            raise InputError(
                "these frames are in the baseline already", where=_where(inspection), fix="name each run once"
            )
        runs.append(learned)
        raster, mm_per_px = _rise_raster(inspection), inspection.rectified.mm_per_px
        everything.add(_on_raster(raster, mm_per_px, baseline))
        flat.add(_on_raster(_without_overhung(raster, inspection), mm_per_px, baseline))
    # What leans over the board in a view is not counted; what stands on a body's own foot is that body.
    foot = ~bare_pixels(first.board, shape=flat.seen.shape, mm_per_px=baseline.mm_per_px, margin=0.0)
    mean = np.where(foot, everything.mean, flat.mean)
    return replace(baseline, runs=tuple(runs), rise_raster_k=mean, remarks=(*_remarks(runs), *_kept(baseline)))


class _Mean:
    """The running mean of rasters, pixel by pixel; NaN where none has a value."""

    def __init__(self, raster_k: NDArray[np.float64], count: int) -> None:
        self.total = np.nan_to_num(raster_k) * count
        self.seen = np.isfinite(raster_k) * float(count)

    def add(self, raster_k: NDArray[np.float64]) -> None:
        """Count one more raster in."""
        self.total += np.nan_to_num(raster_k)
        self.seen += np.isfinite(raster_k)

    @property
    def mean(self) -> NDArray[np.float64]:
        """Of all that were counted."""
        empty = np.full(self.total.shape, np.nan)
        mean: NDArray[np.float64] = np.divide(self.total, self.seen, out=empty, where=self.seen > 0)
        return mean


def forget_run(baseline: Baseline, number: int) -> Baseline:
    """
    A baseline without one of its runs; the raster, a mean over all of them, keeps its share in it.

    Parameters
    ----------
    baseline : Baseline
    number : int
        From 1.

    Raises
    ------
    InputError
        There is no such run, or it is the only one.
    """
    if not 1 <= number <= len(baseline.runs):
        raise InputError(f"there is no run {number}, only 1 to {len(baseline.runs)}", where="baseline")
    if len(baseline.runs) == 1:
        raise InputError("its only run cannot be forgotten", where="baseline", fix="learn a new baseline instead")
    runs = [run for i, run in enumerate(baseline.runs, start=1) if i != number]
    taken = baseline.runs[number - 1].taken
    kept = f"{_RASTER_KEEPS}{f' taken {taken}' if taken else ''}"
    return replace(baseline, runs=tuple(runs), remarks=(*_remarks(runs), *_kept(baseline), kept))


def _kept(baseline: Baseline) -> tuple[str, ...]:
    return tuple(remark for remark in baseline.remarks if remark.startswith(_RASTER_KEEPS))


def _check_layout(baseline: Baseline, inspection: Inspected) -> None:
    board = inspection.board
    if baseline.board_name != board.name or baseline.board_revision != board.revision:
        there = f"{baseline.board_name} {baseline.board_revision or ''}".strip()
        here = f"{board.name} {board.revision or ''}".strip()
        raise InputError(
            f'its board is "{here}", that of the baseline "{there}"',
            where=_where(inspection),
            fix="learn one baseline for each board and revision",
        )
    if baseline.layout_digest != layout_digest(board):
        raise InputError(
            "its layout differs from the baseline's in outline or parts",
            where=_where(inspection),
            fix="use one layout for all runs of a baseline",
        )


def _learned_run(inspection: Inspected) -> BaselineRun:
    run = inspection.run
    measured = [m for m in inspection.measurements if m.measurable and m.rise_k is not None]
    if not measured:
        raise InputError("no part of it could be measured", where=_where(inspection), fix="leave this run out")
    return BaselineRun(
        taken=run.taken.isoformat() if run.taken else None,
        board_serial=run.board_serial,
        stage=run.stage,
        minutes_on=run.minutes_on,
        ambient_c=run.ambient_c,
        supply_w=sum(rail.watts for rail in run.supply) if run.supply else None,
        frame_sha256=tuple(frame.source.sha256 for frame in inspection.frames),
        rise_k={m.part.ref: float(m.rise_k or 0.0) for m in measured},
        u_k={m.part.ref: look_u_k(m) for m in measured},
    )


def _rise_raster(inspection: Inspected) -> NDArray[np.float64]:
    rectified = inspection.rectified
    return np.where(rectified.on_board, rectified.apparent_c - inspection.run.ambient_c, np.nan)


def _without_overhung(raster_k: NDArray[np.float64], inspection: Inspected) -> NDArray[np.float64]:
    """NaN where a body hides the board in that view, on its foot or leaning over what lies behind."""
    overhung = inspection.rectified.overhung
    return raster_k if overhung is None else np.where(overhung, np.nan, raster_k)


def _on_raster(raster_k: NDArray[np.float64], mm_per_px: float, baseline: Baseline) -> NDArray[np.float64]:
    """A raster brought to the baseline's."""
    rows, cols = np.indices(baseline.rise_raster_k.shape)
    ratio = baseline.mm_per_px / mm_per_px
    points = np.column_stack([((cols.ravel() + 0.5) * ratio) - 0.5, ((rows.ravel() + 0.5) * ratio) - 0.5])
    return sample_bilinear(raster_k, points).reshape(baseline.rise_raster_k.shape)


def _remarks(runs: Sequence[BaselineRun]) -> tuple[str, ...]:
    remarks = []
    if len(runs) == 1:
        remarks.append(
            "one run only: how much this board differs from look to look is assumed, not learned; "
            "three or more are better"
        )
    stages = sorted({run.stage for run in runs if run.stage})
    if len(stages) > 1:
        remarks.append(f"the runs are of different stages: {', '.join(stages)}")
    minutes = sorted(run.minutes_on for run in runs if run.minutes_on)
    if minutes and minutes[-1] > MINUTES_RATIO * minutes[0]:
        remarks.append(f"the runs were taken {minutes[0]:g} to {minutes[-1]:g} minutes after power-on")
    return tuple(remarks)


def _where(inspection: Inspected) -> str | None:
    return inspection.run.path.name if inspection.run.path else None
