"""A run against known-good runs of the same board type, part by part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import sample_bilinear
from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.heat.split import HeatSplit
from thermscan.judge import thresholds
from thermscan.judge.baseline import Baseline
from thermscan.judge.board_wide import FEWEST_FOR_SCALE, BoardWide, fit_board_wide
from thermscan.judge.comparison import Comparison, look_u_k
from thermscan.judge.expected import Expected, comparison_u_k, factor_bounds
from thermscan.judge.heat_seen import HeatSeen
from thermscan.judge.holds import Hold, HoldCode
from thermscan.judge.spread import shrunk_scales
from thermscan.layout.board import Board
from thermscan.regions.measurement import PartMeasurement
from thermscan.regions.sensor_lines import sensor_u_k
from thermscan.runs.run import Run

# So many pixels of the raster fix its shift and scale.
RASTER_SAMPLE = 800


@dataclass(frozen=True, slots=True, eq=False)
class BaselineResult:
    """
    The board-wide difference, each part's comparison, what changed heat explains, and what to say about it.

    ``heat``: the look's, with stand-ins for new sources that the layout does not know.
    """

    board_wide: BoardWide
    comparisons: tuple[Comparison, ...]
    heat: HeatSeen
    remarks: tuple[str, ...] = field(default=())
    change: HeatSplit | None = None
    scale_sd: float = 0.0


def check_same_board(baseline: Baseline, board: Board, *, digest: str) -> None:
    """
    Refuse a baseline of another board, revision or layout.

    Raises
    ------
    InputError
        With what differs.
    """
    learn = "learn a baseline from good runs with this layout"
    if baseline.board_name != board.name:
        raise InputError(f'it is of the board "{baseline.board_name}", not "{board.name}"', where="baseline", fix=learn)
    if baseline.board_revision != board.revision:
        there, here = baseline.board_revision or "none", board.revision or "none"
        raise InputError(f"it is of revision {there}, the layout is of revision {here}", where="baseline", fix=learn)
    if baseline.layout_digest != digest:
        raise InputError("the layout's outline or parts have changed since it was learned", where="baseline", fix=learn)


def difference_raster_k(
    rise_k: NDArray[np.float64],
    mm_per_px: float,
    baseline: Baseline,
    *,
    bare: NDArray[np.bool_],
    given_k: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """
    The board's rise less the baseline's on this run's raster, after the raster's own shift and scale.

    Parameters
    ----------
    rise_k : ndarray of shape (rows, cols)
        This run's, of the bare board.
    mm_per_px : float
        Of it.
    baseline : Baseline
        Its raster is apparent and this run's may be corrected for emissivity: that is one more scale.
    bare : ndarray of bool, shape (rows, cols)
        Pixels of bare board, from which shift and scale are fitted.
    given_k : ndarray of shape (rows, cols), optional
        What parts that have changed give there: left out of that fit, not of the difference.

    Returns
    -------
    ndarray of shape (rows, cols)
        NaN where either is unseen.
    """
    rows, cols = np.indices(rise_k.shape)
    ratio = mm_per_px / baseline.mm_per_px
    points = np.column_stack([((cols.ravel() + 0.5) * ratio) - 0.5, ((rows.ravel() + 0.5) * ratio) - 0.5])
    usual = sample_bilinear(baseline.rise_raster_k, points).reshape(rise_k.shape)
    use = np.flatnonzero(bare & np.isfinite(usual) & np.isfinite(rise_k))
    use = use[:: max(len(use) // RASTER_SAMPLE, 1)]
    if len(use) < FEWEST_FOR_SCALE:
        return np.full(rise_k.shape, np.nan)
    then = usual.ravel()[use]
    now = (rise_k if given_k is None else rise_k - given_k).ravel()[use]
    fit = fit_board_wide(now, then, np.hypot(thresholds.REPEAT_SHARE * then, thresholds.REPEAT_FLOOR_K))
    result: NDArray[np.float64] = rise_k - fit.level_k(usual)
    return result


def compare_baseline(
    common: tuple[PartMeasurement, ...],
    expected: Expected,
    places: NDArray[np.intp],
    board_wide: BoardWide,
    *,
    split: HeatSplit | None,
    change: HeatSplit | None,
    not_comparable: str | None,
) -> tuple[Comparison, ...]:
    """
    Each part's rise against the baseline's, brought to this run's level.

    Parameters
    ----------
    common, places
        From `common_parts`.
    expected : Expected
    board_wide : BoardWide
    split : HeatSplit or None
        Of this run.
    change : HeatSplit or None
        The split of the differences: what of each part's change its neighbours' changes gave it.
    not_comparable : str or None
        Why the runs cannot be compared as equals, such as another time since power-on.
    """
    rise = np.array([float(m.rise_k or 0.0) for m in common])
    usual = board_wide.level_k(expected.mean_k[places])
    temp_excess = rise - usual
    heats = [change.of(m.part.ref) if change is not None else None for m in common]
    received = np.array([heat.received_k if heat else 0.0 for heat in heats])
    excess = temp_excess - received
    u_received = np.array([heat.u_received_k if heat else 0.0 for heat in heats])
    scaled_sd = expected.sd_k[places] * max(board_wide.scale, 0.3)
    now = [split.of(m.part.ref) if split is not None else None for m in common]
    own_now = np.array([heat.own_k if heat and heat.own_k is not None else np.nan for heat in now])
    own_usual = np.where(np.isfinite(own_now), own_now - excess, usual - board_wide.shift_k)
    runs = np.maximum(expected.runs[places], 1)
    noise, looks = comparison_u_k(common, expected), np.array([look_u_k(m) for m in common])
    # A look differs from the mean of n looks by sqrt(1 + 1/n) standard deviations.
    further = np.sqrt(1 + 1 / runs)
    steady = np.minimum(expected.steady_k, scaled_sd)
    grown = np.sqrt(scaled_sd**2 - steady**2) * further
    u_level = board_wide.u_level_k(expected.mean_k[places])
    uneven, steady = np.array([sensor_u_k(m) for m in common]) * further, steady * further
    measured = np.sqrt(np.maximum(noise**2 + looks**2 / runs - uneven**2, 0.0) + u_received**2 + u_level**2)
    # Most parts are good: their scatter on this very board says how far the expected spread is off, and the sensor's.
    trusted = min(expected.degrees, 2 * thresholds.EXPECTATION_DEGREES)
    bounds = factor_bounds(thresholds.REPEAT_SHARE)
    told = shrunk_scales(excess, grown, noise=measured, steady=np.hypot(uneven, steady), degrees=trusted, bounds=bounds)
    u_k, spread = np.hypot(measured, told.steady * uneven), np.hypot(told.nature * grown, told.steady * steady)
    level = np.clip(own_usual, 0.0, np.maximum(usual, 0.0))
    floor = np.hypot(thresholds.REPEAT_SHARE_BOUNDS[0] * level, 0.5 * thresholds.REPEAT_FLOOR_K)
    return tuple(
        Comparison(
            ref=m.part.ref,
            rule="baseline",
            excess_k=float(excess[i]),
            u_k=float(u_k[i]),
            spread_k=float(max(spread[i], floor[i])),
            degrees=told.degrees,
            temp_excess_k=float(temp_excess[i]),
            expected_k=float(usual[i]),
            own_expected_k=float(own_usual[i]),
            count=int(runs[i]),
            against=f"{runs[i]} known-good run{'s' if runs[i] > 1 else ''}",
            at_most_watch=Hold(HoldCode.NOT_EQUALLY_WARM, not_comparable) if not_comparable else None,
        )
        for i, m in enumerate(common)
    )


def warm_up_mismatch(run: Run, baseline: Baseline) -> str | None:
    """
    Why two looks at different times after power-on are not equals, or None.

    Examples
    --------
    >>> from thermscan.judge.baseline import BaselineRun
    >>> good = BaselineRun(None, None, None, 30.0, 22.0, None, (), {}, {})
    >>> baseline = Baseline("b", None, "", (good,), np.zeros((2, 2)), 1.0)
    >>> from thermscan.runs.run import Run
    >>> warm_up_mismatch(Run((), 22.0, 22.0, minutes_on=3.0), baseline)
    'this run was taken 3 minutes after power-on, the baseline after 30: the board was not equally warm'
    """
    known = [known.minutes_on for known in baseline.runs if known.minutes_on is not None]
    if run.minutes_on is None or not known:
        return None
    then = float(np.median(known))

    def share(minutes: float) -> float:
        return 1.0 - float(np.exp(-minutes / thresholds.WARM_UP_MINUTES))

    if abs(share(run.minutes_on) - share(then)) <= thresholds.WARM_UP_LEAST_SHARE:
        return None
    return (
        f"this run was taken {run.minutes_on:g} minutes after power-on, the baseline after {then:g}: "
        "the board was not equally warm"
    )


def baseline_remarks(
    measurements: Sequence[PartMeasurement],
    baseline: Baseline,
    run: Run,
    board_wide: BoardWide,
    *,
    not_comparable: str | None,
) -> tuple[str, ...]:
    """What a reader should know of the comparison with the known-good runs."""
    remarks = [
        f"against the known-good runs all rises are {board_wide.scale:.2f} times as large "
        f"and shifted by {board_wide.shift_k:+.1f} K; parts were judged on what is left"
    ]
    if not_comparable is not None:
        remarks.append(not_comparable)
    known = {ref for known_run in baseline.runs for ref in known_run.rise_k}
    unknown = sorted(m.part.ref for m in measurements if m.measurable and m.part.ref not in known)
    if unknown:
        remarks.append(f"not measurable in any known-good run, so not compared with them: {', '.join(unknown)}")
    stages = {known_run.stage for known_run in baseline.runs if known_run.stage}
    if run.stage and stages and run.stage not in stages:
        remarks.append(f'the known-good runs were taken at stage "{sorted(stages)[0]}", this one at "{run.stage}"')
    return tuple(remarks)
