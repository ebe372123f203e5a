"""Normal equations put right for what changed, against those made anew; and unknowns that start on the wrong side."""

from __future__ import annotations

import numpy as np

from thermscan.heat.cell_equations import CellEquations
from thermscan.heat.nonneg import solve_nonnegative


def test_equations_put_right_cell_by_cell_are_those_made_anew():
    rng = np.random.default_rng(4)
    design, weight = rng.normal(size=(60, 5)), rng.uniform(0.5, 2.0, 60)
    kept = CellEquations(design)
    for changes in (0, 3, 60, 7, 0, 25):
        weight = weight.copy()
        weight[rng.permutation(60)[:changes]] *= rng.uniform(0.3, 1.5)
        got = kept.weighed(weight)
        # Of sums of 60 terms of about 1: some roundings.
        np.testing.assert_allclose(got, (design.T * weight**2) @ design, rtol=1e-12, atol=1e-12)
        np.testing.assert_array_equal(got, got.T)
        others = rng.normal(size=(60, 2))
        np.testing.assert_allclose(kept.crossed(others, weight), (design.T * weight**2) @ others, atol=1e-12)
        np.testing.assert_allclose(
            kept.crossed(others[:, 0], weight), (design.T * weight**2) @ others[:, 0], atol=1e-12
        )


def test_where_unknowns_start_does_not_change_what_is_found():
    rng = np.random.default_rng(8)
    rows = rng.normal(size=(40, 12))
    normal, right = rows.T @ rows, rows.T @ rng.normal(size=40)
    bounded = np.arange(12) < 10
    expected = solve_nonnegative(normal, right, bounded)
    held = bounded & (expected == 0)
    assert 1 < held.sum() < 9
    for start in (np.zeros(12, bool), ~held, held, rng.random(12) < 0.5):
        np.testing.assert_allclose(solve_nonnegative(normal, right, bounded, start=start), expected, atol=1e-12)
    # What tells the one solution from all others: no slope where free, none downwards where held.
    slope = normal @ expected - right
    assert np.abs(slope[~held]).max() < 1e-10
    assert slope[held].min() > 0
