"""Body centres given by a person: outliers refused and named, sets that fix nothing refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from samples.simulator.pose import place_camera
from tests.registration.simple_views import View
from thermscan.coordinates import map_points
from thermscan.errors import InputError
from thermscan.layout.board import Board, Part, Surface
from thermscan.registration.placing.landmarks import at_their_feet, fit_landmarks
from thermscan.registration.placing.register import register_board
from thermscan.runs.run import Landmark

SHAPE = (240, 320)


def _marks(view: View, count: int, *, slip_px: float = 0.0) -> list[Landmark]:
    """The parts farthest from the middle, pointed at to a pixel; the first slips."""
    middle = view.board.corners_mm.mean(axis=0)
    away = [-np.hypot(part.x_mm - middle[0], part.y_mm - middle[1]) for part in view.board.parts]
    chosen = [view.board.parts[k] for k in np.argsort(away)[:count]]
    px = map_points(view.px_from_mm, np.array([[part.x_mm, part.y_mm] for part in chosen]))
    px += np.random.default_rng(3).normal(0, 0.7, px.shape)
    px[0] += slip_px
    return [Landmark(part.ref, (float(x), float(y))) for part, (x, y) in zip(chosen, px, strict=True)]


def test_landmarks_are_improved_on_the_frame(view: View) -> None:
    found = register_board(view.image, view.board, landmarks=_marks(view, 5))
    assert found.method == "landmarks"
    assert view.error_px(found.px_from_mm).max() < 0.15


@pytest.mark.parametrize("count", [6, 8])
def test_a_wrong_landmark_is_refused_and_named(view: View, count: int) -> None:
    marks = _marks(view, count, slip_px=25.0)
    fit = fit_landmarks(marks, view.board, shape=SHAPE)
    assert [ref for ref, _ in fit.refused] == [marks[0].ref]
    found = register_board(view.image, view.board, landmarks=marks)
    assert any(f"landmark {marks[0].ref} was refused" in remark for remark in found.remarks)
    assert view.error_px(found.px_from_mm).max() < 0.15


def test_an_unknown_ref_names_the_nearest(view: View) -> None:
    marks = [*_marks(view, 5), Landmark("U1x", (10.0, 10.0))]
    with pytest.raises(InputError, match="U1x: no part of that ref; did you mean U1"):
        fit_landmarks(marks, view.board, shape=SHAPE)


def test_too_few_and_repeated_and_outside_are_told_together(view: View) -> None:
    mark = _marks(view, 1)[0]
    with pytest.raises(InputError) as caught:
        fit_landmarks([mark, mark, Landmark(view.board.parts[1].ref, (-50.0, 3.0))], view.board, shape=SHAPE)
    told = "\n".join(caught.value.lines())
    assert "given twice" in told
    assert "is not in the frame" in told
    assert "3 given, 4 or more needed" in told


def test_landmarks_on_a_line_are_refused(view: View) -> None:
    marks = _marks(view, 5)
    line = [Landmark(mark.ref, (20.0 + 30 * k, 40.0 + 10 * k)) for k, mark in enumerate(marks)]
    with pytest.raises(InputError, match="landmarks"):
        fit_landmarks(line, view.board, shape=SHAPE)


def test_landmarks_that_show_the_board_mirrored_are_refused(view: View) -> None:
    marks = [Landmark(mark.ref, (319 - mark.px[0], mark.px[1])) for mark in _marks(view, 6)]
    with pytest.raises(InputError, match="mirrored"):
        fit_landmarks(marks, view.board, shape=SHAPE)


def test_landmarks_on_the_tops_of_parts_are_moved_down_to_their_feet() -> None:
    plastic = Surface("plastic", 0.95, 0.02)
    places = [(10.0, 10.0), (90.0, 10.0), (90.0, 60.0), (10.0, 60.0), (50.0, 35.0)]
    heights = [12.0, 2.0, 2.5, 12.0, 8.0]
    parts = tuple(
        Part(f"U{k}", 8.0, 6.0, x, y, 0.0, plastic, height_mm=height if k else None, usual_height_mm=height)
        for k, ((x, y), height) in enumerate(zip(places, heights, strict=True))
    )
    outline = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 70.0], [0.0, 70.0]])
    board = Board("b", None, outline, 1.6, Surface("solder-mask", 0.91, 0.02), parts)
    pose = place_camera(board, (240, 320), tilt_deg=40.0, azimuth_deg=30.0, fov_deg=40.0)
    tops = np.array([pose.px(np.array([place]), height_mm=h)[0] for place, h in zip(places, heights, strict=True)])
    marks = [Landmark(part.ref, (float(x), float(y))) for part, (x, y) in zip(parts, tops, strict=True)]
    shape, feet = (240, 320), pose.px(np.array(places))
    given = fit_landmarks(marks, board, shape=shape)
    lower = at_their_feet(marks, board, given, shape=shape, fov_deg=40.0)
    # The slant is told from the tops, which are not in one plane: most of their parallax is undone, not all.
    away = np.linalg.norm(np.array([mark.px for mark in lower]) - feet, axis=1)
    assert away.max() < 0.35 * np.linalg.norm(tops - feet, axis=1).max()


def test_four_landmarks_on_a_line_are_named_by_their_key(view: View) -> None:
    part = view.board.parts[0]
    line = tuple(replace(part, ref=f"L{k}", x_mm=part.x_mm + 2.0 * k) for k in range(4))
    board = replace(view.board, parts=line)
    marks = [Landmark(f"L{k}", (50.0 + 5 * k, 60.0)) for k in range(4)]
    with pytest.raises(InputError, match="landmarks: the landmarks lie too nearly on a line"):
        fit_landmarks(marks, board, shape=(240, 320))
