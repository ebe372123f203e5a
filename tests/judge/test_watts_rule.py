"""A lone board: no peers, no known-good runs, only what each part's data sheet or family lets it draw."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.judge.scenes import look_at, small_board, usual_powers
from thermscan.judge.allowed import allowed_watts
from thermscan.judge.finding import Finding, Judgement
from thermscan.judge.holds import HoldCode
from thermscan.judge.limits import check_usual
from thermscan.layout.board import Board, Part, Surface
from thermscan.regions.measurement import PartMeasurement
from thermscan.runs.run import Supply

PLASTIC = Surface("plastic", 0.94, 0.02)


def _lone(**watts: tuple[float, float] | None) -> Board:
    """The small board without groups and limits, each part with its usual watts as typical and 1.8 times as most."""
    board = small_board()
    usual = {ref: (round(w, 3), round(1.8 * w, 3)) for ref, w in usual_powers().items()} | watts
    parts = (replace(p, group=None, max_c=None, kind=None, watts=usual[p.ref]) for p in board.parts)
    return replace(board, parts=tuple(parts))


def _about(judgement: Judgement, ref: str) -> list[Finding]:
    return [finding for finding in judgement.findings if finding.ref == ref]


@pytest.mark.parametrize("supply", [True, False])
@pytest.mark.parametrize("load", [0.8, 1.0, 1.2])
def test_a_good_lone_board_is_clear_and_every_part_was_compared(supply: bool, load: float):
    judgement = look_at(usual_powers(load), board=_lone(), supply=supply).judge()
    assert (judgement.overall, judgement.not_compared) == ("clear", ())
    assert {each.compared_by for each in judgement.parts} == {("expected",)}


@pytest.mark.parametrize("supply", [True, False])
def test_a_part_at_three_times_its_typical_watts_is_named(supply: bool):
    judgement = look_at(usual_powers() | {"U20": 1.8}, board=_lone(), supply=supply).judge()
    (finding,) = _about(judgement, "U20")
    assert (finding.rule, finding.direction) == ("expected", "hot")
    assert "allows 0.58 W typically and 1 W at most" in finding.text
    assert {f.ref for f in judgement.findings if f.level == "act"} <= {"U20"}


def test_a_dead_part_is_cold_by_its_data_sheet():
    judgement = look_at(usual_powers() | {"U20": 0.0}, board=_lone(), supply=True).judge()
    (finding,) = _about(judgement, "U20")
    assert (finding.rule, finding.direction, finding.level) == ("expected", "cold", "act")
    assert "hardly any heat of its own" in finding.text


@pytest.mark.parametrize(("watts", "direction", "overall"), [(0.0, "cold", {"act"}), (0.6, "hot", {"act", "watch"})])
def test_a_whole_group_dead_or_overloaded_together_is_found(watts: float, direction: str, overall: set[str]):
    group = {f"U{i}": watts for i in range(1, 9)}
    board = small_board()
    parts = tuple(replace(p, watts=_lone().part(p.ref).watts) for p in board.parts)
    judgement = look_at(usual_powers() | group, board=replace(board, parts=parts), supply=True).judge()
    named = {f.ref for f in judgement.findings if f.rule == "expected" and f.direction == direction}
    assert len(named & set(group)) >= 6
    # A data sheet may be off by a third for all of them, and peers that are alike speak for them.
    assert judgement.overall in overall


def test_a_part_whose_watts_are_nought_and_gives_heat_is_named():
    judgement = look_at(usual_powers() | {"U14": 0.4}, board=_lone(U14=(0.0, 0.0)), supply=True).judge()
    (finding,) = _about(judgement, "U14")
    assert (finding.level, finding.direction) == ("act", "hot")
    assert "by the layout it should give none" in finding.text


def test_a_connector_is_never_cold_by_its_own_heat():
    board = small_board()
    group = tuple(
        replace(p, ref=p.ref.replace("U", "J"), kind="connector") if p.group == "memory" else p for p in board.parts
    )
    watts = {p.ref: 0.1 if p.ref.startswith("J") else usual_powers()[p.ref] for p in group} | {"J3": 0.0}
    judgement = look_at(watts, board=replace(board, parts=group)).judge()
    assert [f for f in _about(judgement, "J3") if f.direction == "cold"] == []


def test_what_is_only_taken_from_a_kind_is_watched_and_does_not_count_as_compared():
    parts = tuple(replace(p, max_c=None, group=None) for p in small_board().parts)
    board = replace(small_board(), parts=parts)
    judgement = look_at(usual_powers() | {"VR1": 3.6}, board=board, supply=True).judge()
    held = [w.comparison for w in judgement.evidence.weighed if w.comparison.ref == "VR1"]
    assert [c.at_most_watch.code for c in held] == [HoldCode.FAMILY_GUESSED]
    assert {f.level for f in _about(judgement, "VR1") if f.rule == "expected"} == {"watch"}
    assert "VR1" in judgement.not_compared


@pytest.mark.parametrize(("max_c", "levels"), [(80.0, []), (101.0, []), (112.0, ["watch"]), (140.0, ["act"])])
def test_a_lone_overheated_regulator_is_found_without_any_limit(max_c: float, levels: list[str]):
    part = Part("VR1", 15, 10, 20, 20, 0, PLASTIC, kind="regulator")
    assert [f.level for f in check_usual([PartMeasurement(part, 60, max_c, max_c, 60.0, 1.3)])] == levels
    chip = replace(part, kind="latch", ref="U1")
    assert len(check_usual([PartMeasurement(chip, 60, 95.0, 95.0, 60.0, 1.3)])) == 1


def test_a_regulator_may_drop_what_the_rails_say():
    part = Part("VR1", 15, 10, 20, 20, 0, PLASTIC, kind="5 V regulator", family="linear-regulator")
    rails = (Supply("+5 V", 5.0, 1.0), Supply("+9 V", 9.2, 0.5))
    allowed = allowed_watts(part, supply=rails)
    # (9.2 - 5) V x 0.5 A
    assert allowed.most_w == pytest.approx(2.1)
    assert allowed.typical_w == pytest.approx(2.1)
    assert allowed_watts(part, supply=rails, regulators=2).typical_w == pytest.approx(1.05)
    assert allowed_watts(part, supply=(Supply("+5 V", 5.0, 1.0),)).most_w == 2.0


def test_own_watts_go_before_the_family():
    part = Part("U1", 52, 14, 20, 20, 0, PLASTIC, watts=(0.2, 0.3), family="nmos-cpu")
    assert allowed_watts(part, supply=()).most_w == 0.3


def test_a_supply_that_feeds_other_things_too_makes_watts_doubtful():
    scene = look_at(usual_powers(), board=_lone(), supply=True)
    honest = {p.measurement.part.ref: p.watts for p in scene.judge().parts}
    (rail,) = scene.run.supply
    run = replace(scene.run, supply=(replace(rail, amps=3.0 * rail.amps),))
    judgement = replace(scene, run=run).judge()
    doubtful = {p.measurement.part.ref: p.watts for p in judgement.parts}
    assert doubtful["U20"].u_w / doubtful["U20"].power_w > 2 * honest["U20"].u_w / honest["U20"].power_w
    assert judgement.overall != "act"
