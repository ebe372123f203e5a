"""Levels: chance over the board, size, and whose heat it is."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.judge.comparison import Comparison
from thermscan.judge.deciding import LOSSES, decide
from thermscan.judge.holds import PROPOSED
from thermscan.judge.weighing import Weighed, Why, suspect_parts, weigh, with_groups
from thermscan.layout.board import Part, Surface
from thermscan.regions.measurement import PartMeasurement

PLASTIC = Surface("plastic", 0.94, 0.02)


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


def _weigh(*comparisons: Comparison) -> tuple[Weighed, ...]:
    measured = [PartMeasurement(Part(ref, 20, 7, 10, 10, 0, PLASTIC), 60, 40.0, 41.0, 18.0, 1.3)
                for ref in dict.fromkeys(each.ref for each in comparisons)]  # fmt: skip
    compared = with_groups(comparisons)
    return weigh(compared, suspect_parts(measured, compared))


def _level(*comparisons: Comparison) -> tuple[str | None, str]:
    weighed = _weigh(*comparisons)[0]
    return weighed.level, weighed.meaning


def test_the_same_difference_counts_less_among_more_comparisons():
    alone, others = _one(excess_k=2.5, u_k=0.35), [_one(f"U{i}") for i in range(2, 121)]
    assert _level(alone)[0] == "act"
    assert _level(alone, *others)[0] == "watch"


def test_a_sure_but_small_difference_is_nothing_to_act_on():
    (seen,) = _weigh(_one(excess_k=1.2, u_k=0.02, spread_k=0.05))
    assert (seen.level, seen.why) == ("watch", Why.SMALL)
    # Nor to be told where it may well be chance.
    assert _level(_one(excess_k=0.3))[0] is None


def test_a_large_but_unsure_difference_is_nothing_to_act_on():
    assert _level(_one(excess_k=5.0, u_k=3.0))[0] != "act"
    assert _level(_one(excess_k=5.0, u_k=3.0), *(_one(f"U{i}") for i in range(2, 31)))[0] is None


def test_hardly_any_heat_left_counts_however_little_it_was():
    assert _level(_one(excess_k=-1.4, own_expected_k=1.5, u_k=0.1, spread_k=0.15))[0] == "act"
    assert _level(_one(excess_k=-1.4, own_expected_k=8.0, u_k=0.1, spread_k=0.15))[0] == "watch"


def test_what_cannot_be_accused_is_watched():
    (found,) = _weigh(_one(excess_k=6.0, at_most_watch=PROPOSED))
    assert (found.level, found.why) == ("watch", Why.HELD_BACK)


def test_a_part_has_one_level_and_each_rule_that_speaks_for_it_tells_it():
    peer, baseline = _weigh(_one(excess_k=6.0), _one(rule="baseline", excess_k=5.5))
    assert (peer.level, baseline.level) == ("act", "act")
    assert peer.suspicion == baseline.suspicion
    # A rule that is held back, or that speaks against it, does not.
    held, free = _weigh(_one(excess_k=6.0, at_most_watch=PROPOSED), _one(rule="baseline", excess_k=5.5))
    assert (held.level, free.level) == ("watch", "act")


def test_warmth_that_is_received_is_told_from_warmth_that_may_be_its_own():
    assert _level(_one(excess_k=0.3, temp_excess_k=6.0)) == ("watch", "received")
    # 3.5 K of 6 K seem to be its own, though not surely.
    assert _level(_one(excess_k=3.5, temp_excess_k=6.0, u_k=1.6)) == ("watch", "own")
    # The good runs show it as warm.
    known = _one(rule="baseline", excess_k=0.0, temp_excess_k=0.1)
    assert _level(_one(excess_k=0.3, temp_excess_k=6.0), known)[0] is None


@pytest.mark.parametrize("seed", range(3))
def test_good_boards_are_rarely_accused(seed: int):
    rng = np.random.default_rng(seed)
    acts = watches = 0
    for _ in range(40):
        drawn = rng.standard_t(40, size=80) * 0.5
        board = [_one(f"U{i}", excess_k=float(x), u_k=0.3, spread_k=0.4) for i, x in enumerate(drawn)]
        levels = {weighed.level for weighed in _weigh(*board)}
        acts, watches = acts + ("act" in levels), watches + ("watch" in levels)
    # One board in fifty: more than 4 of 40 happens once in 1000. Of watches one in seven: more than 14 once in 500.
    assert (acts <= 4, watches <= 14) == (True, True)


@pytest.mark.parametrize(("excess_k", "temp_excess_k"), [(-1.5, 0.7), (3.5, -0.4)])
def test_a_temperature_that_says_the_opposite_leaves_nothing_to_act_on(excess_k: float, temp_excess_k: float):
    (seen,) = _weigh(_one(excess_k=excess_k, temp_excess_k=temp_excess_k, own_expected_k=1.6, u_k=0.1, spread_k=0.1))
    assert seen.level == "watch"


def test_levels_follow_from_what_mistakes_cost():
    # Acting costs 10 (1 - p), watching 1 - p + 4 p, passing over 10 p: equal at p = 9 / 13 and 1 / 7.
    assert [decide(p, 1.0) for p in (0.14, 0.145, 0.69, 0.695)] == [None, "watch", "watch", "act"]
    # A fault too small to matter is not acted on, however sure: watching costs 1, passing over 2 p.
    assert [decide(p, 0.0) for p in (0.49, 0.51, 1.0)] == [None, "watch", "watch"]
    assert LOSSES[None][2] > LOSSES["watch"][2] > LOSSES["act"][2]


@pytest.mark.parametrize(("runs", "by_peers_k", "acted"), [(1, -0.5, False), (2, -0.5, True), (1, -8.0, True)])
def test_one_good_run_that_peers_contradict_may_be_wrong_itself(*, runs: int, by_peers_k: float, acted: bool) -> None:
    """Two runs hardly err alike; and peers that say the same contradict nothing."""
    others = [f"U{i}" for i in range(2, 9)]
    run = _one(rule="baseline", excess_k=-8.0, count=runs, against="known-good runs")
    as_ever = [_one(ref, rule="baseline", count=runs) for ref in others]
    level, _ = _level(run, _one(excess_k=by_peers_k, refs=tuple(others)), *as_ever)
    assert (level == "act") is acted


def test_what_received_heat_carries_is_acted_on_by_no_other_rules_word():
    # Against good runs the part is warmer, yet cold by its own heat: so it is only because so much is held to be given.
    opposed = _one(rule="baseline", excess_k=-4.2, temp_excess_k=1.9, u_k=0.8, spread_k=0.15, own_expected_k=4.1)
    slightly = _one(excess_k=-1.5, temp_excess_k=-0.2, u_k=0.39, spread_k=0.34, own_expected_k=1.5, count=4)
    others = [_one(f"U{i}") for i in range(2, 69)]
    alone = _weigh(slightly, *others)[0]
    both = _weigh(slightly, opposed, *others)
    assert alone.suspicion < both[0].suspicion <= 0.5
    assert {each.level for each in both[:2]} == {"watch"}
