"""A good board's recorded power-up, as something to hold another's against while it is watched."""

from __future__ import annotations

import numpy as np

from thermscan.dynamics.against_good import check_it_rises
from thermscan.dynamics.alarms import Expected, expected_of
from thermscan.dynamics.part_series import extract_series
from thermscan.dynamics.warmup_run import power_on_of
from thermscan.errors import InputError
from thermscan.layout.board import Board
from thermscan.layout.reading import read_board
from thermscan.radiometry.camera import read_camera
from thermscan.runs.run import Run


def good_power_up(run: Run, board: Board) -> Expected:
    """
    The good board's rises against time since power-on.

    Raises
    ------
    InputError
        It is of another board, when its power came on is neither stated nor seen, or nothing rises in it.
    CannotJudge
        The board is not found in it, or no part can be measured.
    """
    where = str(run.path or run.frames[0])
    if run.layout is not None:
        known = {part.ref for part in read_board(run.layout).parts}
        if not known & {part.ref for part in board.parts}:
            raise InputError("it is of another board", where=where, fix="name a run of this board type")
    series = extract_series(run, board, read_camera(run.camera))
    power_on = power_on_of(series)
    if power_on.time_s is None:
        what = "when its power came on is neither stated nor seen, so nothing can be held against it at equal times"
        raise InputError(what, where=where, fix="state power_on_s, or name a recording that begins before power-on")
    expected = expected_of(series, power_on)
    check_it_rises(np.array(list(expected.good_k.values())), where=where)
    return expected
