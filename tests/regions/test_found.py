"""Bodies found with no layout, on rendered frames whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from tests.regions.rendering import frontal, make_board, make_part, render
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.found_board import board_corners_px, board_mask, height_of_board_mm
from thermscan.regions.found_bodies import find_bodies
from thermscan.regions.found_rectangles import Rectangle, fit_rectangle, like_sized_groups

NOISE_K = 0.05
FACTS = {"noise_k": NOISE_K, "accuracy_k": 2.0, "band_um": (8.0, 14.0), "blur_px": 0.6}
# Five chips in a row, 20 x 8 mm, with 3 mm of board between them.
ROW = [make_part(f"U{i + 1}", x_mm=20.0 + 11.0 * i, y_mm=40.0, rotation_deg=90.0) for i in range(5)]
OBLIQUE = np.array([[1.2, 0.15, 12.0], [-0.12, 1.0, 20.0], [-0.0006, 0.0016, 1.0]])


def centres(found):
    return sorted(tuple(round(value, 1) for value in body.centre_px) for body in found.bodies)


@pytest.mark.parametrize("view", [frontal(1.3), OBLIQUE], ids=["frontal", "oblique"])
def test_every_chip_of_a_row_is_found_once_and_the_board_is_not_one(view):
    board = make_board(*ROW)
    image = render(board, view, {part.ref: 40.0 + i for i, part in enumerate(ROW)}, noise_k=NOISE_K)
    found = find_bodies(image, reflected_c=22.0)
    assert len(found.bodies) == 5
    places = np.array([[part.x_mm, part.y_mm, 1.0] for part in ROW]) @ view.T
    true_px = sorted(map(tuple, places[:, :2] / places[:, 2:]))
    # A body's centroid is its centre to within the perspective's foreshortening and the raster.
    assert np.abs(np.array(centres(found)) - true_px).max() < 0.6


def test_the_halo_of_a_hot_body_is_no_body():
    # Heat that spreads on the board falls off smoothly: no edge but the body's own.
    rows, cols = np.indices((120, 160), dtype=float)
    apparent_c = 25.0 + 20.0 * np.exp(-np.hypot(rows - 60, cols - 80) / 15.0)
    apparent_c[52:68, 70:90] = 50.0
    apparent_c = gaussian_filter(apparent_c, 0.6) + np.random.default_rng(3).normal(0, NOISE_K, apparent_c.shape)
    found = find_bodies(ThermalImage(apparent_c, **FACTS), reflected_c=22.0)
    assert centres(found) == [(pytest.approx(79.5, abs=0.3), pytest.approx(59.5, abs=0.3))]


def test_a_warm_hill_without_an_edge_is_no_body():
    rows, cols = np.indices((120, 160), dtype=float)
    apparent_c = 25.0 + 20.0 * np.exp(-(np.hypot(rows - 60, cols - 80) ** 2) / (2 * 25.0**2))
    apparent_c += np.random.default_rng(4).normal(0, NOISE_K, apparent_c.shape)
    assert find_bodies(ThermalImage(apparent_c, **FACTS), reflected_c=22.0).bodies == ()


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10_000), noise_k=st.floats(0.02, 0.3))
def test_noise_alone_shows_no_body(seed, noise_k):
    apparent_c = 24.0 + np.random.default_rng(seed).normal(0.0, noise_k, (60, 80))
    image = ThermalImage(apparent_c, **{**FACTS, "noise_k": noise_k})
    assert find_bodies(image, reflected_c=22.0).bodies == ()


@pytest.mark.parametrize(
    ("spot_c", "numbered", "glints"),
    # The board around rises 13 K over the room. Bare metal of emissivity 0.15 shows 2 K of that; a dead chip
    # that its neighbours keep warm shows more than half.
    [(24.0, 0, 1), (31.0, 1, 0)],
    ids=["bare metal", "a cold part"],
)
def test_a_glint_gets_no_number_and_a_cold_part_does(spot_c, numbered, glints):
    part = make_part()
    image = render(make_board(part), frontal(1.3), {"U1": spot_c}, board_c=35.0, noise_k=NOISE_K)
    found = find_bodies(image, reflected_c=22.0, within=np.ones(image.shape, dtype=bool))
    inner = [body for body in found.bodies if body.step_k < 0]
    assert (len(inner), found.glints) == (numbered, glints)


def test_what_lies_between_hot_chips_is_no_cold_part():
    board = make_board(*ROW)
    image = render(board, frontal(1.3), dict.fromkeys((part.ref for part in ROW), 60.0), noise_k=NOISE_K)
    found = find_bodies(image, reflected_c=22.0)
    assert all(body.step_k > 0 for body in found.bodies)
    assert found.glints == 0


@pytest.mark.parametrize("offset_k", [-15.0, 3.7, 40.0])
def test_the_same_offset_on_every_pixel_finds_the_same_warm_bodies(offset_k):
    apparent_c = np.full((60, 80), 30.0)
    apparent_c[15:25, 10:35], apparent_c[35:45, 10:35], apparent_c[15:45, 50:60] = 38.0, 39.5, 33.0
    apparent_c = gaussian_filter(apparent_c, 0.6) + np.random.default_rng(8).normal(0.0, NOISE_K, (60, 80))
    image, moved = (ThermalImage(apparent_c + offset, **FACTS) for offset in (0.0, offset_k))
    there = centres(find_bodies(image, reflected_c=22.0))
    assert len(there) == 3
    assert centres(find_bodies(moved, reflected_c=22.0)) == there


def test_dead_pixels_hide_no_body_and_an_empty_frame_has_none():
    image = render(make_board(make_part()), frontal(1.3), {"U1": 45.0}, noise_k=NOISE_K)
    holes = image.apparent_c.copy()
    holes[np.random.default_rng(1).random(holes.shape) < 0.01] = np.nan
    assert len(find_bodies(replace(image, apparent_c=holes), reflected_c=22.0).bodies) == 1
    empty = replace(image, apparent_c=np.full(holes.shape, np.nan))
    assert find_bodies(empty, reflected_c=22.0).bodies == ()


def test_things_beside_the_board_get_no_number_where_its_outline_stands_out():
    image = render(make_board(*ROW), frontal(1.0), dict.fromkeys((part.ref for part in ROW), 45.0), noise_k=NOISE_K)
    apparent_c = image.apparent_c.copy()
    apparent_c[100:112, 130:150] = 50.0
    found = find_bodies(replace(image, apparent_c=apparent_c), reflected_c=22.0)
    assert found.board is not None
    assert not found.board[105, 140]
    assert len(found.bodies) == 5


@pytest.mark.parametrize("view", [frontal(1.0), OBLIQUE], ids=["frontal", "oblique"])
def test_the_corners_of_the_board_are_found(view):
    board = make_board(*ROW)
    image = render(board, view, dict.fromkeys((part.ref for part in ROW), 45.0), board_c=33.0, noise_k=NOISE_K)
    found = find_bodies(image, reflected_c=22.0)
    corners = board_corners_px(found.board)
    places = np.column_stack([board.corners_mm, np.ones(4)]) @ view.T
    # Lines through a hundred edge pixels place a corner to a few tenths of a pixel; the blur rounds it.
    assert np.abs(corners - places[:, :2] / places[:, 2:]).max() < 0.8


def test_no_corners_of_what_has_no_four_sides():
    rows, cols = np.indices((80, 80))
    assert board_corners_px(np.zeros((80, 80), dtype=bool)) is None
    ring = np.hypot(rows - 40, cols - 40)
    assert board_corners_px((ring < 30) & (ring > 20)) is None


def test_pixels_within_corners_are_those_of_the_mask():
    mask = np.zeros((50, 60), dtype=bool)
    mask[10:40, 5:55] = True
    assert (board_mask(board_corners_px(mask), mask.shape) == mask).all()


def rotated(angle_deg, *, length, width, step=1.0):
    x, y = np.meshgrid(np.arange(0, 80, step), np.arange(0, 80, step))
    points = np.column_stack([x.ravel(), y.ravel()])
    turn = np.radians(angle_deg)
    along = (points - 40.2) @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return points[(np.abs(along) <= [length / 2, width / 2]).all(axis=1)]


@settings(max_examples=40, deadline=None)
@given(angle=st.floats(0.0, 179.0), length=st.floats(18.0, 50.0), share=st.floats(0.25, 0.6))
def test_a_rectangle_is_fitted_to_its_pixels(angle, length, share):
    fitted = fit_rectangle(rotated(angle, length=length, width=share * length))
    # The raster leaves half a pixel of each side open, and for the angle that over the length.
    assert (fitted.x, fitted.y) == (pytest.approx(40.2, abs=1.0), pytest.approx(40.2, abs=1.0))
    assert fitted.length == pytest.approx(length, abs=1.0)
    assert fitted.width == pytest.approx(share * length, abs=1.0)
    assert abs((fitted.rotation_deg - angle + 90.0) % 180.0 - 90.0) < np.degrees(1.5 / length) + 1.0


def test_like_sized_neighbours_are_one_group_and_others_are_not():
    row = [Rectangle(12.0 * i, 10.0, 20.0, 8.0, 90.0) for i in range(4)]
    far = [Rectangle(300.0 + 12.0 * i, 10.0, 20.0, 8.0, 90.0) for i in range(2)]
    turned = [Rectangle(12.0 * i, 40.0, 20.0, 8.0, 0.0) for i in range(3)]
    larger = [Rectangle(24.0, 60.0, 50.0, 14.0, 0.0)]
    assert like_sized_groups([*row, *far, *turned, *larger]) == ((0, 1, 2, 3), (6, 7, 8))


def camera_view(tilt_deg, *, fov_deg, width_mm, height_mm, azimuth_deg, shape=(240, 320)):
    """Corners of a board that a camera looks at from a slant; our own pinhole, independent of the pose module."""
    focal = shape[1] / 2 / np.tan(np.radians(fov_deg) / 2)
    tilt, turn = np.radians(tilt_deg), np.radians(azimuth_deg)
    about_z = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    about_x = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    box = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * [width_mm / 2, height_mm / 2, 1]
    seen = box @ (about_z @ about_x @ about_z.T).T + [0, 0, 1.6 * width_mm]
    return focal * seen[:, :2] / seen[:, 2:] + [(shape[1] - 1) / 2, (shape[0] - 1) / 2]


@settings(max_examples=60, deadline=None)
@given(tilt=st.floats(0.0, 50.0), fov=st.floats(25.0, 55.0), ratio=st.floats(0.5, 1.0), azimuth=st.floats(0.0, 360.0))
def test_a_height_told_from_the_picture_is_right_or_not_told(tilt, fov, ratio, azimuth):
    corners = camera_view(tilt, fov_deg=fov, width_mm=160.0, height_mm=160.0 * ratio, azimuth_deg=azimuth)
    told = height_of_board_mm(corners, 160.0, shape=(240, 320))
    known = height_of_board_mm(corners, 160.0, shape=(240, 320), fov_deg=fov)
    assert known == pytest.approx(160.0 * ratio, rel=1e-6)
    # Told only where the usual lenses agree to 4 %.
    assert told is None or told == pytest.approx(160.0 * ratio, rel=0.04)
    if tilt < 5.0:
        assert told is not None
