"""Each part's probability of being at fault, all rules together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from tests.judge.scenes import look_at, usual_powers
from thermscan.judge.comparison import Comparison
from thermscan.judge.holds import DIVIDED, PROPOSED
from thermscan.judge.learning import learn_baseline
from thermscan.judge.posterior import (
    OTHER_DUTY,
    WHOLE_GROUP,
    WORTHLESS,
    fault_density,
    log_integral,
    log_likelihood,
    put_together,
)
from thermscan.judge.thresholds import PEER_SHARE
from thermscan.judge.weighing import FAULTS_A_BOARD, MOST_BEFORE, UNTOLD, suspect_parts, with_groups
from thermscan.layout.board import Part, Surface
from thermscan.regions import reasons
from thermscan.regions.measurement import PartMeasurement

PLASTIC = Surface("plastic", 0.94, 0.02)


def _measured(ref: str, **part: object) -> PartMeasurement:
    return PartMeasurement(Part(ref, 20, 7, 10, 10, 0, PLASTIC, **part), 60, 40.0, 41.0, 18.0, 1.3)


def _peer(ref: str, excess_k: float, **change: object) -> Comparison:
    values: dict[str, object] = {
        "rule": "peer", "excess_k": excess_k, "u_k": 0.4, "spread_k": 0.4, "degrees": 30.0, "temp_excess_k": excess_k,
        "expected_k": 12.0, "own_expected_k": 8.0, "count": 7, "against": "7 peers",
    }  # fmt: skip
    return Comparison(ref=ref, **(values | change))  # type: ignore[arg-type]


def _chances(measured: list[PartMeasurement], compared: list[Comparison]) -> dict[str, float]:
    return {ref: each.suspicion for ref, each in suspect_parts(measured, compared).items()}


def test_the_culprit_is_most_suspect_and_its_warmed_neighbours_are_not():
    judgement = look_at(usual_powers() | {"U6": 0.5}).judge()
    chance = {each.measurement.part.ref: each.suspicion for each in judgement.parts}
    assert chance["U6"] > 0.95
    assert max(value for ref, value in chance.items() if ref != "U6" and value is not None) < 0.1


def test_what_may_be_harmless_bounds_what_a_difference_says():
    # Hardly a good part differs by 20 of its deviations, but one of five for another cause: one of two faults is cold.
    cold = _peer("U1", -8.0, rule="expected")
    assert put_together([cold]).log_ratio > 8.0
    harmless = replace(cold, harmless=0.2)
    assert put_together([harmless]).log_ratio == pytest.approx(np.log(0.5 / 0.2), abs=0.02)
    # Parts alike that nobody declared may differ by the same cause; known-good runs show the part as it is made.
    assert put_together([harmless, _peer("U1", -8.0, at_most_watch=PROPOSED)]).log_ratio < np.log(0.5 / 0.2) + 0.02
    assert put_together([harmless, _peer("U1", -8.0, rule="baseline")]).log_ratio > 20.0
    # And it is no cause for what lies on the other side.
    usual = _peer("U1", 0.0, rule="expected")
    assert put_together([replace(usual, harmless=0.2)]).log_ratio == pytest.approx(
        put_together([usual]).log_ratio, abs=0.3
    )


def test_on_a_good_board_less_than_the_expected_faults_are_left():
    judgement = look_at(usual_powers()).judge(baseline=learn_baseline([look_at(usual_powers(), seed=9, name="g")]))
    chances = [each.suspicion for each in judgement.parts if each.suspicion is not None]
    assert len(chances) == 14
    # Parts that look good are less suspect than before they were looked at.
    assert sum(chances) < 0.5


def test_what_was_compared_with_nothing_or_not_measured_has_no_probability():
    judgement = look_at(usual_powers(), unseen={"U3": reasons.OUT_OF_FRAME}).judge()
    chance = {each.measurement.part.ref: each.suspicion for each in judgement.parts}
    assert chance["U3"] is None
    assert chance["U20"] is None


def test_a_divided_group_is_not_more_likely_at_fault_than_not():
    found = _chances([_measured("U1")], [_peer("U1", 9.0, at_most_watch=DIVIDED)])
    assert found["U1"] == UNTOLD


def test_parts_that_nobody_declared_alike_say_less_than_declared_ones_and_confirm_another_rule():
    # A group of one part in twenty that may have another duty makes a fault at most twenty times as likely.
    parts = [_measured(f"U{i}") for i in range(40)]
    before = FAULTS_A_BOARD / 40
    others = [_peer(f"U{i}", 0.0) for i in range(40) if i != 1]
    alike = _peer("U1", 14.0, at_most_watch=PROPOSED)
    most = before * (1 / OTHER_DUTY) / (1 - before + before / OTHER_DUTY)
    assert 0.5 * most < _chances(parts, [*others, alike])["U1"] < 1.1 * most
    sheet, alike = _peer("U1", 6.0, rule="expected", u_k=1.2, spread_k=1.5), replace(alike, excess_k=8.0)
    assert _chances(parts, [*others, sheet])["U1"] < UNTOLD < _chances(parts, [*others, sheet, alike])["U1"]
    # What a data sheet allows clears a part of which only its like would say more.
    clear = _peer("U1", 0.1, rule="expected", u_k=1.0, spread_k=1.0)
    assert _chances(parts, [*others, clear, alike])["U1"] < 0.1


def test_a_surer_second_rule_that_sees_nothing_makes_a_part_less_suspect():
    parts = [_measured(f"U{i}") for i in range(20)]
    hot = _peer("U1", 2.0)
    one = _chances(parts, [hot])["U1"]
    both = _chances(parts, [hot, _peer("U1", 0.1, rule="baseline", spread_k=0.2)])["U1"]
    assert both < 0.5 * one


def test_two_yardsticks_that_err_each_by_their_own_are_surer_together():
    parts = [_measured(f"U{i}") for i in range(20)]
    own = {"u_k": 0.2, "spread_k": 1.0, "own_expected_k": 3.0}
    once = _chances(parts, [_peer("U1", 3.1, rule="baseline", **own)])["U1"]
    twice = _chances(parts, [_peer("U1", 3.1, rule=rule, **own) for rule in ("baseline", "expected")])["U1"]
    assert once < 0.7
    assert twice > 0.9


def _by_peers_and_runs(by_peers_k: float, by_runs_k: float, *, others_k: float) -> float:
    """Suspicion of the first of eight memories on a board of forty parts; the other seven differ from the good runs."""
    group = [f"U{i}" for i in range(8)]
    peers = [
        _peer(ref, by_peers_k if ref == "U0" else 0.0, refs=tuple(each for each in group if each != ref))
        for ref in group
    ]
    runs = [_peer(ref, by_runs_k if ref == "U0" else others_k, rule="baseline", count=3) for ref in group]
    measured = [_measured(f"U{i}") for i in range(40)]
    return _chances(measured, list(with_groups([*peers, *runs, *(_peer(f"U{i}", 0.0) for i in range(8, 40))])))["U0"]


def test_two_comparisons_that_contradict_each_other_make_no_part_surer_at_fault_than_one_of_them():
    parts = [_measured(f"U{i}") for i in range(40)]
    others = [_peer(f"U{i}", 0.0) for i in range(1, 40)]
    by_one = _chances(parts, [_peer("U0", 2.0), *others])["U0"]
    assert 0.1 < by_one < 0.3
    assert _by_peers_and_runs(2.0, -2.0, others_k=0.0) < 1.1 * by_one
    assert _by_peers_and_runs(2.0, 0.0, others_k=0.0) < 0.1 * by_one


def test_a_fault_that_a_whole_group_shares_shows_at_its_others():
    # As warm as its peers, and unlike the good runs: so are its peers, or the runs and the peers contradict each other.
    alone, with_all = (_by_peers_and_runs(0.0, -2.0, others_k=others_k) for others_k in (0.0, -2.0))
    assert alone < 0.2 * with_all
    # What its others show as well may be one error of the level: it says no more than if nothing were known of them.
    measured = [_measured(f"U{i}") for i in range(40)]
    pair = [_peer("U0", 0.0), _peer("U0", -2.0, rule="baseline", count=3)]
    untold = _chances(measured, [*pair, *(_peer(f"U{i}", 0.0) for i in range(1, 40))])["U0"]
    assert with_all == pytest.approx(untold, rel=0.05)


def test_no_comparison_says_more_than_how_often_one_is_worth_nothing():
    # Hardly a good part differs by fifty deviations, but one comparison of 4,000 does for what nobody foresees; peers
    # have another reason besides. Three runs hardly err alike.
    spread_k = np.hypot(5.0, 0.5 * 8.0)
    most = np.log(0.9 * fault_density(np.array([30.0]), 8.0)[0] * np.pi * spread_k * (1 + (30.0 / spread_k) ** 2))
    assert put_together([_peer("U1", 30.0)]).log_ratio == pytest.approx(most - np.log(WORTHLESS), abs=0.1)
    assert 1e3 < np.exp(put_together([_peer("U1", 30.0)]).log_ratio) < 1e4
    runs = _peer("U1", 30.0, rule="baseline", count=3)
    assert put_together([runs]).log_ratio > 1.5 * (most - np.log(WORTHLESS))


def test_a_part_far_below_its_limit_is_a_little_less_suspect():
    parts = [_measured("U1", max_c=85.0), _measured("U2")]
    found = _chances(parts, [_peer("U1", 1.0), _peer("U2", 1.0)])
    assert found["U1"] < found["U2"]


def test_a_limit_exceeded_makes_suspect():
    judgement = look_at(usual_powers() | {"VR1": 2.5}).judge()
    chance = next(each.suspicion for each in judgement.parts if each.measurement.part.ref == "VR1")
    assert chance > 0.5


def test_two_rules_that_repeat_each_other_do_not_count_twice():
    parts = [_measured(f"U{i}") for i in range(20)]

    def evidence(*compared: Comparison) -> float:
        chance = _chances(parts, list(compared))["U1"]
        return float(np.log(chance / (1.0 - chance)) - np.log(MOST_BEFORE / (1.0 - MOST_BEFORE)))

    # The reading is one, and the specimen.
    for spread in ({"u_k": 0.8, "spread_k": 0.1}, {"u_k": 0.1, "spread_k": 0.8}):
        once = evidence(_peer("U1", 2.6, **spread))
        twice = evidence(_peer("U1", 2.6, **spread), _peer("U1", 2.6, rule="expected", **spread))
        assert 2.0 < once < twice < 1.5 * once


def test_a_part_of_which_nothing_was_learned_is_not_watched_however_few_are_compared():
    unsure = _peer("U1", 0.0, rule="baseline", u_k=17.0, spread_k=0.8)
    assert suspect_parts([_measured("U1")], [unsure])["U1"].level is None


def test_what_good_runs_show_as_well_outweighs_the_peers_but_not_a_new_fault():
    parts = [_measured(f"U{i}") for i in range(40)]
    peer = _peer("U1", 5.0)
    # Not even watched: from 0.14 on.
    assert _chances(parts, [peer, _peer("U1", 0.1, rule="baseline", u_k=0.2, spread_k=0.3)])["U1"] < 0.14
    assert _chances(parts, [peer, _peer("U1", 4.5, rule="baseline", u_k=0.2, spread_k=0.3)])["U1"] > 0.9


def test_stated_chances_come_true_where_good_and_faulty_parts_are_as_supposed():
    # The two groups drawn as they are modelled: what is stated between 0.2 and 0.8 must come true as often as stated.
    rng = np.random.default_rng(7)
    stated, true = [], []
    grid = np.linspace(-8.0, 200.0, 400_001)
    cumulative = np.cumsum(fault_density(grid, 8.0))
    for _ in range(3000):
        # Good, at fault by itself, or with all of its group of eight (eight times as often as one part would be).
        sort = rng.choice(3, p=np.array([1.0, 1.0 - WHOLE_GROUP, 8 * WHOLE_GROUP]) / (2.0 + 7 * WHOLE_GROUP))
        faulty = bool(sort > 0)
        fault_k = float(np.interp(rng.random() * cumulative[-1], cumulative, grid)) if sort == 1 else 0.0
        seen = fault_k + rng.normal(0.0, 1.2)
        found = put_together([_peer("U1", float(seen), u_k=0.9, spread_k=0.8, degrees=1e6)])
        stated.append(1.0 / (1.0 + np.exp(-found.log_ratio)))
        true.append(faulty)
    between = (np.array(stated) > 0.2) & (np.array(stated) < 0.8)
    assert between.sum() > 400
    # 95 % of the binomial's spread for so many is 0.05.
    assert np.mean(np.array(true)[between]) == pytest.approx(np.mean(np.array(stated)[between]), abs=0.07)


def test_stated_chances_come_true_where_two_rules_hold_one_reading_against_yardsticks_of_their_own():
    # Reading 0.3 K and what the specimen draws (a share of 8 K) are one for both; each yardstick errs by itself.
    rng = np.random.default_rng(11)
    nature_k, yardsticks_k = PEER_SHARE * 8.0, {"baseline": 0.6, "expected": 1.5}
    stated, true = [], []
    grid = np.linspace(-8.0, 200.0, 400_001)
    cumulative = np.cumsum(fault_density(grid, 8.0))
    for _ in range(1500):
        faulty = bool(rng.random() < 0.5)
        fault_k = float(np.interp(rng.random() * cumulative[-1], cumulative, grid)) if faulty else 0.0
        seen_k = fault_k + rng.normal(0.0, 0.3) + rng.normal(0.0, nature_k)
        compared = [
            _peer("U1", seen_k + rng.normal(0.0, off_k), rule=rule, u_k=0.3, spread_k=float(np.hypot(nature_k, off_k)),
                  degrees=1e6)
            for rule, off_k in yardsticks_k.items()
        ]  # fmt: skip
        stated.append(1.0 / (1.0 + np.exp(-put_together(compared).log_ratio)))
        true.append(faulty)
    between = (np.array(stated) > 0.2) & (np.array(stated) < 0.8)
    assert between.sum() > 200
    # Two deviations of the binomial for so many are 0.07.
    assert np.mean(np.array(true)[between]) == pytest.approx(np.mean(np.array(stated)[between]), abs=0.1)


def test_a_dead_part_is_more_suspect_than_one_that_is_as_much_hotter():
    # Downwards a fault can take no more than there is: it is looked for where it must be.
    assert put_together([_peer("U1", -7.0)]).log_ratio > put_together([_peer("U1", 7.0)]).log_ratio
    # And less than nothing is left of no part.
    assert put_together([_peer("U1", -4.0, own_expected_k=0.5)]).fault_k > -0.1


@pytest.mark.parametrize("excess_k", [-3.0, 0.0, 5.0])
def test_the_likelihood_is_students_t_about_the_fault(excess_k: float) -> None:
    # The reference library's own density.
    one = _peer("U1", excess_k, u_k=0.3, spread_k=0.4)
    at = np.array([-1.0, 0.0, 2.5])
    expected = stats.t.logpdf(excess_k, one.effective_degrees, loc=at, scale=0.5)
    found = log_likelihood(one, at, without_k=0.0)
    assert found == pytest.approx(expected, rel=1e-9)


def test_the_evidence_for_a_fault_is_the_integral_over_its_sizes() -> None:
    points = np.linspace(-30.0, 400.0, 200_001)
    one = _peer("U1", 4.0)
    # Worth nothing: then it is spread by Cauchy's density, as wide as a fault's heat.
    anything = np.log(WORTHLESS) + stats.cauchy.logpdf(4.0, scale=np.hypot(5.0, 0.5 * 8.0))

    def log_density(at: np.ndarray) -> np.ndarray:
        return np.logaddexp(np.log1p(-WORTHLESS) + log_likelihood(one, at, without_k=0.0), anything)

    whole = log_integral(points, log_density(points), fault_density(points, 8.0))
    # A tenth of all faults are a whole group's, of which its members say nothing.
    whole += float(np.log(0.9))
    against = float(log_density(np.zeros(1))[0])
    assert put_together([one]).log_ratio == pytest.approx(whole - against, abs=0.05)


@settings(deadline=None, max_examples=60)
@given(
    excess_k=st.floats(-200.0, 200.0),
    own_k=st.floats(-5.0, 150.0),
    u_k=st.floats(0.001, 20.0),
    spread_k=st.floats(0.0, 20.0),
    other_k=st.floats(-200.0, 200.0) | st.none(),
    log_spread=st.tuples(st.floats(0.05, 1.5), st.floats(0.05, 1.5)) | st.none(),
)
def test_whatever_is_compared_the_posterior_is_a_number(*, excess_k, own_k, u_k, spread_k, other_k, log_spread):
    level_k = own_k if log_spread is None else abs(own_k) + 0.01
    seen = [_peer("U1", excess_k, own_expected_k=level_k, u_k=u_k, spread_k=spread_k, log_spread=log_spread)]
    if other_k is not None:
        seen.append(_peer("U1", other_k, rule="expected", u_k=0.3, spread_k=1.0))
    found = put_together(seen)
    assert np.isfinite([found.log_ratio, found.fault_k, found.u_k]).all()
    assert -1e-9 <= found.matters <= 1.0 + 1e-9
    assert np.isfinite([voice.loudness for voice in found.voices]).all()
