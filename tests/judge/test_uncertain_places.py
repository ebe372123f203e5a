"""What may be hidden, may lean or cannot be placed is watched at most, and said so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.judge.scenes import Scene, look_at, small_board, usual_powers
from thermscan.judge.finding import Finding, Judgement
from thermscan.judge.holds import HoldCode
from thermscan.judge.learning import learn_baseline
from thermscan.judge.limits import check_limits
from thermscan.judge.uncertain_places import leaning_over
from thermscan.judge.weighing import FAULTS_A_BOARD
from thermscan.regions.hiding import Silhouette
from thermscan.regions.leaning import Leaning, MayHide
from thermscan.regions.measurement import PartMeasurement
from thermscan.regions.reasons import HIDDEN, PLACE_UNCERTAIN, TOO_FEW_PIXELS, Reason
from thermscan.registration.registration import PartHeight, Registration

PARTS = small_board().parts
PLAIN = Registration("corners", np.eye(3), np.zeros((4, 2)), np.eye(8), 0.1, 0.1, 30.0)


def _suspicion(judgement: Judgement, ref: str) -> float:
    return next(each.suspicion for each in judgement.parts if each.measurement.part.ref == ref) or 0.0


def _leaning(*, over: str = "VR1", **hidden: float) -> Leaning:
    shape = np.array([[60, 50], [90, 50], [90, 62], [60, 62]], dtype=np.float32)
    by = {ref: (MayHide(over, share),) for ref, share in hidden.items()}
    return Leaning((Silhouette(over, 20.0, shape),), by, PLAIN)


def _over(ref: str, other: str, share: float) -> Leaning:
    """Where one part's top is looked for, another one's lies."""
    return replace(_leaning(), read_over={ref: (MayHide(other, share),)})


def test_a_part_that_a_hotter_taller_one_may_hide_is_watched_and_says_so():
    scene = look_at(usual_powers() | {"U14": 0.3, "VR1": 1.2})
    assert _about(scene.judge(), "U14").level == "act"
    held = _about(scene.judge(leaning=_leaning(U14=0.6)), "U14")
    assert held.level == "watch"
    assert "VR1, whose height is not known for sure, may hide it" in held.text


def test_what_hides_only_a_little_or_is_no_hotter_holds_nothing_back():
    scene = look_at(usual_powers() | {"U14": 0.3, "VR1": 1.2})
    assert _about(scene.judge(leaning=_leaning(U14=0.02)), "U14").level == "act"
    assert _about(scene.judge(leaning=_leaning(over="U12", U14=0.6)), "U14").level == "act"


def test_a_part_that_a_cool_taller_one_may_hide_is_not_called_dead():
    scene = look_at(usual_powers() | {"U14": 0.0})
    assert _about(scene.judge(leaning=_leaning(U14=0.0)), "U14").level == "act"
    # One glint on a sink does not make the sink warm.
    cool = replace(_measured(scene, "VR1"), mean_c=scene.run.ambient_c + 1.0, max_c=scene.run.ambient_c + 30.0)
    hidden = replace(scene, measurements=tuple(cool if m.part.ref == "VR1" else m for m in scene.measurements))
    held = _about(hidden.judge(leaning=_leaning(U14=0.9)), "U14")
    assert (held.level, held.direction) == ("watch", "cold")
    assert "VR1, whose height is not known for sure, may hide it" in held.text


def test_a_part_that_may_be_the_bench_is_not_called_dead():
    scene = look_at(usual_powers() | {"U14": 0.0})
    levels = []
    for share in (0.1, 0.9):
        found = _about(scene.judge(leaning=replace(_leaning(), beyond={"U14": share})), "U14")
        levels.append(found.level)
    assert levels == ["act", "watch"]
    assert "if it stands lower the bench beside the board is read" in found.text
    # The bench is cool: it makes no part hot.
    hot = look_at(usual_powers() | {"U14": 0.4})
    assert _about(hot.judge(leaning=replace(_leaning(), beyond={"U14": 0.9})), "U14").level == "act"


def _measured(scene: Scene, ref: str) -> PartMeasurement:
    return next(m for m in scene.measurements if m.part.ref == ref)


@pytest.mark.parametrize("why", [HIDDEN, TOO_FEW_PIXELS])
def test_what_is_read_where_a_part_lies_that_was_not_read_may_be_that_part(why: Reason):
    scene = look_at(usual_powers() | {"U14": 0.3}, unseen={"U13": why})
    held = _about(scene.judge(leaning=_over("U14", "U13", 0.8)), "U14")
    assert held.level == "watch"
    assert "where its top is looked for U13 may be seen: it may be either of them" in held.text
    # A height that the view shows (beside one of its own type), or a part that lies elsewhere, leaves no doubt.
    seen = replace(PLAIN, heights={"U14": PartHeight(8.0, 0.5, seen=True)})
    assert _about(scene.judge(leaning=replace(_over("U14", "U13", 0.8), registration=seen)), "U14").level == "act"
    assert _about(scene.judge(leaning=_over("U14", "U13", 0.3)), "U14").level == "act"
    assert _about(look_at(usual_powers() | {"U14": 0.3}).judge(leaning=_over("U14", "U13", 0.8)), "U14").level == "act"


def test_a_height_that_is_seen_is_wrong_now_and_then_and_then_another_parts_top_was_read():
    # U13 is of another type, and may be as warm as this by nature.
    apart = replace(small_board(), parts=tuple(replace(p, group=None) if p.ref == "U13" else p for p in PARTS))
    scene = look_at(usual_powers() | {"U14": 0.3}, board=apart, unseen={"U13": HIDDEN})
    seen = replace(PLAIN, heights={"U14": PartHeight(8.0, 0.5, seen=True)})
    there = _suspicion(scene.judge(leaning=replace(_over("U14", "U13", 0.8), registration=seen)), "U14")
    elsewhere = _suspicion(scene.judge(leaning=replace(_over("U14", "U13", 0.3), registration=seen)), "U14")
    assert elsewhere > 0.99
    # Ten times as likely by a fault at most: one of two faults is hot, one height of twenty is wrong.
    before = FAULTS_A_BOARD / 13
    assert there == pytest.approx(10 * before / (10 * before + 1 - before), abs=0.05)


def test_a_limit_that_another_body_may_exceed_is_watched():
    parts = small_board().parts
    low, hot = (replace(parts[i], max_c=60.0 if i == 0 else None) for i in (0, 1))
    measured = [PartMeasurement(low, 60, 70.0, 72.0, 48.0, 1.0), PartMeasurement(hot, 60, 95.0, 99.0, 73.0, 1.0)]
    assert [f.level for f in check_limits(measured)] == ["act"]
    (finding,) = check_limits(measured, _leaning(over="U2", U1=0.5))
    assert finding.level == "watch"
    assert "U2, whose height is not known for sure" in finding.text


def test_bare_board_where_a_warm_top_may_lean_is_watched():
    scene = look_at(usual_powers() | {"VR1": 1.6}, spot=(68.0, 56.0, 0.5))
    assert [f.level for f in scene.judge().findings if f.rule == "unmapped"] == ["act"]
    (held,) = [f for f in scene.judge(leaning=_leaning()).findings if f.rule == "unmapped"]
    assert held.level == "watch"
    assert "the top of VR1" in held.text


def test_a_top_that_is_cooler_than_the_spot_cannot_be_what_is_seen_there():
    measured = look_at(usual_powers()).measurements
    vr1 = next(m for m in measured if m.part.ref == "VR1")
    at = {"at_mm": (70.0, 55.0), "peak_c": vr1.max_c + 15.0}
    assert leaning_over(_leaning(), measured, **at) is None
    assert leaning_over(_leaning(), measured, **at | {"peak_c": vr1.max_c - 1.0}) == "VR1"
    assert leaning_over(_leaning(), measured, **at | {"at_mm": (5.0, 5.0)}) is None


def _unplaced(excess_k: float, ref: str = "U6") -> tuple[PartMeasurement, ...]:
    measured = look_at(usual_powers(), name="now").measurements
    nothing = {"mean_c": None, "max_c": None, "rise_k": None, "u_c": None, "reason": PLACE_UNCERTAIN}
    return tuple(
        replace(m, **nothing, apparent_mean_c=m.mean_c + excess_k) if m.part.ref == ref else m for m in measured
    )


@pytest.mark.parametrize("known", [True, False])
def test_a_part_that_cannot_be_placed_but_shows_far_more_heat_is_named(known: bool):
    baseline = learn_baseline([look_at(usual_powers(), seed=i, name=f"g{i}") for i in range(2)]) if known else None
    scene = replace(look_at(usual_powers(), name="now"), measurements=_unplaced(18.0))
    judgement = scene.judge(baseline=baseline)
    finding = _about(judgement, "U6")
    assert (finding.level, finding.rule) == ("watch", "unplaced")
    assert finding.text.startswith("U6, not measurable: something there is ")
    assert ("18 K hotter than in the good runs" in finding.text) is known
    assert next(p for p in judgement.parts if p.measurement.part.ref == "U6").verdict == "not-measurable"


def test_a_part_that_cannot_be_placed_and_shows_what_is_usual_is_not_named():
    scene = replace(look_at(usual_powers(), name="now"), measurements=_unplaced(3.0))
    assert [f for f in scene.judge().findings if f.ref == "U6"] == []


def test_holds_are_told_apart_by_their_codes():
    scene = look_at(usual_powers() | {"U14": 0.3, "VR1": 1.2})
    evidence = scene.judge(leaning=_leaning(U14=0.6)).evidence
    (held,) = [w.comparison for w in evidence.weighed if w.comparison.ref == "U14"]
    assert held.at_most_watch.code is HoldCode.MAY_BE_HIDDEN


def _about(judgement: Judgement, ref: str) -> Finding:
    return next(finding for finding in judgement.findings if finding.ref == ref)
