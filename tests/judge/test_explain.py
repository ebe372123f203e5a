"""The chain for one part is told in full."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import pytest

from tests.judge.scenes import Scene, look_at, small_board, usual_powers
from thermscan.errors import InputError
from thermscan.judge.baseline import Baseline
from thermscan.judge.explain import explain_part
from thermscan.judge.finding import Judgement
from thermscan.judge.learning import learn_baseline
from thermscan.regions import reasons


@dataclass(frozen=True)
class _Inspection:
    scene: Scene
    baseline: Baseline | None = None

    @cached_property
    def judgement(self) -> Judgement:
        return self.scene.judge(baseline=self.baseline)

    def __getattr__(self, name: str) -> object:
        return getattr(self.scene, name)


def test_the_lines_lead_from_pixels_to_verdict():
    baseline = learn_baseline([look_at(usual_powers(), name="good")])
    scene = look_at(usual_powers() | {"U6": 0.5}, name="now", supply=True)
    lines = explain_part(_Inspection(scene, baseline), "U6")
    assert lines[0] == "U6: hot"
    text = "\n".join(lines)
    for word in ("60 camera pixels", "emissivity 1.00", "shared: camera", "own heat:", "received:", "power:"):
        assert word in text
    assert "peer: against 7 peers of its group memory (U1, U2, U3, U4, U5, U7, U8)" in text
    assert "their places on the board make" in text
    assert "baseline: against 1 known-good run" in text
    assert text.count("by itself it speaks for a fault") == 2
    # One of two boards has a fault, and 14 parts were compared.
    assert "before anything was measured: 0.036, as of any part compared" in text
    assert "all together: at fault with a probability of 1" in text
    assert "so act: to act on a good part is taken to cost 10 second looks" in text
    assert "possibly: " in text
    assert text.index("pixels:") < text.index("temperature:") < text.index("own heat:") < text.index("finding (")


def test_what_may_be_harmless_is_told_with_its_probability():
    board = small_board()
    parts = tuple(replace(p, watts=(0.6, 1.0)) if p.ref == "U20" else p for p in board.parts)
    scene = look_at(usual_powers() | {"U20": 0.0}, board=replace(board, parts=parts))
    lines = explain_part(_Inspection(scene), "U20")
    told = next(line for line in lines if "heatsink that was not seen" in line)
    assert told.endswith("of its heat, with a probability of 0.2")
    assert any("possibly: on a heatsink that the layout does not state?" in line for line in lines)


def test_a_part_that_was_not_measured_says_why():
    lines = explain_part(_Inspection(look_at(usual_powers(), unseen={"U2": reasons.METAL})), "U2")
    assert lines[0] == "U2: not-measurable"
    assert any(line.startswith("reason: ") and "matt tape" in line for line in lines)


def test_an_unknown_part_is_refused_with_the_nearest_name():
    with pytest.raises(InputError, match="no part VR2; did you mean VR1"):
        explain_part(_Inspection(look_at(usual_powers())), "VR2")
