"""Limits of surfaces and junctions; what burns fingers; what ages capacitors."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.judge.scenes import look_at, small_board, usual_powers
from thermscan.heat.split import HeatSplit
from thermscan.judge.handling import capacitor_remarks, touch_remarks
from thermscan.judge.junction import estimate_junction
from thermscan.judge.limits import check_junctions
from thermscan.layout.board import Board, Part, Surface
from thermscan.regions.measurement import PartMeasurement

PLASTIC = Surface("plastic", 0.94, 0.02)


def _board(**change: object) -> Board:
    board = small_board()
    return replace(board, parts=tuple(replace(p, **change) if p.ref == "U20" else p for p in board.parts))


def _measured(part: Part, mean_c: float, max_c: float | None = None) -> PartMeasurement:
    return PartMeasurement(part, 60, mean_c, max_c or mean_c, mean_c - 22.0, 1.3)


def test_a_junction_above_its_limit_is_a_finding_though_the_surface_is_not():
    board = _board(psi_jt_k_per_w=60.0, max_junction_c=48.0)
    judgement = look_at(usual_powers(), board=board, supply=True).judge()
    (finding,) = [f for f in judgement.findings if f.rule == "junction"]
    assert (finding.ref, finding.level, finding.direction) == ("U20", "act", "hot")
    assert "an estimate from its top and its watts" in finding.text
    assert "junction" in next(p for p in judgement.parts if p.measurement.part.ref == "U20").compared_by


def test_a_junction_near_its_limit_cannot_be_told():
    scene = look_at(usual_powers(), board=_board(psi_jt_k_per_w=10.0), supply=True)
    top = next(m for m in scene.measurements if m.part.ref == "U20").max_c
    near = _board(psi_jt_k_per_w=10.0, max_junction_c=round(top + 6.0))
    (finding,) = [f for f in look_at(usual_powers(), board=near, supply=True).judge().findings if f.rule == "junction"]
    assert finding.level == "watch"
    assert "cannot be told" in finding.text


@pytest.mark.parametrize(("supply", "board"), [(False, {"psi_jt_k_per_w": 60.0}), (True, {})])
def test_without_watts_or_without_psi_no_junction_is_estimated(supply: bool, board: dict[str, float]):
    judgement = look_at(usual_powers(), board=_board(max_junction_c=30.0, **board), supply=supply).judge()
    assert [f for f in judgement.findings if f.rule == "junction"] == []
    assert all("junction" not in part.compared_by for part in judgement.parts)


def test_no_split_no_junction():
    split: HeatSplit | None = None
    part = Part("U1", 20, 7, 10, 10, 0, PLASTIC, psi_jt_k_per_w=8.0, max_junction_c=20.0)
    assert check_junctions([_measured(part, 60.0)], split) == ()


def test_the_worked_figures_of_a_makers_support_page():
    # A regulator maker's public support page: top 95.26 C, 0.51 W, psi_JT 6.1 K/W give 98.37 C; theta_JC would give
    # 145.6 C, which is not how it is meant.
    assert estimate_junction(95.26, 0.51, psi_jt_k_per_w=6.1).temp_c == pytest.approx(98.37, abs=0.005)


@pytest.mark.parametrize(
    ("surface", "temp_c", "named"),
    [("anodised", 66.0, True), ("plastic", 66.0, False), ("ceramic", 82.0, True), ("plastic", 86.0, True)],
)
def test_the_surface_decides_from_when_on_it_burns(surface: str, temp_c: float, named: bool):
    part = Part("VR1", 20, 7, 10, 10, 0, Surface(surface, 0.9, 0.03))
    assert bool(touch_remarks([_measured(part, temp_c)])) is named


def test_hot_parts_are_named_the_hottest_first_and_the_tail_is_counted():
    hot = [_measured(Part(f"U{i}", 20, 7, 10, 10, 0, PLASTIC), 90.0 + i) for i in range(9)]
    (remark,) = touch_remarks(hot)
    assert remark.startswith("hot to the touch: U8 (98 °C), U7")
    assert "and 3 more" in remark


def test_a_warm_electrolytic_is_said_with_how_fast_it_ages():
    cool = [_measured(Part(f"U{i}", 20, 7, 10, 10, 0, PLASTIC), 30.0) for i in range(5)]
    warm = _measured(Part("C3", 10, 10, 5, 5, 0, PLASTIC, package="CAP-RADIAL-10"), 52.0)
    (remark,) = capacitor_remarks([*cool, warm])
    # 30 K over 22 C: 2 to the power of 3.
    assert "C3 (52 °C, 8 times)" in remark
    assert "rule of thumb" in remark


def test_capacitors_no_warmer_than_the_board_are_left_alone():
    board = [_measured(Part(f"U{i}", 20, 7, 10, 10, 0, PLASTIC), 52.0) for i in range(5)]
    same = _measured(Part("C3", 10, 10, 5, 5, 0, PLASTIC, kind="electrolytic"), 53.0)
    assert capacitor_remarks([*board, same]) == ()
    limited = replace(same, part=replace(same.part, max_c=60.0))
    assert len(capacitor_remarks([*board, limited])) == 1
    ceramic = _measured(Part("C4", 5, 3, 5, 5, 0, PLASTIC, kind="ceramic capacitor"), 80.0)
    assert capacitor_remarks([*board, ceramic]) == ()
