"""One run brought to the level of the known-good runs, and its differences told apart by who makes them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.coordinates import points_where
from thermscan.frozen import dataclass
from thermscan.heat.change import split_change
from thermscan.heat.fin import fin_grid
from thermscan.heat.heat_split import HeatSplit, PartHeat
from thermscan.heat.least_squares import PartRises
from thermscan.judge.baseline import Baseline
from thermscan.judge.baseline_rule import (
    BaselineResult,
    baseline_remarks,
    compare_baseline,
    difference_raster_k,
    warm_up_mismatch,
)
from thermscan.judge.board_wide import BoardWide, fit_board_wide
from thermscan.judge.comparison import specimen_u_k
from thermscan.judge.expected import FEWEST_IN_COMMON, Expected, common_parts, comparison_u_k, expect_from
from thermscan.judge.heat_seen import HeatSeen, spots_in, with_sources
from thermscan.judge.thresholds import ACT_LEAST_K, PEER_SHARE, REPEAT_FLOOR_K, REPEAT_SHARE
from thermscan.judge.unmapped import is_stand_in, may_be_source
from thermscan.regions.measurement import PartMeasurement
from thermscan.regions.sensor_lines import mean_sensor_u_k
from thermscan.runs.run import Run

# A part that has changed by this share of the greatest change, or more, is left out of the board-wide fits.
CULPRIT_SHARE = 1.0 / 3.0


def against_baseline(
    measurements: Sequence[PartMeasurement],
    run: Run,
    baseline: Baseline,
    *,
    heat: HeatSeen,
    same_specimen: bool | None = None,
) -> BaselineResult | None:
    """
    Every part of a run against the known-good runs; None where they have too few parts in common.

    Parameters
    ----------
    measurements : sequence of PartMeasurement
    run : Run
    baseline : Baseline
        Of the same board.
    heat : HeatSeen
        Of this run.
    same_specimen : bool, optional
        Whether the runs are of the very board that is judged; else told by the serials.
    """
    serials = {known.board_serial for known in baseline.runs}
    same = run.board_serial is not None and serials == {run.board_serial}
    if same_specimen is not None:
        same = same_specimen
    specimen_k = {m.part.ref: specimen_u_k(m) for m in measurements if m.measurable}
    expected = expect_from(baseline, same_serial=same, own_shares=_own_shares(heat.split), specimen_k=specimen_k)
    common, places = common_parts(measurements, expected)
    if len(common) < FEWEST_IN_COMMON:
        return None
    level = _level(common, expected, places, baseline, heat)
    new_k = new_on_bare_k(baseline, heat)
    # New heat that no part explains is given a source of its own before it makes its neighbours look overloaded.
    fresh = [spot for spot in spots_in(new_k, level.change, heat) if may_be_source(spot)]
    if (seen := with_sources(heat, measurements, fresh)) is not heat:
        heat, level = seen, _level(common, expected, places, baseline, seen)
    not_comparable = warm_up_mismatch(run, baseline)
    return BaselineResult(
        board_wide=level.whole,
        comparisons=compare_baseline(
            common,
            expected,
            places,
            level.board_wide,
            split=heat.split,
            change=level.change,
            not_comparable=not_comparable,
        ),
        remarks=baseline_remarks(measurements, baseline, run, level.whole, not_comparable=not_comparable),
        change=level.change,
        scale_sd=expected.scale_sd,
        heat=heat,
    )


def new_on_bare_k(
    baseline: Baseline, heat: HeatSeen, *, given_k: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """What is new on the bare board since the known-good runs; shape (rows, cols), NaN where either is unseen."""
    return difference_raster_k(heat.rise_k, heat.view.mm_per_px, baseline, bare=heat.bare(), given_k=given_k)


@dataclass(frozen=True, slots=True, eq=False)
class _Level:
    """
    The board-wide difference, and what single parts have changed beyond it.

    ``board_wide`` is the level on which parts are judged, ``whole`` what is told of the board: how all its rises are
    to those of the runs themselves.
    """

    board_wide: BoardWide
    whole: BoardWide
    change: HeatSplit | None


def _level(
    common: tuple[PartMeasurement, ...],
    expected: Expected,
    places: NDArray[np.intp],
    baseline: Baseline,
    heat: HeatSeen,
) -> _Level:
    """
    Shift and scale of all parts, and the split of what is left.

    A culprit that warms the whole board looks like another load. What it gives is found first with it in the
    fits, then left out of them.
    """
    rise, mean_k = np.array([float(m.rise_k or 0.0) for m in common]), expected.mean_k[places]
    sd_k = np.hypot(expected.sd_k[places], comparison_u_k(common, expected))
    first = fit_board_wide(rise, mean_k, sd_k)
    # Of a look and of the mean of so many.
    sensor_k = mean_sensor_u_k(common) * float(np.sqrt(1.0 + 1.0 / max(len(baseline.runs), 1)))
    change = _change(common, rise - first.level_k(mean_k), sd_k, heat, new_on_bare_k(baseline, heat), sensor_k=sensor_k)
    if change is None:
        return _Level(first, first, None)
    parts_k = np.zeros_like(rise)
    culprits = _culprits(change)
    if culprits:
        given_k = _given(change, culprits, heat)
        parts_k = _given_to(change, culprits, common)
        again = fit_board_wide(rise - parts_k, mean_k, sd_k)
        bare_k = new_on_bare_k(baseline, heat, given_k=given_k)
        left_k = rise - again.level_k(mean_k)
        change = _change(common, left_k, sd_k, heat, bare_k, sensor_k=sensor_k) or change
    # What all changes give their neighbours had gone into shift and scale: fitted again without it.
    received = np.array([part.received_k if (part := change.of(m.part.ref)) else 0.0 for m in common])
    together_k2 = _covariance_k2(common, expected, places, heat)
    whole = fit_board_wide(rise - parts_k, mean_k, sd_k, covariance_k2=together_k2)
    return _Level(fit_board_wide(rise - received, mean_k, sd_k), whole.over(expected.runs_scale), change)


def _covariance_k2(
    common: tuple[PartMeasurement, ...], expected: Expected, places: NDArray[np.intp], heat: HeatSeen
) -> NDArray[np.float64] | None:
    """
    Of the differences between a good run and the mean of the others: watts that differ part by part, and reading them.

    What one part draws more warms all about it, so that their rises differ together; shape (n, n).
    """
    if heat.split is None:
        return None
    place, fit = {part.ref: i for i, part in enumerate(heat.board.parts)}, heat.split.fit
    share = REPEAT_SHARE if expected.specimens is None else PEER_SHARE
    gives_k = fit.responses.bodies[[place[m.part.ref] for m in common]] * fit.heat_kmm2
    runs = float(np.mean(np.maximum(expected.runs[places], 1)))
    result: NDArray[np.float64] = share**2 * (gives_k @ gives_k.T) * (1.0 + 1.0 / runs)
    result[np.diag_indices_from(result)] += comparison_u_k(common, expected) ** 2 + REPEAT_FLOOR_K**2
    return result


def _change(
    common: tuple[PartMeasurement, ...],
    change_k: NDArray[np.float64],
    u_k: NDArray[np.float64],
    heat: HeatSeen,
    bare_k: NDArray[np.float64],
    *,
    sensor_k: float,
) -> HeatSplit | None:
    if heat.split is None:
        return None
    place = {part.ref: i for i, part in enumerate(heat.board.parts)}
    at = [place[m.part.ref] for m in common]
    changes = PartRises(np.full(len(place), np.nan), np.full(len(place), np.nan))
    changes.rise_k[at], changes.u_k[at] = change_k, u_k
    return split_change(
        bare_k,
        changes,
        heat.board,
        mm_per_px=heat.view.mm_per_px,
        registration=heat.view.registration,
        noise_k=heat.view.noise_k,
        sensor_k=sensor_k,
        split=heat.split,
    )


def _culprits(change: HeatSplit) -> list[int]:
    """The parts that have changed most, and new sources where no part is, by their places on the board."""
    own = np.array([_own_change_k(part) for part in change.parts])
    return np.flatnonzero(own >= max(ACT_LEAST_K, CULPRIT_SHARE * float(own.max(initial=0.0)))).tolist()


def _own_change_k(part: PartHeat) -> float:
    """What a part has come to give; parts that are not seen are not held to have changed."""
    if part.own_k is not None:
        return abs(part.own_k)
    return abs(part.own_board_k) if is_stand_in(part.ref) else 0.0


def _given(change: HeatSplit, culprits: list[int], heat: HeatSeen) -> NDArray[np.float64]:
    """What culprits give each pixel of bare board; shape (rows, cols), 0 elsewhere."""
    best = change.fit
    bare = heat.bare()
    points = (points_where(bare) + 0.5) * heat.view.mm_per_px
    theirs = np.zeros_like(best.heat_kmm2)
    theirs[culprits] = best.heat_kmm2[culprits]
    cells = best.responses.cells(theirs)
    given = np.zeros(bare.shape)
    given[bare] = fin_grid(heat.board).interpolation(points) @ cells
    return given


def _given_to(change: HeatSplit, culprits: list[int], common: tuple[PartMeasurement, ...]) -> NDArray[np.float64]:
    """What culprits give each of the parts in common, themselves included."""
    best = change.fit
    place = {part.ref: i for i, part in enumerate(change.parts)}
    given = best.responses.bodies[:, culprits] @ best.heat_kmm2[culprits]
    result: NDArray[np.float64] = given[[place[m.part.ref] for m in common]]
    return result


def _own_shares(split: HeatSplit | None) -> dict[str, float]:
    """How much of each part's rise, without what the whole board shares, is its own heat."""
    shares = {}
    for heat in split.parts if split is not None else ():
        if heat.own_k is not None and heat.own_k + heat.received_k > 0:
            shares[heat.ref] = heat.own_k / (heat.own_k + heat.received_k)
    return shares
