"""A reflection moves over the board from view to view; heat does not."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.views.board_samples import BoardSamples
from thermscan.views.glints import find_glints, offsets_k

SHAPE = (60, 80)
BODY = np.full(SHAPE, -1)
BODY[20:40, 30:60] = 0


def _samples(*bright: tuple[slice, slice] | None, noise_k: float = 0.1, seed: int = 3) -> BoardSamples:
    """Views of a board with one warm body; in each a spot of 3 K, where one is given."""
    rng = np.random.default_rng(seed)
    board_c = 30 + np.where(BODY == 0, 12.0, 0.0) + np.linspace(0, 4, SHAPE[1])
    views = []
    for offset, spot in zip((0.0, 0.8, -0.5, 0.3), bright, strict=False):
        view_c = board_c + offset + rng.normal(0, noise_k, SHAPE)
        if spot is not None:
            view_c[spot] += 3.0
        views.append(view_c)
    cols, rows = np.meshgrid(np.arange(SHAPE[1]), np.arange(SHAPE[0]))
    places = np.broadcast_to(np.stack([cols, rows], axis=-1).astype(float), (len(views), *SHAPE, 2))
    return BoardSamples(np.stack(views), places, BODY, 0.5, np.ones(SHAPE, dtype=bool))


SPOT = np.s_[25:33, 40:50]


def test_a_spot_that_one_of_three_views_shows_is_found_there_and_its_pixels_are_left_out() -> None:
    samples = _samples(None, SPOT, None)
    (glint,) = (told := find_glints(samples, ("U1",))).found
    assert (glint.view, glint.ref) == (1, "U1")
    assert glint.excess_k == pytest.approx(3.0, abs=0.5)
    # Eight rows by ten columns of half a millimetre; noise and the reach of two cells take off some of its rim.
    assert glint.area_mm2 == pytest.approx(20.0, rel=0.3)
    assert told.pixels(samples, 1, SHAPE)[26:32, 41:49].all()
    assert not told.pixels(samples, 0, SHAPE).any()


def test_heat_that_all_views_show_is_no_reflection() -> None:
    assert find_glints(_samples(SPOT, SPOT, SPOT), ("U1",)).found == ()


def test_a_view_in_which_something_covers_the_place_turns_no_other_view_into_a_reflection() -> None:
    samples = _samples(None, None, None)
    covered = samples.apparent_c.copy()
    covered[1][SPOT] -= 6.0
    told = find_glints(BoardSamples(covered, samples.places_px, BODY, 0.5, samples.on_board), ("U1",))
    assert told.found == ()


def test_of_two_views_neither_is_believed() -> None:
    told = find_glints(_samples(None, SPOT), ("U1",))
    assert [glint.view for glint in told.found] == [None]
    assert told.cells[0][SPOT].any()
    assert told.cells[1][SPOT].any()


def test_a_soft_spot_is_left_out_with_its_rim() -> None:
    """A matt surface mirrors no outlines: what a Gaussian spot of 5 K leaves unmarked is below what is said of it."""
    samples = _samples(None, None, None, noise_k=0.03)
    rows, cols = np.indices(SHAPE)
    soft_k = 5.0 * np.exp(-((rows - 30) ** 2 + (cols - 45) ** 2) / (2 * 6.0**2))
    values = samples.apparent_c.copy()
    values[0] += soft_k
    told = find_glints(BoardSamples(values, samples.places_px, BODY, 0.5, samples.on_board), ("U1",))
    inside = ~told.cells[0] & (np.abs(rows - 30) < 7) & (np.abs(cols - 45) < 12)
    # The rim ends at 0.2 K against the brightest that the others show within two cells, where the board rises by 0.05 K
    # a cell: 0.3 K and noise; it began at 0.5 K before.
    assert soft_k[inside].max(initial=0.0) < 0.45
    assert told.spoiled(samples, 1).tolist() == [[True], [False], [False]]


def test_what_only_one_view_shows_beside_its_spot_is_not_held_to_be_the_boards() -> None:
    samples = _samples(None, np.s_[2:10, 5:20], None)
    values = samples.apparent_c.copy()
    values[0][:, :10] = values[2][:, :10] = np.nan
    values[0][50:, 70:] = values[2][50:, 70:] = np.nan
    told = find_glints(BoardSamples(values, samples.places_px, BODY, 0.5, samples.on_board), ("U1",))
    assert told.beside[1][5, 5]
    assert not told.beside[1][55, 75]
    assert not told.beside[[0, 2]].any()


def test_a_bodys_warm_side_beside_what_it_hides_or_may_hide_is_no_reflection() -> None:
    samples = _samples(None, np.s_[42:50, 40:43], None)
    assert len(find_glints(samples, ("U1",)).found) == 1
    hidden = np.zeros(samples.apparent_c.shape, dtype=bool)
    hidden[1, 42:50, 43:60] = True
    values = np.where(hidden, np.nan, samples.apparent_c)
    # Its rim is three cells wide, of which two lie as near to the hidden place as a place may lie off.
    beside = BoardSamples(values, samples.places_px, BODY, 0.5, samples.on_board)
    assert sum(glint.area_mm2 for glint in find_glints(beside, ("U1",)).found) < 3.0
    hidden[1, 42:50, 40:43] = True
    assert find_glints(samples, ("U1",), may_hide=hidden).found == ()


def test_clean_views_have_none() -> None:
    """60 independent boards of three views: none may be marked by chance (95 % bound 5 %)."""
    assert not any(find_glints(_samples(None, None, None, seed=seed), ("U1",)).found for seed in range(60))


def test_a_view_displaced_by_two_cells_is_not_taken_for_a_reflection() -> None:
    samples = _samples(None, None, None)
    moved = samples.apparent_c.copy()
    moved[2] = np.roll(moved[2], 2, axis=1)
    shifted = BoardSamples(moved, samples.places_px, BODY, 0.5, samples.on_board)
    assert [glint for glint in find_glints(shifted, ("U1",)).found if 3 < glint.x_mm < 37] == []


def test_each_views_offset_is_taken_from_the_places_that_several_show() -> None:
    offsets = offsets_k(_samples(None, None, None))
    assert offsets - offsets.mean() == pytest.approx(np.array([0.0, 0.8, -0.5]) - 0.1, abs=0.02)
