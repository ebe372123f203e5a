"""Body centres given by a person: outliers refused and named, sets that fix nothing refused."""

from __future__ import annotations

import numpy as np
import pytest

from tests.registration.simple_views import View
from thermscan.coordinates import map_points
from thermscan.errors import InputError
from thermscan.registration.landmarks import fit_landmarks
from thermscan.registration.register import register_board
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
