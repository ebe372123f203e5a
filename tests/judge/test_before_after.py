"""A repair: what changed, by how much beyond what two looks at one board differ by, what got better, what did not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import pytest

from tests.judge.scenes import Scene, look_at, small_board, usual_powers
from thermscan.errors import InputError
from thermscan.judge.before_after import BeforeAfter, Outcome, change_lines, compare_before
from thermscan.judge.finding import Judgement


@dataclass(frozen=True)
class _Look:
    scene: Scene

    @cached_property
    def judgement(self) -> Judgement:
        return self.scene.judge()

    def __getattr__(self, name: str) -> object:
        return getattr(self.scene, name)


def _compare(before: dict[str, float], after: dict[str, float], **look: object) -> BeforeAfter:
    usual = usual_powers()
    then = _Look(look_at(usual | before, seed=3, name="before"))
    return compare_before(_Look(look_at({**usual, **after}, seed=4, name="after", **look)), then)


def _outcomes(found: BeforeAfter) -> dict[str, Outcome]:
    return {each.ref: each.outcome for each in found.changes if each.outcome is not Outcome.SAME}


def test_a_shorted_memory_that_was_replaced_is_better_and_nothing_else_changed():
    found = _compare({"U6": 0.5}, {})
    assert _outcomes(found) == {"U6": Outcome.BETTER}
    (change,) = [each for each in found.changes if each.ref == "U6"]
    # 0.3 W over the body: 7000 K mm2/W over 123 mm2, and what the board beneath makes of it.
    assert change.change_k == pytest.approx(-0.3 * (7000.0 / (19.3 * 6.35) + 8.0), rel=0.3)
    assert change.score < -4
    assert "U6 is better" in "\n".join(change_lines(found))


def test_a_dead_memory_that_works_again_is_better():
    assert _outcomes(_compare({"U3": 0.0}, {})) == {"U3": Outcome.BETTER}


def test_what_did_not_help_is_said():
    assert _outcomes(_compare({"U6": 0.5}, {"U6": 0.5})) == {"U6": Outcome.NOT_BETTER}


def test_a_new_fault_is_worse():
    assert _outcomes(_compare({}, {"U6": 0.5})) == {"U6": Outcome.WORSE}


def test_a_neighbour_that_cooled_down_with_the_culprit_did_not_change_by_itself():
    # Bodies of these scenes lose no heat of their own, as the model takes theirs to: what a chip beside receives is
    # taken for a third too little, which shows where a part cools by 100 K (2.5 W).
    found = _compare({"VR1": 1.2}, {})
    assert _outcomes(found).get("VR1") in {Outcome.BETTER, Outcome.CHANGED}
    assert not {Outcome.WORSE, Outcome.CHANGED} & {v for ref, v in _outcomes(found).items() if ref != "VR1"}


def test_another_ambient_and_camera_offset_are_no_change():
    found = _compare({}, {}, ambient_c=28.0, offset_k=1.5)
    assert _outcomes(found) == {}
    assert found.shift_k == pytest.approx(1.5, abs=0.5)


def test_the_same_frames_and_another_board_are_refused():
    look = _Look(look_at(usual_powers(), name="one"))
    with pytest.raises(InputError, match="frames of the run itself"):
        compare_before(look, look)
    other = _Look(look_at(usual_powers(), board=replace(small_board(), name="other"), name="two"))
    with pytest.raises(InputError, match='of the board "other"'):
        compare_before(look, other)
