"""The lock-in at the supply's period: as stated, if the data bear it out, else as they show it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np

from thermscan.dynamics.apparent import ApparentStream
from thermscan.dynamics.blocks import BlockReader, Blocks, read_blocks
from thermscan.dynamics.board_maps import BoardGrid
from thermscan.dynamics.fin_kernel import SHEETS_W_PER_K, quick_kernel
from thermscan.dynamics.heat_patterns import HeatPatterns, heat_patterns
from thermscan.dynamics.lockin import LockIn, basis_for, lock_in
from thermscan.dynamics.part_pixels import PartPixels
from thermscan.dynamics.part_series import followed
from thermscan.dynamics.period import FEWEST_CYCLES, PeriodSearch, search_period
from thermscan.dynamics.reference import Reference
from thermscan.errors import CannotJudge, InputError
from thermscan.frames.stream import StreamFrame
from thermscan.frozen import dataclass
from thermscan.registration import Drift
from thermscan.registration.evidence import filled
from thermscan.runs.run import Run

FEWEST_FRAMES_A_PERIOD = 4
# By hand, a relay or a timer a supply is not switched faster than this (common practice).
FASTEST_S = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Driven:
    """The lock-in's result, with the period that it is of and where that came from."""

    result: LockIn
    period_s: float
    period_source: Literal["given", "found"]
    span_s: float
    remarks: tuple[str, ...]


def lock_in_driven(stream: ApparentStream, reference: Reference, pixels: PartPixels, grid: BoardGrid) -> Driven:
    """
    Every pixel's answer to the switched supply.

    A stated period is kept unless heat in the recording clearly follows another one, which is then used and said.

    Raises
    ------
    InputError
        The recording is too short, or too coarse in time, for the period.
    CannotJudge
        No period is stated, and what the supply's is cannot be told.
    """
    run, clock = reference.run, stream.stream.clock
    assert clock is not None
    span_s = float(np.ptp(clock.times_s))
    if run.drive_period_s is None:
        picture, drifts = np.asarray(reference.image.apparent_c), _Drifts(stream, reference)
        blocks = read_blocks(drifts.frames(), picture, stream.stream.count)
        found_s = _found_period(search_period(blocks, patterns_for(blocks, grid)), run)
        told = (f"the supply's period was found in the recording: {found_s:.4g} s", *_other_periods(clock.interval_s))
        _check_period(found_s, span_s, clock.interval_s, run)
        return Driven(_locked_in(drifts, pixels, found_s)[0], found_s, "found", span_s, told)
    stated_s = run.drive_period_s
    _check_period(stated_s, span_s, clock.interval_s, run)
    drifts = _Drifts(stream, reference)
    result, blocks = _locked_in(drifts, pixels, stated_s)
    shown = search_period(blocks, patterns_for(blocks, grid))
    if shown is None or shown.drive is None or not shown.contradicts(stated_s):
        return Driven(result, stated_s, "given", span_s, ())
    found_s = shown.drive.period_s
    said = (
        f"the stated period of {stated_s:g} s is not the one that the heat in the recording follows: that is "
        f"{found_s:.4g} s, which was used (over the recording they are {shown.apart_cycles(stated_s):.2g} cycles "
        f"apart); state drive_period_s = {found_s:.4g}, or check the camera's clock"
    )
    return Driven(_locked_in(drifts, pixels, found_s)[0], found_s, "found", span_s, (said,))


def _other_periods(interval_s: float | None) -> tuple[str, ...]:
    """Of frames far apart: what is switched faster looks like a slower swing (Nyquist), in the right place."""
    if interval_s is None or 2 * interval_s <= FASTEST_S:
        return ()
    return (
        f"with frames {interval_s:.2g} s apart a supply switched faster than every {2 * interval_s:.2g} s would look "
        "like this, too: then the place holds, and period and watts do not; state the period",
    )


def _check_period(period_s: float, span_s: float, interval_s: float | None, run: Run) -> None:
    where, cycles = str(run.path or run.frames[0]), span_s / period_s
    if cycles < FEWEST_CYCLES:
        raise InputError(
            f"its {span_s:.0f} s hold {cycles:.1f} periods of {period_s:g} s; {FEWEST_CYCLES:.0f} are needed",
            where=where,
            fix="record for longer, or switch faster",
        )
    if interval_s is not None and period_s < FEWEST_FRAMES_A_PERIOD * interval_s:
        raise InputError(
            f"a period of {period_s:g} s is too short for frames {interval_s:.3g} s apart",
            where=where, fix="switch at least four frames apart",
        )  # fmt: skip


class _Drifts:
    """A recording's frames with the view's motion, which is followed in the first pass and kept for the others."""

    def __init__(self, stream: ApparentStream, reference: Reference) -> None:
        self.stream, self.reference = stream, reference
        self._known: dict[int, Drift | None] = {}

    def frames(self) -> Iterator[tuple[StreamFrame, Drift | None]]:
        """As `thermscan.dynamics.part_series.followed` gives them."""
        if self._known:
            for frame in self.stream:
                if frame.number in self._known:
                    yield frame, self._known[frame.number]
            return
        known: dict[int, Drift | None] = {}
        for frame, drift in followed(self.stream, self.reference, clock=self.stream.stream.clock):
            known[frame.number] = drift
            yield frame, drift
        self._known = known


def _locked_in(drifts: _Drifts, pixels: PartPixels, period_s: float) -> tuple[LockIn, Blocks]:
    """One pass over the recording: every pixel's answer, and the picture's blocks."""
    stream, picture = drifts.stream.stream, np.asarray(drifts.reference.image.apparent_c)
    assert stream.clock is not None
    reader = BlockReader(filled(picture.astype(np.float32)), stream.count)
    basis = basis_for(period_s, stream.clock.times_s)
    return lock_in(drifts.frames(), pixels, basis, before_c=picture, also=reader.add), reader.blocks()


def _found_period(search: PeriodSearch | None, run: Run) -> float:
    """The drive's period, where the data leave no doubt of it."""
    if search is not None and search.drive is not None and search.rival is None:
        return search.drive.period_s
    if search is not None and search.drive is not None and search.rival is not None:
        two = f"{search.drive.period_s:.4g} s and {search.rival.period_s:.4g} s"
        wrong = f"heat follows two periods, {two}, and which of them is the supply's cannot be told"
    elif search is not None and search.others:
        wrong = (
            f"no period of a switched supply stands out; what comes back every {search.others[0].period_s:.3g} s is "
            "spread over the board, as breath, a draught or a swaying camera is"
        )
    else:
        wrong = "no period stands out in the recording, and no frames without power are named"
    raise CannotJudge(
        wrong,
        where=str(run.path or run.frames[0]),
        fix="state drive_period_s (--period), record more cycles, or name off_frames",
    )


def patterns_for(blocks: Blocks, grid: BoardGrid) -> HeatPatterns:
    """What heat at a place of the board looks like in these blocks."""
    reference = grid.reference
    spread_px = np.sqrt(reference.image.blur_px**2 + 1 / 6 + blocks.side_px**2 / 12)
    spread_mm = float(np.hypot(spread_px / grid.px_per_mm, 0.4))
    thickness = reference.board.thickness_mm
    return heat_patterns(
        blocks, reference,
        lambda omega: [
            quick_kernel(sheet_w_per_k=sheet, omega_per_s=omega, thickness_mm=thickness, spread_mm=spread_mm)
            for sheet in SHEETS_W_PER_K[3::5]
        ],
    )  # fmt: skip
