"""Heat that cannot be told whose it is: at a bound, by heights that are seen wrongly, by sinks that nobody states."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.judge.scenes import Scene, look_at, small_board, usual_powers
from thermscan.heat.least_squares import Found
from thermscan.judge.finding import Judgement
from thermscan.layout.board import Board
from thermscan.registration.registration import PartHeight


def _lone(**kinds: str) -> Board:
    """The small board with watts stated and no groups; the named parts of these kinds."""
    board, usual = small_board(), usual_powers()
    parts = (
        replace(
            p, group=None, max_c=None, kind=kinds.get(p.ref), watts=(round(usual[p.ref], 3), round(2 * usual[p.ref], 3))
        )
        for p in board.parts
    )
    return replace(board, parts=tuple(parts))


def _acts(judgement: Judgement) -> set[str | None]:
    return {finding.ref for finding in judgement.findings if finding.level == "act"}


@pytest.mark.parametrize("pressed", [0.0, 0.2, 0.4])
def test_a_part_held_at_nought_is_as_wide_as_what_its_neighbour_may_have_taken(pressed: float):
    # Two heats that the data hardly tell apart, the first at its bound: against draws of the truncated density itself.
    normal = np.array([[1.0, 0.97], [0.97, 1.0]])
    none = np.zeros(0)
    found = Found(
        heat_kmm2=np.array([0.0, 50.0]), constant_k=0.0, shared=none, normal=normal, scale=np.ones(2),
        free=np.array([False, True]), pressed=np.array([pressed, 0.0]), misfit=1.0, stretch=1.0, cell_residual_k=none,
        robust=none, by_bodies=none, body_residual=none, seen=none.astype(bool),
    )  # fmt: skip
    covariance = np.linalg.inv(normal)
    # The slope at the bound is what a mean below 0 makes there.
    mean = np.array([0.0, 50.0]) + covariance @ [-pressed, 0.0]
    draws = np.random.default_rng(3).multivariate_normal(mean, covariance, 400_000)
    above = draws[draws[:, 0] >= 0.0] - [0.0, 50.0]
    told = found.inverse()
    assert told[0, 0] == pytest.approx(np.mean(above[:, 0] ** 2), rel=0.02)
    assert told[1, 1] == pytest.approx(np.mean(above[:, 1] ** 2), rel=0.02)
    assert told[0, 1] == pytest.approx(np.mean(above[:, 0] * above[:, 1]), rel=0.02)


def _seen_at(scene: Scene, **heights_mm: float) -> Scene:
    """The scene with heights that the view told, of memories those of the others alike."""
    heights = {f"U{i}": PartHeight(4.6, 0.8, seen=True) for i in range(1, 9)}
    heights |= {ref: PartHeight(mm, 0.8, seen=True) for ref, mm in heights_mm.items()}
    return replace(scene, registration=replace(scene.registration, heights=heights))


def test_a_chip_seen_four_times_as_tall_as_its_like_is_not_accused_of_what_its_sides_would_lose():
    scene = look_at(usual_powers() | {"U20": 1.2, "VR1": 1.2})
    told = _seen_at(scene, U2=15.5, U6=16.4).judge()
    assert not {"U2", "U6"} & _acts(told)
    # And its heat is that of the others, more or less.
    watts = {each.measurement.part.ref: each.watts.power_w for each in told.parts if each.watts is not None}
    assert watts["U2"] == pytest.approx(watts["U3"], rel=0.25)


def test_a_regulator_may_stand_on_a_sink_that_nobody_states():
    watts = usual_powers() | {"U11": 0.0, "VR1": 0.0}
    board, stated = _lone(VR1="5 V regulator"), {"U11": (0.25, 0.5), "VR1": (0.12, 0.25)}
    board = replace(board, parts=tuple(replace(p, watts=stated.get(p.ref, p.watts)) for p in board.parts))
    seen = {f"U{i}": PartHeight(5.0, 0.8, seen=True) for i in range(11, 15)} | {"VR1": PartHeight(7.0, 1.8, seen=True)}
    scene = look_at(watts, board=board, supply=True)
    acts = _acts(replace(scene, registration=replace(scene.registration, heights=seen)).judge())
    assert "VR1" not in acts
    assert "U11" in acts


def test_a_sink_takes_no_more_than_its_rise_lets_it_take():
    board = _lone(VR1="5 V regulator")
    seen = {f"U{i}": PartHeight(5.0, 0.8, seen=True) for i in range(1, 9)}
    told = {}
    for typical_w in (0.08, 1.0):
        parts = tuple(replace(p, watts=(typical_w, 2 * typical_w)) if p.ref == "VR1" else p for p in board.parts)
        scene = look_at(usual_powers() | {"VR1": 0.0}, board=replace(board, parts=parts))
        told[typical_w] = replace(scene, registration=replace(scene.registration, heights=seen)).judge()
    # Some 7 K over the air, by what its neighbours give: sides of 50 mm by 13 mm lose about 0.05 W, not 20 times that.
    assert "VR1" not in _acts(told[0.08])
    assert "VR1" in _acts(told[1.0])
