"""Odd boards: nothing on them, one part, parts off the board, hardly a picture."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from tests.judge.scenes import look_at, small_board, usual_powers
from thermscan.judge.learning import learn_baseline
from thermscan.regions import reasons


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_boards_of_few_parts_are_judged(count: int):
    board = replace(small_board(), parts=small_board().parts[:count])
    judgement = look_at(usual_powers(), board=board).judge()
    assert len(judgement.parts) == count
    # One or two parts of a group of eight have nothing to be compared with.
    assert judgement.overall == ("clear" if count > 2 else "undecided")


def test_a_part_off_the_board_and_one_that_is_nowhere_near_do_no_harm():
    parts = (*small_board().parts, replace(small_board().parts[0], ref="U99", x_mm=400.0, group=None))
    board = replace(small_board(), parts=parts)
    scene = look_at(usual_powers(), board=board, unseen={"U99": reasons.OUT_OF_FRAME})
    assert scene.judge().overall == "clear"


def test_half_the_board_out_of_view_is_judged_by_what_is_seen():
    scene = look_at(usual_powers() | {"U1": 0.5})
    seen = scene.rectified.apparent_c.copy()
    seen[:, seen.shape[1] // 2 :] = np.nan
    judgement = replace(scene, rectified=replace(scene.rectified, apparent_c=seen)).judge()
    assert {f.ref for f in judgement.findings if f.level == "act"} == {"U1"}


def test_a_baseline_without_parts_in_common_is_said():
    unseen = {part.ref: reasons.TOO_FEW_PIXELS for part in small_board().parts}
    scene = look_at(usual_powers(), name="now", unseen={ref: why for ref, why in unseen.items() if ref != "U1"})
    judgement = scene.judge(baseline=learn_baseline([look_at(usual_powers(), name="good")]))
    assert any("parts in common" in remark for remark in judgement.remarks)


def test_a_baseline_of_another_raster_size_is_compared_all_the_same():
    baseline = learn_baseline([look_at(usual_powers(), name="good")])
    coarse = replace(baseline, rise_raster_k=baseline.rise_raster_k[::2, ::2], mm_per_px=2 * baseline.mm_per_px)
    judgement = look_at(usual_powers() | {"U20": 1.0}, name="now").judge(baseline=coarse)
    assert {f.ref for f in judgement.findings if f.level == "act"} == {"U20"}


@pytest.mark.parametrize("shape", [(1, 1), (2, 40), (40, 1)])
def test_a_raster_of_hardly_any_pixels_gives_an_answer(shape: tuple[int, int]):
    scene = look_at(usual_powers())
    tiny = replace(
        scene.rectified, apparent_c=np.full(shape, 25.0), on_board=np.ones(shape, bool), mm_per_px=112.0 / shape[1]
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert replace(scene, rectified=tiny).judge().overall in {"clear", "watch", "act"}
