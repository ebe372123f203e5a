"""Scores of good parts spread by 1, whatever was stated of them."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.judge.calibration import calibrated, score_scale
from thermscan.judge.comparison import Comparison
from thermscan.judge.holds import PROPOSED
from thermscan.judge.spread import shrunk_scale


def _many(scores: np.ndarray, **change: object) -> list[Comparison]:
    return [
        Comparison(f"U{i}", "peer", float(z), 0.6, 0.8, 40.0, float(z), 12.0, 8.0, 7, "7 peers", **change)  # type: ignore[arg-type]
        for i, z in enumerate(scores)
    ]


@pytest.mark.parametrize("spread", [0.95, 1.0, 1.4])
def test_scores_of_a_board_of_many_good_parts_spread_by_about_one(spread: float):
    drawn = np.random.default_rng(3).normal(0.0, spread, 400)
    after = np.std([each.score for each in calibrated(_many(drawn))])
    # 16 scores' worth of what was stated stays, against 200 of the board's own; drawing 400 adds 4 %.
    assert after == pytest.approx(1.0, abs=0.08)


def test_parts_that_hardly_differ_do_not_make_the_judge_bold():
    drawn = np.random.default_rng(3).normal(0.0, 0.6, 400)
    # At most 1 / 0.9 as large, since what is seen of good parts says little of how far another may be off.
    assert np.std([each.score for each in calibrated(_many(drawn))]) == pytest.approx(0.6 / 0.9, rel=0.05)


def test_few_scores_leave_what_was_stated_nearly_as_it_was():
    assert score_scale([0.1, -0.1, 0.05]) > 0.93


@pytest.mark.parametrize("fault", [8.0, 80.0])
def test_a_faulty_part_hardly_widens_what_it_is_judged_by(fault: float):
    good = np.random.default_rng(4).normal(0.0, 1.0, 40)
    assert score_scale([*good, fault]) / score_scale(good) < 1.05


def test_no_board_makes_scores_boundlessly_large_or_small():
    # Never more than a ninth larger, nor less than half: the scale is what scores are divided by.
    assert score_scale(np.zeros(1000)) == pytest.approx(0.9)
    assert score_scale(np.full(1000, 50.0)) == pytest.approx(1 / 0.5)


def test_comparisons_that_are_held_back_neither_give_nor_get_a_scale():
    held = _many(np.full(50, 9.0), at_most_watch=PROPOSED)
    assert {each.scale for each in calibrated(held)} == {1.0}


def test_noise_of_measuring_is_not_counted_as_natural_spread():
    rng = np.random.default_rng(5)
    nature, noise = np.full(800, 0.4), np.full(800, 0.8)
    seen = rng.normal(0.0, np.hypot(nature, noise))
    factor, degrees = shrunk_scale(seen, nature, noise=noise, degrees=8.0, bounds=(0.25, 4.0))
    assert factor == pytest.approx(1.0, abs=0.35)
    # And where noise is most of what is seen, the data are worth less than where there is none.
    assert degrees < shrunk_scale(seen, nature, noise=np.zeros(800), degrees=8.0, bounds=(0.25, 4.0))[1]
