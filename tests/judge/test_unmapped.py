"""Heat where no part is: found where it is, and not seen where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.judge.scenes import NOISE_K, look_at, small_board, usual_powers
from thermscan.heat.spot_shape import SpotShape
from thermscan.heat.spots import WarmSpot
from thermscan.judge.heat_seen import View, see_heat, spots_in
from thermscan.judge.learning import learn_baseline
from thermscan.judge.unmapped import judge_spots, plain_name, stands_out, with_stand_ins


@pytest.mark.parametrize("load", [1.0, 2.0])
def test_halos_of_hot_parts_are_no_unmapped_heat(load: float):
    assert look_at(usual_powers(load) | {"VR1": 3.0}).judge().unmapped == ()


@pytest.mark.parametrize("watts", [0.1, 0.3, 1.0])
def test_more_watts_make_a_larger_excess_at_the_same_place(watts: float):
    judgement = look_at(usual_powers(), spot=(68.0, 56.0, watts)).judge()
    (place,) = judgement.unmapped
    assert np.hypot(place.x_mm - 68.0, place.y_mm - 56.0) < 3.0
    (finding,) = [finding for finding in judgement.findings if finding.rule == "unmapped"]
    # A source of 0.1 W over 3 mm makes about 4 K more than its surroundings on this board (25 mm, 20 W/(m2 K)).
    assert finding.excess_k == pytest.approx(40.0 * watts, rel=0.6)
    assert finding.level == ("act" if finding.excess_k >= 5 else "watch")


def test_heat_of_no_part_is_not_laid_at_its_neighbours_door():
    judgement = look_at(usual_powers(), spot=(68.0, 56.0, 0.6)).judge()
    assert {f.ref for f in judgement.findings if f.level == "act"} == {None}


# At the board's edge, where its shape cannot be seen from both sides.
@pytest.mark.parametrize("place", [(107.0, 21.0), (5.0, 37.0)])
def test_new_heat_that_is_hemmed_in_is_one_source_and_none_of_its_neighbours(place: tuple[float, float]):
    baseline = learn_baseline([look_at(usual_powers(), name=f"g{i}", seed=i) for i in range(2)])
    judgement = look_at(usual_powers(), name="now", spot=(*place, 0.6), seed=9).judge(baseline=baseline)
    (finding,) = [finding for finding in judgement.findings if finding.level == "act"]
    assert finding.rule == "unmapped"
    (found,) = judgement.unmapped
    assert np.hypot(found.x_mm - place[0], found.y_mm - place[1]) < 3.0


def test_the_skirt_of_one_source_is_no_second_one():
    scene = look_at(usual_powers(), spot=(68.0, 56.0, 2.0))
    view = View(scene.rectified.mm_per_px, scene.registration, NOISE_K, (8.0, 14.0))
    heat = see_heat(scene.measurements, scene.rectified, scene.board, scene.run, view=view)
    (there,) = [spot for spot in heat.spots if stands_out(spot)]
    assert np.hypot(there.x_mm - 68.0, there.y_mm - 56.0) < 3.0
    # What the source gives explains all that is seen: were it a part of the layout, nothing would stand out.
    assert not [s for s in spots_in(heat.rise_k, heat.split, replace(heat, board=scene.board)) if stands_out(s)]


def _told(*, new: bool = False, beside_k: float | None = 30.0, **change: object) -> list[str]:
    """The levels of what is said of one spot, a source in every respect but what is changed."""
    values = {"excess_k": 8.0, "deviations": 40.0, "explained_k": 5.0, "area_mm2": 20.0, "rise_k": 25.0} | change
    spot = WarmSpot(68.0, 56.0, **({"shape": SpotShape(0.9, 0.3)} | values))
    result = judge_spots([spot], small_board(), ambient_c=22.0, camera_px_mm=1.0, new=new, beside_k=lambda _: beside_k)
    return [finding.level for finding in result.findings]


def test_a_spot_smaller_than_a_pixel_or_within_the_noise_is_left_out():
    assert _told() == ["act"]
    assert _told(area_mm2=1.0) == []
    assert _told(deviations=3.0) == []
    assert _told(explained_k=60.0) == []


def test_what_is_new_since_the_good_runs_is_acted_on_sooner_than_what_may_always_have_been_there():
    assert _told(excess_k=4.0, explained_k=0.3) == ["watch"]
    assert _told(excess_k=4.0, explained_k=0.3, new=True) == ["act"]
    assert _told(excess_k=2.7, explained_k=0.3, new=True) == ["watch"]


def test_the_shoulder_of_a_hot_part_is_no_source():
    assert _told(shape=SpotShape(-0.2, 0.3)) == []
    # Half way between the two shapes it cannot be told; and what is new is no shoulder where no part has changed.
    assert _told(shape=SpotShape(0.4, 0.3)) == ["watch"]
    assert _told(shape=SpotShape(0.4, 0.3), new=True, explained_k=0.3) == ["act"]
    assert _told(shape=SpotShape(-0.2, 0.3), new=True, explained_k=6.0) == []


def test_hemmed_in_by_parts_only_what_is_new_or_warmer_than_they_are_is_surely_a_source():
    hemmed_in = SpotShape(None, None)
    assert _told(shape=hemmed_in) == ["watch"]
    assert _told(shape=hemmed_in, new=True) == ["act"]
    assert _told(shape=hemmed_in, beside_k=15.0) == ["act"]
    assert _told(shape=hemmed_in, beside_k=None) == ["watch"]
    assert _told(shape=hemmed_in, beside_k=0.0) == ["act"]
    assert _told(shape=hemmed_in, beside_k=0.0, rise_k=12.0) == ["watch"]
    assert _told(shape=hemmed_in, excess_k=4.0) == []


def test_a_sharp_spot_no_warmer_than_a_person_may_be_a_reflection():
    glint = SpotShape(0.9, 0.01)
    assert _told(shape=glint, rise_k=12.0) == ["watch"]
    assert _told(shape=glint, rise_k=30.0) == ["act"]


def test_a_stand_in_is_no_part_in_words():
    board = with_stand_ins(small_board(), [WarmSpot(68.0, 56.0, 8.0, 40.0, 5.0, 20.0, 13.0)])
    extra = board.parts[-1].ref
    assert plain_name(extra) == "heat where no part is mapped"
    assert small_board().part(extra) is None
