"""A run against known-good runs of the same board type, part by part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import sample_bilinear
from thermscan.errors import InputError
from thermscan.heat.split import HeatSplit
from thermscan.judge import thresholds
from thermscan.judge.baseline import Baseline
from thermscan.judge.board_wide import FEWEST_FOR_SCALE, BoardWide, fit_board_wide
from thermscan.judge.calibration import calibrated
from thermscan.judge.comparison import Comparison, look_u_k, specimen_u_k
from thermscan.judge.spread import shrunk_scale
from thermscan.layout.board import Board
from thermscan.regions.measurement import PartMeasurement
from thermscan.runs.run import Run

# Fewer parts in common with the known-good runs cannot be brought to one level with them.
FEWEST_IN_COMMON = 3
# So many pixels of the raster fix its shift and scale.
RASTER_SAMPLE = 800


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """
    What the baseline lets expect of each part, before shift and scale.

    ``specimens``: how many others than the board judged the runs show at least; None: they are of that very one.
    ``seen_sd_k``: how much the runs differ themselves, NaN for fewer than two; ``sd_k`` weighs the expectation in.
    """

    refs: tuple[str, ...]
    mean_k: NDArray[np.float64]
    sd_k: NDArray[np.float64]
    runs: NDArray[np.intp]
    degrees: float
    seen_sd_k: NDArray[np.float64]
    specimens: int | None = None


@dataclass(frozen=True, slots=True)
class BaselineResult:
    """The board-wide difference, each part's comparison, what changed heat explains, and what to say about it."""

    board_wide: BoardWide
    comparisons: tuple[Comparison, ...]
    remarks: tuple[str, ...] = field(default=())
    change: HeatSplit | None = None


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


def expect_from(
    baseline: Baseline,
    *,
    same_serial: bool = True,
    own_shares: Mapping[str, float] | None = None,
    specimen_k: Mapping[str, float] | None = None,
) -> Expected:
    """
    Each part's usual rise and how much it differs from run to run.

    Parameters
    ----------
    baseline : Baseline
    same_serial : bool
        Whether the runs and the board judged are one specimen: specimens differ more than looks.
    own_shares : mapping of ref to float, optional
        How much of each part's rise is its own heat, 0 to 1: the rest, from many neighbours, varies less.
    specimen_k : mapping of ref to float, optional
        What a part's own emissivity adds between specimens.

    Returns
    -------
    Expected

    Notes
    -----
    The runs are brought to a common level first, each by its own shift and scale. The spread is expected
    as a share of the rise; the runs together say how far that is off, and the more runs there are the more
    a part's own scatter counts. What measuring adds to the runs' scatter is taken out of it.
    """
    refs = tuple(sorted({ref for run in baseline.runs for ref in run.rise_k}))
    table = np.array([[run.rise_k.get(ref, np.nan) for ref in refs] for run in baseline.runs]).reshape(-1, len(refs))
    levelled = _levelled(table)
    runs = np.isfinite(levelled).sum(axis=0)
    mean = np.nansum(levelled, axis=0) / np.maximum(runs, 1)
    share = thresholds.REPEAT_SHARE if same_serial else thresholds.PEER_SHARE
    own = np.clip([(own_shares or {}).get(ref, 1.0) for ref in refs], 0.0, 1.0)
    varies = own + thresholds.RECEIVED_VARIES * (1.0 - own)
    expected = np.hypot(share * mean * varies, thresholds.REPEAT_FLOOR_K)
    scatter = np.nansum((levelled - mean) ** 2, axis=0)
    many = runs > 1
    # Runs without a serial may all be of one specimen, whose emissivities are wrong by the same in each.
    specimens = None if same_serial else max(len({run.board_serial for run in baseline.runs if run.board_serial}), 1)
    noise = np.array([[run.u_k.get(ref, 0.0) for ref in refs] for run in baseline.runs]).reshape(-1, len(refs))
    if specimens is not None and specimens > 1:
        noise = np.hypot(noise, [(specimen_k or {}).get(ref, 0.0) for ref in refs])
    # Deviations from a mean of n are smaller than from the truth.
    smaller = np.sqrt(np.maximum(1 - 1 / np.maximum(runs, 1), 1e-9))
    known = np.isfinite(levelled) & many
    factor, degrees = shrunk_scale(
        ((levelled - mean) / smaller)[known],
        np.broadcast_to(expected, levelled.shape)[known],
        noise=noise[known],
        degrees=thresholds.EXPECTATION_DEGREES,
        bounds=_bounds(share),
    )
    weight = min(degrees, 2 * thresholds.EXPECTATION_DEGREES)
    further = np.maximum(runs - 1, 0)
    natural = np.maximum(scatter - np.where(many, further * np.mean(noise**2, axis=0), 0.0), 0.0)
    variance = (weight * (factor * expected) ** 2 + natural) / (weight + further)
    floor = np.hypot(thresholds.REPEAT_SHARE_BOUNDS[0] * mean * varies, 0.5 * thresholds.REPEAT_FLOOR_K)
    seen = np.sqrt(np.where(many, scatter / np.maximum(further, 1), np.nan))
    return Expected(refs, mean, np.maximum(np.sqrt(variance), floor), runs, degrees, seen, specimens)


def comparison_u_k(common: Sequence[PartMeasurement], expected: Expected) -> NDArray[np.float64]:
    """
    Standard uncertainty of each part's reading against the baseline's, without the runs' own noise.

    A part's own emissivity cancels only where both are one specimen.
    """
    looks = np.array([look_u_k(m) for m in common])
    if expected.specimens is None:
        return looks
    own = np.array([specimen_u_k(m) for m in common]) * np.sqrt(1 + 1 / expected.specimens)
    result: NDArray[np.float64] = np.hypot(looks, own)
    return result


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


def common_parts(
    measurements: Sequence[PartMeasurement], expected: Expected
) -> tuple[tuple[PartMeasurement, ...], NDArray[np.intp]]:
    """Measurable parts that the baseline knows, and their places in ``expected``."""
    place = {ref: i for i, ref in enumerate(expected.refs)}
    both = [m for m in measurements if m.measurable and m.rise_k is not None and m.part.ref in place]
    return tuple(both), np.array([place[m.part.ref] for m in both], dtype=np.intp)


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
    spread = scaled_sd * np.sqrt(1 + 1 / runs)
    u_level = board_wide.u_level_k(expected.mean_k[places])
    u_k = np.sqrt(noise**2 + looks**2 / runs + u_received**2 + u_level**2)
    # Most parts are good: their scatter on this very board says how far the expected spread is off.
    trusted = min(expected.degrees, 2 * thresholds.EXPECTATION_DEGREES)
    factor, degrees = shrunk_scale(excess, spread, noise=u_k, degrees=trusted, bounds=_bounds(thresholds.REPEAT_SHARE))
    level = np.clip(own_usual, 0.0, np.maximum(usual, 0.0))
    floor = np.hypot(thresholds.REPEAT_SHARE_BOUNDS[0] * level, 0.5 * thresholds.REPEAT_FLOOR_K)
    return calibrated(
        [
            Comparison(
                ref=m.part.ref,
                rule="baseline",
                excess_k=float(excess[i]),
                u_k=float(u_k[i]),
                spread_k=float(max(factor * spread[i], floor[i])),
                degrees=degrees,
                temp_excess_k=float(temp_excess[i]),
                expected_k=float(usual[i]),
                own_expected_k=float(own_usual[i]),
                count=int(runs[i]),
                against=f"{runs[i]} known-good run{'s' if runs[i] > 1 else ''}",
                at_most_watch=not_comparable,
            )
            for i, m in enumerate(common)
        ]
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


def _bounds(share: float) -> tuple[float, float]:
    low, high = thresholds.REPEAT_SHARE_BOUNDS
    return low / share, high / share


def _levelled(table: NDArray[np.float64]) -> NDArray[np.float64]:
    """The runs, each brought to the mean of all by its own shift and scale."""
    levelled = table.copy()
    for _ in range(3 if len(table) > 1 else 0):
        counts = np.isfinite(levelled).sum(axis=0)
        mean = np.nansum(levelled, axis=0) / np.maximum(counts, 1)
        for i, row in enumerate(table):
            both = np.isfinite(row) & (counts > 1)
            if both.sum() < FEWEST_IN_COMMON:
                continue
            sd = np.hypot(thresholds.REPEAT_SHARE * mean[both], thresholds.REPEAT_FLOOR_K)
            fit = fit_board_wide(row[both], mean[both], sd)
            levelled[i] = (row - fit.shift_k) / max(fit.scale, 0.2)
    return levelled
