"""Frames from several sides of one board, through files, as a user has them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from samples.simulator import (
    BoardField,
    place_camera,
    render_frame,
    sample_board,
    sample_powers,
    solve_board,
    write_layout,
    write_tiff,
)
from thermscan.errors import CannotJudge, Fault
from thermscan.inspection import Inspection, inspect_run
from thermscan.layout.board import Board
from thermscan.registration import AlignedViews, register_views
from thermscan.registration.geometry.heights import HeightPrior, height_prior
from thermscan.registration.geometry.parallax import pose_seen
from thermscan.registration.placing import several_views
from thermscan.report.plate_views import seen_from
from thermscan.report.results import results_document, results_text
from thermscan.runs.reading import read_run
from thermscan.views.seen import Bench, Given, LostView, SeenView, see_views
from thermscan.views.together import put_together

AMBIENT_C = 22.0
SHAPE = (144, 192)


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Board, BoardField]:
    folder = tmp_path_factory.mktemp("views")
    rng = np.random.default_rng(61)
    board = sample_board(rng, parts=14)
    write_layout(folder, board)
    field = solve_board(board, sample_powers(rng, board), ambient_c=AMBIENT_C)
    for name, azimuth_deg, turn_deg in (("left", 180.0, 10.0), ("right", 0.0, -95.0)):
        pose = place_camera(board, SHAPE, tilt_deg=35.0, azimuth_deg=azimuth_deg, turn_deg=turn_deg, fill=0.85)
        write_tiff(
            folder / f"{name}.tiff", [render_frame(field, board, pose, rng=rng, heights=True, netd_k=0.06).apparent_c]
        )
    return folder, board, field


def _inspect(scene: tuple[Path, Board, BoardField], *names: str) -> Inspection:
    folder, _, _ = scene
    frames = [str(folder / f"{name}.tiff") for name in names]
    return inspect_run(
        read_run(None, overrides={"layout": str(folder / "board.toml"), "frames": frames, "ambient_c": AMBIENT_C})
    )


@pytest.fixture(scope="module")
def together(scene: tuple[Path, Board, BoardField]) -> Inspection:
    return _inspect(scene, "left", "right")


def test_each_view_is_placed_by_itself(together: Inspection) -> None:
    document = json.loads(results_text(results_document(together)))
    assert [len(view["frames"]) for view in document["views"]] == [1, 1]
    assert document["registration"] == document["views"][0]["registration"]
    assert document["views"][1]["registration"] != document["views"][0]["registration"]
    seen = [part["views"] for part in document["parts"] if part["measurable"]]
    assert set(seen) <= {1, 2}
    assert sum(count == 2 for count in seen) > len(seen) / 2


def test_a_view_that_cannot_be_placed_is_left_out_and_named(
    together: Inspection, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = [view for view in together.views if isinstance(view, SeenView)]

    def see(view: AlignedViews, *_: object, **__: object) -> SeenView:
        if view.numbers == (1,):
            raise CannotJudge("no outline of a board was found", fix="show all four edges")
        return known[view.numbers[0]]

    monkeypatch.setattr("thermscan.views.seen.see_view", see)
    bench, views = Bench(AMBIENT_C, AMBIENT_C), [view.aligned for view in known]
    found = see_views(views, together.board, camera=together.camera, bench=bench, given=Given())
    assert isinstance(found[0], SeenView)
    assert isinstance(found[1], LostView)
    document = results_document(replace(together, views=found))
    assert document["views"][1]["registration"] is None
    assert "no outline" in document["views"][1]["reason"]


def test_views_are_counted_with_those_that_were_left_out(together: Inspection) -> None:
    """So that the number in a part's 'seen_in' is that of its entry in 'views'."""
    seen = [view for view in together.views if isinstance(view, SeenView)]
    lost = LostView((0,), (Fault("no outline of a board was found"),))
    told = put_together([lost, *seen], together.board, camera=together.camera, bench=Bench(AMBIENT_C, AMBIENT_C))
    assert told.views[0] is lost
    assert {number for m in told.measurements for number in m.seen_in} == {1, 2}
    alone = put_together([lost, seen[0]], together.board, camera=together.camera, bench=Bench(AMBIENT_C, AMBIENT_C))
    assert {m.seen_in for m in alone.measurements if m.measurable} == {(1,)}
    document = results_document(replace(together, views=told.views, measurements=told.measurements))
    assert document["views"][0]["registration"] is None
    assert [each.number for each in seen_from(replace(together, views=told.views))] == [2, 3]


def test_what_both_views_say_is_true(together: Inspection, scene: tuple[Path, Board, BoardField]) -> None:
    _, board, field = scene
    truth = {part.ref: field.truth(part).mean_c for part in board.parts}
    errors = np.array([m.mean_c - truth[m.part.ref] for m in together.measurements if m.mean_c is not None])
    stated = np.array([m.u_c for m in together.measurements if m.u_c is not None])
    assert np.abs(errors / stated).max() < 3


def test_all_views_hold_one_set_of_heights_nearer_to_the_truth_than_one_views(
    together: Inspection, scene: tuple[Path, Board, BoardField]
) -> None:
    _, board, _ = scene
    seen = [view.registration for view in together.views if isinstance(view, SeenView)]
    assert seen[0].heights == seen[1].heights
    # One camera: its field of view is 40 degrees in both, told to a few percent by where the corners lie.
    for one in seen:
        pose = pose_seen(one, shape=SHAPE, corners_mm=board.corners_mm, fov_deg=None)
        assert 2 * np.degrees(np.arctan(SHAPE[1] / 2 / pose.focal_px)) == pytest.approx(40.0, rel=0.06)
    tall = [part for part in board.parts if (part.height_mm or 0.0) > 3.0]
    told = [seen[0].heights[part.ref] for part in tall]
    off = np.array([each.height_mm - (part.height_mm or 0.0) for each, part in zip(told, tall, strict=True)])
    assert np.quantile(np.abs(off), 0.683) < 0.7
    assert np.mean(np.abs(off) <= 2 * np.array([each.u_mm for each in told])) > 0.8


def test_both_views_together_hear_once_what_is_known_of_packages(
    together: Inspection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each place is fitted with a share of the prior of heights; a turn's shares multiply to the whole."""
    heard = []

    def spy(prior: HeightPrior, log_odds: np.ndarray) -> HeightPrior:
        heard.append(prior.log_density)
        return with_evidence(prior, log_odds)

    with_evidence = several_views._with
    monkeypatch.setattr(several_views, "_with", spy)
    seen = [view for view in together.views if isinstance(view, SeenView)]
    register_views([view.image for view in seen], [view.registration for view in seen], together.board)
    assert len(heard) == 2 * several_views.TURNS
    assert sum(heard[:2]) == pytest.approx(height_prior(together.board).log_density)


def test_a_part_hidden_in_one_view_is_measured_in_another(together: Inspection) -> None:
    first = together.views[0]
    assert isinstance(first, SeenView)
    alone = {m.part.ref for m in first.measurements if m.measurable}
    measured = {m.part.ref for m in together.measurements if m.measurable}
    assert alone <= measured


def test_the_order_of_the_views_is_of_no_account(together: Inspection) -> None:
    seen = [view for view in together.views if isinstance(view, SeenView)]
    bench = Bench(AMBIENT_C, AMBIENT_C)
    one, other = (
        put_together(views, together.board, camera=together.camera, bench=bench) for views in (seen, seen[::-1])
    )
    for a, b in zip(one.measurements, other.measurements, strict=True):
        assert a.mean_c == pytest.approx(b.mean_c, abs=1e-9)
        assert a.u_c == pytest.approx(b.u_c, abs=1e-9)
    assert np.nanmax(np.abs(one.rectified.apparent_c - other.rectified.apparent_c)) < 1e-9


def test_what_is_judged_does_not_depend_on_the_order_of_the_frames(
    together: Inspection, scene: tuple[Path, Board, BoardField]
) -> None:
    """Every number of every part, but for the views' own: temperature, uncertainty, watts, height, suspicion."""
    one, other = (results_document(each) for each in (together, _inspect(scene, "right", "left")))
    for a, b in zip(one["parts"], other["parts"], strict=True):
        assert sorted(3 - number for number in a["seen_in"]) == b["seen_in"]
        for key in a.keys() - {"seen_in", "budget"}:
            assert a[key] == (pytest.approx(b[key], abs=1e-9) if isinstance(a[key], float) else b[key]), (a["ref"], key)
    assert one["findings"] == other["findings"]


def test_nothing_is_hidden_in_the_picture_that_both_views_make(together: Inspection) -> None:
    picture = together.rectified
    assert np.isfinite(picture.apparent_c[picture.on_board]).mean() > 0.995
