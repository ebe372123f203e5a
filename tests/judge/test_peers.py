"""Peer comparison on its own: small groups, divided groups, surfaces, proposed groups."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from thermscan.judge import holds
from thermscan.judge.comparison import Comparison, difference_u_k
from thermscan.judge.peers import compare_peers, peer_groups
from thermscan.judge.weighing import suspect_parts, weigh
from thermscan.layout.board import Board, Part, Surface
from thermscan.regions.measurement import BudgetLine, PartMeasurement

PLASTIC, CERAMIC = Surface("plastic", 0.93, 0.02), Surface("ceramic", 0.88, 0.03)
OUTLINE = [[0, 0], [400, 0], [400, 100], [0, 100]]


def test_one_hot_part_of_three_is_told_from_the_two_that_agree():
    found = _compare([10.0, 10.2, 18.0])
    assert _levels(found) == {"U3": "act"}


def test_two_hot_parts_of_four_divide_the_group_and_nobody_is_accused():
    found = _compare([10.0, 10.2, 17.0, 17.3])
    assert {c.at_most_watch for c in found} == {holds.DIVIDED}
    assert "act" not in _levels(found).values()
    assert "watch" in _levels(found).values()


def test_two_hot_parts_of_six_do_not_hide_each_other():
    found = _compare([10.0, 10.2, 9.9, 10.1, 17.0, 17.3])
    assert _levels(found) == {"U5": "act", "U6": "act"}


def test_two_parts_cannot_tell():
    assert _compare([10.0, 30.0]) == ()


def test_a_hot_part_does_not_widen_its_own_yardstick():
    alone = {c.ref: c for c in _compare([10.0, 10.2, 9.9, 10.1, 40.0])}
    assert alone["U5"].excess_k == pytest.approx(40.0 - np.mean([10.0, 10.2, 9.9, 10.1]))
    assert alone["U1"].excess_k == pytest.approx(10.0 - np.mean([10.2, 9.9, 10.1]))


def test_a_sensor_that_is_evener_than_the_published_one_is_told_from_parts_that_scatter_little():
    # Thirty chips that give 2 K each, read to 0.5 K by the published camera's unevenness.
    rng = np.random.default_rng(3)
    parts = [_part(f"U{i}", x_mm=12.0 * i) for i in range(30)]
    board = Board("b", None, OUTLINE, 1.6, PLASTIC, tuple(parts))
    stated_k = {}
    for seen_k in (0.5, 0.1):
        measured = []
        for number, part in enumerate(parts):
            plain = _measured(part.ref, 2.0 + seen_k * float(rng.normal()), part=part)
            own = BudgetLine("unevenness of the sensor", 0.5, f"sensor:0:{number}")
            measured.append(replace(plain, budget=(*plain.budget, own)))
        stated_k[seen_k] = float(np.median([c.u_k for c in compare_peers(measured, board, None)]))
    # Nature and places, 0.2 K by themselves, are seen with it: it is told from above.
    assert stated_k[0.5] == pytest.approx(0.5, abs=0.15)
    assert stated_k[0.1] < 0.3


def test_peers_that_scatter_more_than_expected_widen_the_yardstick():
    calm = _compare([10.0, 10.2, 9.9, 10.1, 10.0, 13.0])
    wild = _compare([8.0, 12.0, 9.0, 11.0, 10.0, 13.0])
    assert calm[-1].spread_k < wild[-1].spread_k


def test_camera_offset_and_shared_emissivity_cancel_between_like_surfaces():
    one, other = _measured("U1", 20.0), _measured("U2", 20.0)
    assert difference_u_k(one, [other]) == pytest.approx(np.hypot(0.1, 0.1))


def test_emissivity_does_not_cancel_between_unlike_surfaces():
    one, other = _measured("U1", 20.0), _measured("U2", 20.0, surface=CERAMIC)
    assert difference_u_k(one, [other]) == pytest.approx(np.sqrt(0.1**2 + 0.1**2 + 0.4**2 + 0.4**2))


def test_parts_alike_in_kind_and_package_are_proposed_as_a_group_and_only_watched():
    parts = [_part(f"U{i}", group=None, kind="memory", package="DIP-16") for i in range(1, 6)]
    (group,) = peer_groups(parts)
    assert group.proposed
    found = _compare([10.0, 10.2, 9.9, 10.1, 40.0], parts=parts)
    assert _levels(found) == {"U5": "watch"}
    assert "alike (memory DIP-16)" in found[-1].against


def test_a_declared_group_leaves_no_part_to_be_proposed_twice():
    parts = [_part(f"U{i}", group="a", kind="memory", package="DIP-16") for i in range(1, 6)]
    assert [group.proposed for group in peer_groups(parts)] == [False]


def test_without_a_split_a_part_near_a_hotter_one_is_only_watched():
    group = [_part(f"U{i}", x_mm=20.0 + 30 * i) for i in range(5)]
    heater = _part("VR1", group=None, x_mm=150.0)
    found = _compare([10.0, 10.2, 9.9, 10.1, 17.0, 60.0], parts=[*group, heater])
    assert next(c for c in found if c.ref == "U4").at_most_watch == holds.NO_SPLIT
    alone = _compare([10.0, 10.2, 9.9, 10.1, 17.0, 10.0], parts=[*group, heater])
    assert next(c for c in alone if c.ref == "U4").at_most_watch is None


def test_false_alarms_on_good_groups_are_as_rare_as_promised():
    rng = np.random.default_rng(11)
    acts = 0
    for _ in range(150):
        parts, rises = [], []
        for g in range(8):
            level = rng.uniform(3.0, 25.0)
            n = int(rng.integers(3, 9))
            parts += [_part(f"U{g}_{i}", group=f"g{g}") for i in range(n)]
            rises += (level * (1 + rng.uniform(0.03, 0.08) * rng.normal(size=n))).tolist()
        acts += sum(level == "act" for level in _levels(_compare(rises, parts=parts)).values())
    # 0.02 a board is the aim: 3 on 150; Poisson gives more than 8 once in 250.
    assert acts <= 8


def test_parts_far_apart_are_accused_later_than_those_of_one_row():
    near, far = ([_part(f"U{i}", x_mm=pitch * i) for i in range(6)] for pitch in (6.0, 70.0))
    rises = [20.0, 20.3, 19.8, 20.1, 24.5, 19.9]
    row, scattered = ({c.ref: c for c in _compare(rises, parts=parts)}["U4"] for parts in (near, far))
    assert row.excess_k == scattered.excess_k
    assert scattered.place_k > 1.5 * row.place_k
    assert scattered.p_value > row.p_value


def _part(ref: str, *, group: str | None = "g", surface: Surface = PLASTIC, x_mm: float = 10.0, **more: str) -> Part:
    return Part(ref, 20.0, 7.0, x_mm, 50.0, 0.0, surface, group=group, **more)


def _measured(ref: str, rise_k: float, *, surface: Surface = PLASTIC, part: Part | None = None) -> PartMeasurement:
    budget = (
        BudgetLine("camera", 2.0, "camera"),
        BudgetLine("noise", 0.1),
        BudgetLine("emissivity of the kind of surface", -0.4, f"emissivity:{surface.name}"),
    )
    part = part or _part(ref, surface=surface)
    return PartMeasurement(part, 60, 22 + rise_k, 22 + rise_k, rise_k, 2.1, budget=budget)


def _compare(rises_k: list[float], *, parts: list[Part] | None = None) -> tuple[Comparison, ...]:
    parts = parts or [_part(f"U{i}", x_mm=40.0 * i) for i in range(1, len(rises_k) + 1)]
    board = Board("b", None, OUTLINE, 1.6, PLASTIC, tuple(parts))
    measured = [_measured(part.ref, rise, part=part) for part, rise in zip(parts, rises_k, strict=True)]
    return compare_peers(measured, board, None)


def _levels(comparisons: tuple[Comparison, ...]) -> dict[str, str]:
    measured = [_measured(each.ref, 10.0, part=_part(each.ref)) for each in comparisons]
    weighed = weigh(comparisons, suspect_parts(measured, comparisons))
    return {w.comparison.ref: w.level for w in weighed if w.level is not None}
