"""Levels: chance over the board, size, and whose heat it is."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.judge.comparison import Comparison
from thermscan.judge.holds import PROPOSED, SAME_BEFORE
from thermscan.judge.weighing import weigh


def _one(ref: str = "U1", **change: object) -> Comparison:
    values: dict[str, object] = {
        "rule": "peer",
        "excess_k": 0.0,
        "u_k": 0.3,
        "spread_k": 0.4,
        "degrees": 40.0,
        "expected_k": 12.0,
        "own_expected_k": 8.0,
        "count": 7,
        "against": "7 peers",
    }
    values |= change
    values.setdefault("temp_excess_k", values["excess_k"])
    return Comparison(ref=ref, **values)  # type: ignore[arg-type]


def _level(*comparisons: Comparison) -> tuple[str | None, str]:
    weighed = weigh(comparisons)[0]
    return weighed.level, weighed.meaning


def test_the_same_difference_counts_less_among_more_comparisons():
    alone, others = _one(excess_k=2.1, u_k=0.42), [_one(f"U{i}") for i in range(2, 121)]
    assert _level(alone)[0] == "act"
    assert _level(alone, *others)[0] == "watch"


def test_a_sure_but_small_difference_is_nothing_to_act_on():
    assert _level(_one(excess_k=1.2, u_k=0.02, spread_k=0.05))[0] is None


def test_a_large_but_unsure_difference_is_nothing_to_act_on():
    assert _level(_one(excess_k=5.0, u_k=3.0))[0] is None


def test_hardly_any_heat_left_counts_however_little_it_was():
    assert _level(_one(excess_k=-1.4, own_expected_k=1.5, u_k=0.1, spread_k=0.15))[0] == "act"
    assert _level(_one(excess_k=-1.4, own_expected_k=8.0, u_k=0.1, spread_k=0.15))[0] is None


def test_what_cannot_be_accused_is_watched():
    assert _level(_one(excess_k=6.0, at_most_watch=PROPOSED))[0] == "watch"


def test_warmth_that_is_received_is_told_from_warmth_that_may_be_its_own():
    assert _level(_one(excess_k=0.3, temp_excess_k=6.0)) == ("watch", "received")
    # 3.5 K of 6 K seem to be its own, though not surely.
    assert _level(_one(excess_k=3.5, temp_excess_k=6.0, u_k=1.6)) == ("watch", "own")


def test_a_difference_that_the_good_runs_show_as_well_is_held_back_but_not_a_new_one():
    peer = _one(excess_k=6.0)
    before = _one(rule="baseline", excess_k=0.1)
    weighed = weigh([peer, before])[0]
    assert (weighed.level, weighed.comparison.at_most_watch) == (None, SAME_BEFORE)
    assert weigh([peer, _one(rule="baseline", excess_k=5.5)])[0].level == "act"


@pytest.mark.parametrize("seed", range(3))
def test_good_boards_are_rarely_accused(seed: int):
    rng = np.random.default_rng(seed)
    acts = 0
    for _ in range(100):
        drawn = rng.standard_t(40, size=80) * 0.5
        board = [_one(f"U{i}", excess_k=float(x), u_k=0.3, spread_k=0.4) for i, x in enumerate(drawn)]
        acts += sum(weighed.level == "act" for weighed in weigh(board))
    # At most one board in twenty at a rate of 0.05; more than 14 in 100 happens once in 5000.
    assert acts <= 14


@pytest.mark.parametrize(("excess_k", "temp_excess_k"), [(-1.5, 0.7), (3.5, -0.4)])
def test_a_temperature_that_says_the_opposite_leaves_nothing_to_act_on(excess_k: float, temp_excess_k: float):
    seen = _one(excess_k=excess_k, temp_excess_k=temp_excess_k, own_expected_k=1.6, u_k=0.15, spread_k=0.15)
    assert _level(seen)[0] == "watch"
