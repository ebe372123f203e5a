"""Label places: none covers another, none leaves the picture, and what must be labelled is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.report.labels import LabelField, Placed

BOUNDS = (0.0, 0.0, 400.0, 300.0)
WIDTH, HEIGHT = 40.0, 9.0


def bodies_at(centres: np.ndarray, half: float = 6.0) -> list[np.ndarray]:
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    return [square + centre for centre in centres]


def box_of(placed: Placed) -> np.ndarray:
    half = np.array([WIDTH, HEIGHT]) / 2
    centre = np.array([placed.x_pt, placed.y_pt])
    return np.concatenate([centre - half, centre + half])


def overlaps(boxes: list[np.ndarray]) -> int:
    count = 0
    for index, one in enumerate(boxes):
        for other in boxes[:index]:
            count += bool((one[:2] < other[2:]).all() and (one[2:] > other[:2]).all())
    return count


@given(st.integers(0, 10_000), st.integers(1, 40))
@settings(max_examples=10, deadline=None)
def test_labels_with_leaders_never_overlap_and_stay_inside(seed: int, count: int) -> None:
    centres = np.random.default_rng(seed).uniform([10, 10], [390, 290], (count, 2))
    bodies = bodies_at(centres)
    field = LabelField(BOUNDS, bodies, range(count))
    placed = [field.beside(index, body, WIDTH, HEIGHT) for index, body in enumerate(bodies)]
    boxes = [box_of(label) for label in placed if label is not None]
    # Forty labels take up an eighth of the picture: all must find a place.
    assert len(boxes) == count
    assert overlaps(boxes) == 0
    assert all((box[:2] >= 0).all() and (box[2:] <= BOUNDS[2:]).all() for box in boxes)


def test_a_label_stays_off_its_own_part_and_close_to_it() -> None:
    body = bodies_at(np.array([[200.0, 150.0]]))[0]
    placed = LabelField(BOUNDS, [body], [0]).beside(0, body, WIDTH, HEIGHT)
    assert placed is not None
    assert overlaps([box_of(placed), np.array([194.0, 144.0, 206.0, 156.0])]) == 0
    assert np.hypot(placed.x_pt - 200.0, placed.y_pt - 150.0) < 45.0


def test_a_full_picture_gives_no_label_rather_than_a_covered_one() -> None:
    body = bodies_at(np.array([[200.0, 150.0]]))[0]
    field = LabelField(BOUNDS, [body], [0])
    field.take(np.array(BOUNDS))
    assert field.beside(0, body, WIDTH, HEIGHT) is None


@pytest.mark.parametrize(
    ("half", "size", "rotation"), [((30.0, 8.0), 0, 0.0), ((8.0, 30.0), 0, 90.0), ((16.0, 4.0), 1, 0.0)]
)
def test_a_name_inside_turns_or_shrinks_to_fit(half: tuple[float, float], size: int, rotation: float) -> None:
    body = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half + [200.0, 150.0]
    placed = LabelField(BOUNDS, [body], []).inside(0, body, [(40.0, 9.0), (24.0, 6.0)])
    assert placed is not None
    assert (placed.size, placed.rotation_deg) == (size, rotation)


def test_a_name_that_fits_nowhere_is_left_out() -> None:
    body = bodies_at(np.array([[200.0, 150.0]]), half=2.0)[0]
    assert LabelField(BOUNDS, [body], []).inside(0, body, [(40.0, 9.0)]) is None


def test_a_name_beside_its_part_covers_no_other_part() -> None:
    crowd = bodies_at(np.array([[200.0, 150.0], [200.0, 163.0], [200.0, 137.0]]))
    placed = LabelField(BOUNDS, crowd, []).next_to(0, crowd[0], [(WIDTH, HEIGHT)])
    assert placed is not None
    assert abs(placed.x_pt - 200.0) > 20.0
