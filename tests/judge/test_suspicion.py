"""Each part's probability of being at fault, all rules together."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.judge.scenes import look_at, usual_powers
from thermscan.judge.comparison import Comparison
from thermscan.judge.holds import DIVIDED
from thermscan.judge.learning import learn_baseline
from thermscan.judge.suspicion import UNTOLD, spread_log_ratio, suspicions
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


def test_the_culprit_is_most_suspect_and_its_warmed_neighbours_are_not():
    judgement = look_at(usual_powers() | {"U6": 0.5}).judge()
    chance = {each.measurement.part.ref: each.suspicion for each in judgement.parts}
    assert chance["U6"] > 0.95
    assert max(value for ref, value in chance.items() if ref != "U6" and value is not None) < 0.1


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
    found = suspicions([_measured("U1")], [_peer("U1", 9.0, at_most_watch=DIVIDED)], [])
    assert found["U1"] == UNTOLD


def test_a_second_rule_that_sees_nothing_makes_a_part_less_suspect():
    parts = [_measured(f"U{i}") for i in range(20)]
    hot = _peer("U1", 2.0)
    one = suspicions(parts, [hot], [])["U1"]
    both = suspicions(parts, [hot, _peer("U1", 0.1, rule="baseline")], [])["U1"]
    assert both < 0.5 * one


def test_a_part_far_below_its_limit_is_a_little_less_suspect():
    parts = [_measured("U1", max_c=85.0), _measured("U2")]
    found = suspicions(parts, [_peer("U1", 1.0), _peer("U2", 1.0)], [])
    assert found["U1"] < found["U2"]


def test_a_limit_exceeded_makes_suspect():
    judgement = look_at(usual_powers() | {"VR1": 2.5}).judge()
    chance = next(each.suspicion for each in judgement.parts if each.measurement.part.ref == "VR1")
    assert chance > 0.5


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_cold_is_as_suspect_as_hot(sign: float):
    assert suspicions([_measured("U1")], [_peer("U1", sign * 4.0)], [])["U1"] == pytest.approx(
        suspicions([_measured("U1")], [_peer("U1", 4.0)], [])["U1"]
    )


@pytest.mark.parametrize("degrees", [1.0, 7.3, 400.0])
@pytest.mark.parametrize("excess", [-20.0, 0.0, 0.3, 6.0])
def test_the_spread_ratio_is_that_of_two_densities_of_students_t(excess: float, degrees: float) -> None:
    # The reference library's own density, with its factor that depends on the degrees alone.
    faulty = stats.t.logpdf(excess, degrees, scale=np.hypot(0.7, 2.0))
    good = stats.t.logpdf(excess, degrees, scale=0.7)
    assert spread_log_ratio(excess, 0.7, 2.0, degrees=degrees) == pytest.approx(faulty - good, rel=1e-9, abs=1e-9)
