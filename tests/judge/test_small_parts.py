"""Parts too small to be measured do not hide the heat at their place."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.judge.scenes import BLACK, look_at, small_board, usual_powers
from thermscan.judge.finding import Judgement
from thermscan.judge.learning import learn_baseline
from thermscan.layout.board import Board, Part
from thermscan.regions.reasons import METAL, TOO_FEW_PIXELS, Reason


def _with_small(ref: str) -> Board:
    board = small_board()
    return replace(board, parts=(*board.parts, Part(ref, 3.0, 2.0, 68.0, 56.0, 0.0, BLACK)))


def _judged(ref: str, watts: float, *, reason: Reason = TOO_FEW_PIXELS) -> Judgement:
    return look_at(usual_powers() | {ref: watts}, board=_with_small(ref), unseen={ref: reason}).judge()


def test_a_shorted_capacitor_is_named_though_it_is_too_small_to_be_measured():
    judgement = _judged("C20", 0.3)
    (finding,) = [finding for finding in judgement.findings if finding.level == "act"]
    assert (finding.ref, finding.rule, finding.direction) == ("C20", "small-part", "hot")
    assert judgement.unmapped == ()
    (part,) = [each for each in judgement.parts if each.measurement.part.ref == "C20"]
    assert part.verdict == "not-measurable"


def test_a_good_small_capacitor_is_not_mentioned():
    judgement = _judged("C20", 0.0)
    assert [finding for finding in judgement.findings if finding.ref == "C20"] == []
    assert not any("C20" in remark for remark in judgement.remarks)


def test_a_small_resistor_may_be_warm_by_its_nature():
    judgement = _judged("R20", 0.3)
    assert [finding for finding in judgement.findings if finding.level == "act"] == []
    assert any(remark.startswith("R20 is too small to be measured") for remark in judgement.remarks)


@pytest.mark.parametrize(("watts", "expected"), [(0.4, ["act"]), (0.1, [])])
def test_against_known_good_runs_any_small_part_is_accused_of_new_heat(watts: float, expected: list[str]):
    board, unseen = _with_small("R20"), {"R20": TOO_FEW_PIXELS}
    usual = usual_powers() | {"R20": 0.1}
    good = [look_at(usual, board=board, unseen=unseen, seed=seed, name=f"good-{seed}") for seed in (1, 2, 3)]
    scene = look_at(usual | {"R20": watts}, board=board, unseen=unseen, seed=7)
    judgement = scene.judge(baseline=learn_baseline(good))
    assert [finding.level for finding in judgement.findings if finding.ref == "R20"] == expected


def test_metal_shows_no_heat_of_its_own():
    judgement = _judged("C20", 0.3, reason=METAL)
    assert [finding for finding in judgement.findings if finding.ref == "C20"] == []
