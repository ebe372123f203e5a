"""The judge as a whole: who is accused, who is not, and in what words."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.judge.scenes import Scene, look_at, small_board, usual_powers
from thermscan.judge.baseline import Baseline
from thermscan.judge.finding import Finding, Judgement
from thermscan.judge.learning import learn_baseline
from thermscan.regions import reasons

FEW = settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def test_a_good_board_is_clear():
    judgement = look_at(usual_powers()).judge()
    assert judgement.overall == "clear"
    assert judgement.findings == ()


def test_a_shorted_memory_is_accused_by_its_peers():
    judgement = look_at(usual_powers() | {"U6": 0.5}).judge()
    finding = _only(judgement, "act")
    assert (finding.ref, finding.rule, finding.direction) == ("U6", "peer", "hot")
    assert _verdicts(judgement)["U6"] == "hot"
    assert judgement.overall == "act"
    assert "warmer by its own heat than 7 peers of its group memory" in finding.text
    assert all("?" in hint for hint in finding.hypotheses)


def test_a_dead_memory_is_cold_and_its_supply_is_to_be_checked():
    judgement = look_at(usual_powers() | {"U3": 0.0}).judge()
    finding = _only(judgement, "act")
    assert (finding.ref, finding.direction) == ("U3", "cold")
    assert "hardly any heat of its own" in finding.text
    assert any("supply" in hint for hint in finding.hypotheses)


def test_a_good_gate_beside_a_hot_regulator_is_not_accused_and_the_culprit_is_named():
    judgement = look_at(usual_powers() | {"VR1": 2.5}).judge()
    about = [finding for finding in judgement.findings if finding.ref == "U14"]
    assert [finding.level for finding in about] == ["watch"]
    assert about[0].source_ref == "VR1"
    assert "VR1 gives" in about[0].text
    assert _verdicts(judgement)["U14"] == "watch"


def test_own_and_received_heat_make_up_the_rise():
    judgement = look_at(usual_powers() | {"U6": 0.5}).judge()
    finding = _only(judgement, "act")
    rise = next(m.measurement.rise_k for m in judgement.parts if m.measurement.part.ref == "U6")
    # What the whole board shares (here nothing) is known to about a kelvin on a small board warm all over: twice that.
    assert finding.own_k + finding.received_k == pytest.approx(rise, abs=2.0)


def test_heat_on_bare_board_is_found_where_it_is():
    judgement = look_at(usual_powers(), spot=(68.0, 56.0, 0.5)).judge()
    finding = _only(judgement, "act")
    assert finding.rule == "unmapped"
    (place,) = judgement.unmapped
    assert np.hypot(place.x_mm - 68.0, place.y_mm - 56.0) < 3.0
    assert place.nearest_ref in {"U20", "U13"}
    assert place.rise_k == pytest.approx(place.peak_c - 22.0)


def test_a_limit_well_exceeded_is_act_and_a_near_one_cannot_be_told():
    board = small_board()
    rise = next(m.rise_k for m in look_at(usual_powers()).measurements if m.part.ref == "VR1")
    for margin, level in ((-4.0, "act"), (1.0, "watch"), (6.0, None)):
        parts = tuple(replace(p, max_c=22.0 + rise + margin if p.ref == "VR1" else None) for p in board.parts)
        judgement = look_at(usual_powers(), board=replace(board, parts=parts)).judge()
        about = [finding.level for finding in judgement.findings if finding.rule == "limit"]
        assert about == ([level] if level else []), margin


def test_a_part_that_nothing_speaks_about_says_so():
    judgement = look_at(usual_powers()).judge()
    cpu = next(part for part in judgement.parts if part.measurement.part.ref == "U20")
    assert cpu.verdict == "normal"
    assert cpu.reason.startswith("nothing to compare it with: it has no group")


def test_an_unmeasurable_part_keeps_its_reason_and_a_board_of_them_is_undecided():
    one = look_at(usual_powers(), unseen={"U2": reasons.METAL}).judge()
    part = next(part for part in one.parts if part.measurement.part.ref == "U2")
    assert part.verdict == "not-measurable"
    assert "matt tape" in part.reason
    everything = {part.ref: reasons.OUT_OF_FRAME for part in small_board().parts}
    assert look_at(usual_powers(), unseen=everything).judge().overall == "undecided"


def test_with_the_supply_known_the_heat_is_in_watts():
    from tests.judge.scenes import NOISE_K
    from thermscan.judge.judging import judge_with_evidence

    scene = look_at(usual_powers(), supply=True)
    _, evidence = judge_with_evidence(
        scene.measurements, scene.rectified, scene.board, scene.run, noise_k=NOISE_K, registration=scene.registration
    )
    watts = {part.ref: part.power_w for part in evidence.split.parts}
    # Published bodies lose by their tops as well, this scene's do not: some per cent.
    assert watts["U20"] == pytest.approx(usual_powers()["U20"], rel=0.15)
    assert sum(watts.values()) == pytest.approx(sum(usual_powers().values()), rel=1e-6)


def test_no_bare_board_in_view_is_said_and_temperatures_are_compared_alone():
    scene = look_at(usual_powers() | {"U6": 0.6})
    blank = replace(scene.rectified, apparent_c=np.full(scene.rectified.apparent_c.shape, np.nan))
    judgement = replace(scene, rectified=blank).judge()
    assert any("too little bare board" in remark for remark in judgement.remarks)
    assert _verdicts(judgement)["U6"] == "hot"


FAULTS = st.sampled_from([{}, {"U6": 0.5}, {"U3": 0.0}, {"VR1": 2.5}, {"U12": 0.3, "U2": 0.45}])


@FEW
@given(faults=FAULTS, offset_k=st.floats(-3.0, 3.0))
def test_the_same_offset_on_every_pixel_changes_no_peer_finding(faults: dict[str, float], offset_k: float):
    plain, moved = (look_at(usual_powers() | faults, offset_k=k).judge() for k in (0.0, offset_k))
    # Whom it accuses. That a good part is warmed by a neighbour is mentioned from some kelvin received on, and how
    # much is received is fitted to the board's level as well: at that edge a mention may come or go.
    assert {t for t in _told(plain, "peer") if "act" in t} == {t for t in _told(moved, "peer") if "act" in t}


@FEW
@given(faults=FAULTS, order=st.permutations(range(14)))
def test_the_order_of_parts_is_of_no_account(faults: dict[str, float], order: list[int]):
    scene = look_at(usual_powers() | faults)
    shuffled = replace(
        scene,
        board=replace(scene.board, parts=tuple(scene.board.parts[i] for i in order)),
        measurements=tuple(scene.measurements[i] for i in order),
    )
    judgement = shuffled.judge()
    assert _told(scene.judge()) == _told(judgement)
    assert [p.measurement.part.ref for p in judgement.parts] == [scene.board.parts[i].ref for i in order]


@FEW
@given(faults=st.sampled_from([{}, {"U6": 0.5}, {"U3": 0.0}, {"U20": 1.2}]), load=st.floats(0.8, 1.2))
def test_another_load_moves_the_boards_scale_and_not_the_findings(faults: dict[str, float], load: float):
    baseline = _baseline()
    usual = look_at(usual_powers() | faults, name="now").judge(baseline=baseline)
    loaded_w = {ref: load * watts for ref, watts in (usual_powers() | faults).items()}
    loaded = look_at(loaded_w, name="now").judge(baseline=baseline)
    # Whom it accuses; that a neighbour is warmed is mentioned from some kelvin on, which more load reaches.
    told = {"baseline", "peer"}
    assert {t for t in _told(usual) if t[1] in told and "act" in t} == {
        t for t in _told(loaded) if t[1] in told and "act" in t
    }


def test_the_judge_gives_no_part_two_findings_by_one_rule():
    judgement = look_at(usual_powers() | {"U6": 0.5, "VR1": 2.5}, spot=(68.0, 56.0, 0.5)).judge()
    pairs = [(finding.ref, finding.rule) for finding in judgement.findings if finding.ref]
    assert len(pairs) == len(set(pairs))


@cache
def _baseline() -> Baseline:
    return learn_baseline([_good(i) for i in range(3)])


def _good(number: int) -> Scene:
    return look_at(usual_powers(1.0 + 0.03 * number), seed=10 + number, name=f"good-{number}")


def _only(judgement: Judgement, level: str) -> Finding:
    (finding,) = [finding for finding in judgement.findings if finding.level == level]
    return finding


def _verdicts(judgement: Judgement) -> dict[str, str]:
    return {part.measurement.part.ref: part.verdict for part in judgement.parts}


def _told(judgement: Judgement, rule: str | None = None) -> set[tuple[str | None, str, str, str]]:
    return {
        (finding.ref, finding.rule, finding.level, finding.direction)
        for finding in judgement.findings
        if rule in (None, finding.rule)
    }


def test_a_metal_regulator_that_cannot_be_measured_is_still_named_as_the_source():
    scene = look_at(usual_powers() | {"VR1": 2.5}, unseen={"VR1": reasons.METAL})
    judgement = scene.judge()
    about = [finding for finding in judgement.findings if finding.ref == "U14"]
    assert [(finding.level, finding.source_ref) for finding in about] == [("watch", "VR1")]


def test_a_board_that_is_not_powered_is_remarked():
    judgement = look_at({}).judge()
    assert any("is the board powered" in remark for remark in judgement.remarks)


def test_an_ambient_stated_far_off_is_remarked():
    # On a wide board, far from all heat, the board itself shows the ambient.
    wide = replace(small_board(), outline_mm=np.array([[0, 0], [260, 0], [260, 160], [0, 160]]))
    for offset_k, said in ((1.0, False), (9.0, True)):
        remarks = look_at(usual_powers(), board=wide, offset_k=offset_k).judge().remarks
        assert any("check ambient_c" in remark for remark in remarks) == said
