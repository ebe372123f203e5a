"""The comparison with known-good runs: board-wide first, then part by part."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.judge.scenes import Scene, look_at, small_board, usual_powers
from thermscan.errors import InputError
from thermscan.judge.baseline import Baseline
from thermscan.judge.board_wide import fit_board_wide
from thermscan.judge.expected import expect_from
from thermscan.judge.finding import Finding, Judgement
from thermscan.judge.learning import extend_baseline, forget_run, learn_baseline


def test_a_single_part_without_peers_is_found_by_the_baseline():
    judgement = look_at(usual_powers() | {"U20": 0.9}, name="now").judge(baseline=_baseline())
    (finding,) = _acts(judgement)
    assert (finding.ref, finding.rule, finding.direction) == ("U20", "baseline", "hot")
    assert "3 known-good runs" in finding.text
    assert "baseline" in next(p for p in judgement.parts if p.measurement.part.ref == "U20").compared_by


def test_neighbours_of_a_part_that_changed_are_not_accused():
    # At 160 K above the board about it, in a world whose loss does not grow with the rise, nor is anybody.
    hotter = look_at(usual_powers() | {"VR1": 2.0}, name="now").judge(baseline=_baseline())
    judgement = look_at(usual_powers() | {"VR1": 1.4}, name="now").judge(baseline=_baseline())
    assert {finding.ref for each in (judgement, hotter) for finding in _acts(each)} == {"VR1"}
    # U14, beside it, has grown warmer by more than 3 K: that is mentioned with its cause.
    warmed = [f for f in judgement.findings if f.ref == "U14" and f.rule == "baseline"]
    assert [f.level for f in warmed] == ["watch"]
    assert "VR1 gives" in warmed[0].text


@pytest.mark.parametrize("runs", [1, 2, 3])
def test_a_good_look_is_clear_however_many_runs_there_are(runs: int):
    judgement = look_at(usual_powers(), name="now", seed=77).judge(baseline=_baseline(runs))
    assert judgement.findings == ()


def test_another_ambient_load_and_camera_offset_are_the_boards_and_no_parts():
    scene = look_at(usual_powers(1.05), name="now", ambient_c=29.0, offset_k=2.0)
    judgement = scene.judge(baseline=_baseline())
    assert judgement.overall == "clear"
    assert any("1.0" in remark and "+2" in remark for remark in judgement.remarks)


def test_a_much_larger_load_is_a_finding_about_the_board():
    judgement = look_at(usual_powers(1.7), name="now").judge(baseline=_baseline())
    # The regulator is above its limit as well: that is absolute, and remains.
    (finding,) = [finding for finding in judgement.findings if finding.rule != "limit"]
    assert (finding.ref, finding.rule, finding.level, finding.direction) == (None, "board", "watch", "hot")


@pytest.mark.parametrize("load", [0.85 * 1.03, 1.15 * 1.03])
def test_fifteen_percent_more_or_less_of_everything_is_one_finding_about_the_board(load: float):
    # The good runs were at 1.00, 1.03 and 1.06 of the usual load.
    judgement = look_at(usual_powers(load), name="now", supply=True).judge(baseline=_baseline())
    (finding,) = judgement.findings
    assert (finding.ref, finding.rule, finding.level) == (None, "board", "watch")
    assert finding.direction == ("hot" if load > 1 else "cold")


def test_good_runs_that_differ_in_load_themselves_make_the_same_difference_no_news():
    runs = [look_at(usual_powers(load), seed=i, name=f"g{i}") for i, load in enumerate((0.85, 1.0, 1.15))]
    assert look_at(usual_powers(1.15), name="now").judge(baseline=learn_baseline(runs)).overall == "clear"


def test_a_look_before_the_board_is_warm_is_said_and_accuses_nobody_by_the_baseline():
    baseline = learn_baseline([_good(i, minutes_on=30.0) for i in range(3)])
    scene = look_at(usual_powers() | {"U20": 0.9}, name="now", minutes_on=4.0)
    judgement = scene.judge(baseline=baseline)
    assert any("4 minutes after power-on" in remark for remark in judgement.remarks)
    by_baseline = [f for f in judgement.findings if f.rule == "baseline"]
    assert "U20" in {f.ref for f in by_baseline}
    assert {f.level for f in by_baseline} == {"watch"}


def test_warm_spots_that_good_boards_have_too_are_not_news():
    spot = (68.0, 56.0, 0.5)
    baseline = learn_baseline([look_at(usual_powers(), spot=spot, seed=i, name=f"g{i}") for i in range(3)])
    judgement = look_at(usual_powers(), spot=spot, seed=9, name="now").judge(baseline=baseline)
    assert judgement.unmapped == ()
    assert any("known-good runs too" in remark for remark in judgement.remarks)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"name": "other"}, 'it is of the board "small", not "other"'),
        ({"revision": "B"}, "it is of revision A, the layout is of revision B"),
        ({"parts": small_board().parts[:-1]}, "have changed since it was learned"),
    ],
)
def test_a_baseline_of_another_board_is_refused(change: dict[str, object], told: str):
    scene = look_at(usual_powers(), name="now")
    with pytest.raises(InputError, match=told):
        replace(scene, board=replace(scene.board, **change)).judge(baseline=_baseline())


def test_board_wide_shift_and_scale_are_blind_to_a_third_of_wrong_parts():
    rng = np.random.default_rng(2)
    usual = rng.uniform(3, 25, 30)
    now = -1.5 + 1.3 * usual + rng.normal(0, 0.2, 30)
    now[:9] += rng.uniform(5, 30, 9)
    fit = fit_board_wide(now, usual, np.full(30, 0.3))
    assert fit.scale == pytest.approx(1.3, abs=3 * fit.u_scale)
    assert fit.shift_k == pytest.approx(-1.5, abs=3 * fit.u_shift_k)


def test_few_parts_in_common_fit_a_shift_and_leave_the_scale():
    fit = fit_board_wide(np.array([12.0, 9.0, 7.0]), np.array([10.0, 7.0, 5.0]), np.full(3, 0.3))
    assert fit.shift_k == pytest.approx(2.0, abs=0.2)
    assert fit.scale == pytest.approx(1.0, abs=0.05)


def test_more_runs_bring_the_spread_from_what_is_expected_to_what_is_seen():
    wide = [expect_from(_baseline(runs)).sd_k.mean() for runs in (1, 3)]
    # This scene's looks scatter by 0.02 K alone, far less than looks in general.
    assert wide[1] < 0.8 * wide[0]


def test_mixing_layouts_in_one_baseline_is_refused():
    board = replace(small_board(), parts=small_board().parts[:-1])
    with pytest.raises(InputError, match="layout differs"):
        learn_baseline([_good(0), look_at(usual_powers(), board=board, name="odd")])


def test_the_same_frames_twice_are_refused():
    with pytest.raises(InputError, match="in the baseline already"):
        extend_baseline(_baseline(), [_good(1)])


def test_a_run_can_be_forgotten_but_not_the_last():
    two = forget_run(_baseline(), 2)
    assert [run.frame_sha256 for run in two.runs] == [("good-0",), ("good-2",)]
    with pytest.raises(InputError, match="cannot be forgotten"):
        forget_run(forget_run(two, 1), 1)
    with pytest.raises(InputError, match="no run 4"):
        forget_run(_baseline(), 4)


def test_one_run_only_is_said():
    assert any("one run only" in remark for remark in _baseline(1).remarks)


def test_nothing_to_learn_from_is_refused():
    with pytest.raises(InputError, match="no run to learn from"):
        learn_baseline([])


def _good(number: int, **run: object) -> Scene:
    return look_at(usual_powers(1.0 + 0.03 * number), seed=10 + number, name=f"good-{number}", **run)


@cache
def _baseline(runs: int = 3) -> Baseline:
    return learn_baseline([_good(number) for number in range(runs)])


def _acts(judgement: Judgement) -> list[Finding]:
    return [finding for finding in judgement.findings if finding.level == "act"]


def test_a_part_that_always_runs_hotter_than_its_peers_is_its_nature():
    nature = {"U6": 0.35}
    alone = look_at(usual_powers() | nature, name="now").judge()
    assert [(f.ref, f.rule) for f in _acts(alone)] == [("U6", "peer")]
    good = [look_at(usual_powers() | nature, seed=i, name=f"g{i}") for i in range(3)]
    known = look_at(usual_powers() | nature, name="now").judge(baseline=learn_baseline(good))
    assert known.findings == ()


def test_and_a_fault_in_such_a_part_is_still_found():
    good = [look_at(usual_powers() | {"U6": 0.35}, seed=i, name=f"g{i}") for i in range(3)]
    worse = look_at(usual_powers() | {"U6": 0.7}, name="now").judge(baseline=learn_baseline(good))
    assert {f.ref for f in _acts(worse)} == {"U6"}


# 130 and 240 K; more makes kelvins at which no part lives and no air stays laminar.
@pytest.mark.parametrize("watts", [1.6, 3.0])
def test_a_culprit_that_warms_the_whole_board_is_not_another_load(watts: float):
    judgement = look_at(usual_powers() | {"VR1": watts}, name="now").judge(baseline=_baseline())
    assert {finding.ref for finding in _acts(judgement)} == {"VR1"}
    # Nobody else was found to give more or less heat than usual, and the board's level is as it was.
    assert not [f for f in judgement.findings if f.direction == "cold"]
    scale = next(float(r.split(" are ")[1].split(" times")[0]) for r in judgement.remarks if "all rises are" in r)
    assert scale == pytest.approx(1.0, abs=0.1)


def test_a_level_that_few_parts_fix_badly_makes_every_comparison_uncertain():
    few = fit_board_wide(np.array([3.0, 4.0, 9.0, 11.0, 12.0, 30.0]), np.linspace(5.0, 10.0, 6), np.full(6, 1.0))
    many = fit_board_wide(np.linspace(5.0, 10.0, 60), np.linspace(5.0, 10.0, 60), np.full(60, 1.0))
    at = np.array([3.0, 7.0, 12.0])
    assert np.all(few.u_level_k(at) > 2 * many.u_level_k(at))
    # In the middle of the parts the level is known best.
    assert few.u_level_k(at)[1] < few.u_level_k(at)[[0, 2]].min()


def test_parts_that_warm_each_other_tell_no_other_load_by_what_single_ones_draw():
    # Sixty parts in a row, a few of them strong, each warming all about it: watts differ by 9 %, all of it by the load.
    rng, at = np.random.default_rng(8), np.arange(60.0)
    per_w = 3.0 * np.exp(-np.abs(at[:, None] - at) / 8.0) + 10.0 * np.eye(60)
    watts = np.where(at % 12 == 5, 1.0, 0.05)
    mean_k, noise_k = per_w @ watts, 0.1
    covariance_k2 = (per_w * (0.09 * watts) ** 2) @ per_w.T + noise_k**2 * np.eye(60)
    alone, together = [], []
    for _ in range(60):
        load = rng.uniform(0.8, 1.2)
        rise_k = load * per_w @ (watts * (1 + 0.09 * rng.normal(size=60))) + rng.normal(0.5, noise_k, 60)
        for found, named in ((alone, {}), (together, {"covariance_k2": covariance_k2})):
            fit = fit_board_wide(rise_k, mean_k, np.sqrt(np.diag(covariance_k2)), **named)
            found.append(((fit.scale - load) / fit.u_scale, fit.scale - load))
    (score, off), (score_alone, off_alone) = (np.sqrt(np.mean(np.square(each), axis=0)) for each in (together, alone))
    assert off < 0.7 * off_alone
    assert 0.7 < score < 1.4 < score_alone
