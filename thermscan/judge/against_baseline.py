"""One run brought to the level of the known-good runs, and its differences told apart by who makes them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.heat.change import split_change
from thermscan.heat.sources import PartRises
from thermscan.heat.split import HeatSplit
from thermscan.judge.baseline import Baseline
from thermscan.judge.baseline_rule import (
    FEWEST_IN_COMMON,
    BaselineResult,
    baseline_remarks,
    common_parts,
    compare_baseline,
    comparison_u_k,
    difference_raster_k,
    expect_from,
    warm_up_mismatch,
)
from thermscan.judge.board_wide import fit_board_wide
from thermscan.judge.comparison import specimen_u_k
from thermscan.judge.heat_seen import HeatSeen
from thermscan.regions.measurement import PartMeasurement
from thermscan.runs.run import Run


def against_baseline(
    measurements: Sequence[PartMeasurement], run: Run, baseline: Baseline, *, heat: HeatSeen
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
    """
    view = heat.view
    serials = {known.board_serial for known in baseline.runs}
    same = run.board_serial is not None and serials == {run.board_serial}
    specimen_k = {m.part.ref: specimen_u_k(m) for m in measurements if m.measurable}
    expected = expect_from(baseline, same_serial=same, own_shares=_own_shares(heat.split), specimen_k=specimen_k)
    common, places = common_parts(measurements, expected)
    if len(common) < FEWEST_IN_COMMON:
        return None
    rise = np.array([float(m.rise_k or 0.0) for m in common])
    noise = comparison_u_k(common, expected)
    board_wide = fit_board_wide(rise, expected.mean_k[places], np.hypot(expected.sd_k[places], noise))
    usual = board_wide.shift_k + board_wide.scale * expected.mean_k[places]
    change = None
    if heat.split is not None:
        place = {part.ref: i for i, part in enumerate(heat.board.parts)}
        at = [place[m.part.ref] for m in common]
        changes = PartRises(np.full(len(place), np.nan), np.full(len(place), np.nan))
        changes.rise_k[at], changes.u_k[at] = rise - usual, np.hypot(noise, expected.sd_k[places])
        change = split_change(
            new_on_bare_k(baseline, heat),
            changes,
            heat.board,
            mm_per_px=view.mm_per_px,
            registration=view.registration,
            noise_k=view.noise_k,
            split=heat.split,
        )
    if change is not None:
        # What a culprit gives its neighbours had gone into shift and scale: fitted again without it.
        given = np.array([heat_of.received_k if (heat_of := change.of(m.part.ref)) else 0.0 for m in common])
        board_wide = fit_board_wide(rise - given, expected.mean_k[places], np.hypot(expected.sd_k[places], noise))
    not_comparable = warm_up_mismatch(run, baseline)
    return BaselineResult(
        board_wide=board_wide,
        comparisons=compare_baseline(
            common,
            expected,
            places,
            board_wide,
            split=heat.split,
            change=change,
            not_comparable=not_comparable,
        ),
        remarks=baseline_remarks(measurements, baseline, run, board_wide, not_comparable=not_comparable),
    )


def _own_shares(split: HeatSplit | None) -> dict[str, float]:
    """How much of each part's rise, without what the whole board shares, is its own heat."""
    shares = {}
    for heat in split.parts if split is not None else ():
        if heat.own_k is not None and heat.own_k + heat.received_k > 0:
            shares[heat.ref] = heat.own_k / (heat.own_k + heat.received_k)
    return shares


def new_on_bare_k(baseline: Baseline, heat: HeatSeen) -> NDArray[np.float64]:
    """What is new on the bare board since the known-good runs; shape (rows, cols), NaN where either is unseen."""
    return difference_raster_k(heat.rise_k, heat.view.mm_per_px, baseline, bare=heat.bare())
