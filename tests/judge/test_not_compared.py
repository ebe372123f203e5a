"""Clear means compared: what nothing was held against is named, and a board of such parts is undecided."""

from __future__ import annotations

from dataclasses import replace

from tests.judge.scenes import look_at, small_board, usual_powers
from thermscan.judge.learning import learn_baseline
from thermscan.judge.remarks import blind_remarks
from thermscan.judge.weighing import Why
from thermscan.layout.board import Board
from thermscan.regions.reasons import METAL


def _without_groups() -> Board:
    board = small_board()
    return replace(board, parts=tuple(replace(part, group=None, max_c=None, kind=None) for part in board.parts))


def test_parts_that_no_rule_speaks_about_are_named():
    judgement = look_at(usual_powers(), unseen={"U1": METAL}).judge()
    # The CPU has no peers and no limit; the regulator has a limit; what is not measured is told elsewhere.
    assert judgement.not_compared == ("U20",)
    assert judgement.overall == "clear"


def test_where_nothing_could_be_compared_the_board_is_undecided():
    judgement = look_at(usual_powers(), board=_without_groups()).judge()
    assert judgement.overall == "undecided"
    assert set(judgement.not_compared) == {part.ref for part in small_board().parts}


def test_heat_at_no_part_is_to_be_acted_on_though_no_part_was_compared():
    judgement = look_at(usual_powers(), board=_without_groups(), spot=(68.0, 56.0, 0.5)).judge()
    assert judgement.overall == "act"


def test_a_group_that_gives_no_heat_at_all_while_the_rest_works_is_not_clear():
    silent = {f"U{i}": 0.0 for i in range(1, 9)}
    judgement = look_at(usual_powers() | silent).judge()
    assert judgement.overall == "watch"
    (finding,) = [finding for finding in judgement.findings if finding.rule == "group"]
    assert (finding.ref, finding.direction) == (None, "cold")
    assert "group memory (U1, U2" in finding.text


def test_a_board_that_is_switched_off_has_no_silent_group():
    assert [f.rule for f in look_at(usual_powers(0.02)).judge().findings] == []


def test_silent_capacitors_are_as_they_should_be():
    board = small_board()
    parts = tuple(
        replace(part, kind="ceramic capacitor", ref=part.ref.replace("U", "C")) if part.group == "memory" else part
        for part in board.parts
    )
    watts = {part.ref: 0.0 if part.ref.startswith("C") else usual_powers()[part.ref] for part in parts}
    assert [f.rule for f in look_at(watts, board=replace(board, parts=parts)).judge().findings] == []


def test_with_few_parts_the_reason_for_a_watch_is_not_their_number():
    board = small_board()
    few = replace(board, parts=tuple(part for part in board.parts if part.ref in {"U11", "U12", "U13", "U14"}))
    for watts in (0.10, 0.105, 0.11, 0.115, 0.12):
        judgement = look_at(usual_powers() | {"U12": watts}, board=few).judge()
        watched = [w for w in judgement.evidence.weighed if w.level == "watch" and w.comparison.ref == "U12"]
        if watched:
            break
    assert watched[0].why in {Why.SMALL, Why.UNSURE}
    (finding,) = [finding for finding in judgement.findings if finding.ref == "U12"]
    assert "Among" not in finding.text


def test_parts_of_which_a_dead_one_would_look_the_same_are_named():
    scene = look_at(usual_powers())
    assert not any("hardly be told" in remark for remark in scene.judge().remarks)
    seen = [w.comparison for w in scene.judge().evidence.weighed]
    # U11 gives 1.5 K itself and its like differ by 0.5 K, U12 gives half a kelvin, U13 is told by another rule.
    cool = [
        replace(seen[0], ref="U11", own_expected_k=1.5, u_k=0.3, spread_k=0.4, place_k=0.0),
        replace(seen[0], ref="U12", own_expected_k=0.5, u_k=0.01, spread_k=0.01, place_k=0.0),
        replace(seen[0], ref="U13", own_expected_k=0.5, u_k=0.3, spread_k=0.4),
        replace(seen[0], ref="U13", own_expected_k=5.0, u_k=0.3, spread_k=0.4, place_k=0.0),
    ]
    assert [r.rpartition(": ")[2] for r in blind_remarks(scene.measurements, [*seen, *cool][-4:])] == ["U11, U12"]


def test_a_board_that_shows_no_heat_is_not_called_clear():
    # As an unpowered one looks: noise alone, then a look at one that gives a little.
    for seed in range(5):
        cold = look_at(dict.fromkeys(usual_powers(), 0.0), seed=seed).judge()
        assert cold.overall == "undecided"
        assert len(cold.not_compared) == len(small_board().parts)
        assert any("powered and warm" in remark for remark in cold.remarks)
    assert look_at(usual_powers(0.2)).judge().overall == "clear"


def test_a_short_on_a_cold_board_is_found_all_the_same():
    judgement = look_at(dict.fromkeys(usual_powers(), 0.0) | {"U3": 0.4}).judge()
    assert judgement.overall == "act"


def test_good_runs_of_a_cold_stage_are_a_comparison():
    cold = dict.fromkeys(usual_powers(), 0.0)
    baseline = learn_baseline([look_at(cold, seed=seed, name=f"good-{seed}") for seed in (2, 3)])
    assert look_at(cold).judge(baseline=baseline).overall == "clear"
