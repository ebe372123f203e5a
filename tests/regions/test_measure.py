"""Part measurements on rendered frames whose truth is known, and the reasons for having none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.regions.rendering import frontal, make_board, make_part, make_registration, render
from thermscan.heat.split import part_rises
from thermscan.judge.comparison import alike_u_k, difference_u_k, own_u_k
from thermscan.layout.board import Surface
from thermscan.radiometry.sensor import Footprint
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions import reasons
from thermscan.regions.body_reading import Reading
from thermscan.regions.measure import _spread_k, measure_parts
from thermscan.regions.rectify import rectify_frame
from thermscan.registration.registration import PartHeight

AMBIENT = {"ambient_c": 22.0, "reflected_c": 22.0}
OBLIQUE = np.array([[1.2, 0.15, 12.0], [-0.12, 1.0, 20.0], [-0.0006, 0.0016, 1.0]])


@pytest.mark.parametrize("rotation_deg", [0, 90, 37.5])
@pytest.mark.parametrize("px_per_mm", [0.75, 1.1, 1.3])
def test_a_part_of_one_temperature_is_read_as_that_temperature(px_per_mm, rotation_deg):
    board = make_board(make_part(rotation_deg=rotation_deg))
    view = frontal(px_per_mm)
    image = render(board, view, {"U1": 55.0})
    (found,) = measure_parts(image, make_registration(board, view), board, **AMBIENT)
    assert found.measurable
    # What is left is the renderer's own grid: an edge off by 1/12 px shifts a 25 K step by a few tenths at most.
    assert found.mean_c == pytest.approx(55.0, abs=0.35)
    assert found.rise_k == pytest.approx(33.0, abs=0.35)


def test_an_oblique_part_is_read_as_its_temperature():
    board = make_board(make_part())
    image = render(board, OBLIQUE, {"U1": 48.0})
    (found,) = measure_parts(image, make_registration(board, OBLIQUE), board, **AMBIENT)
    assert found.mean_c == pytest.approx(48.0, abs=0.35)


@pytest.mark.parametrize("view", [frontal(1.2), OBLIQUE])
def test_a_round_part_is_read_within_its_circle(view):
    board = make_board(make_part(length_mm=10.0, width_mm=10.0, round_body=True))
    image = render(board, view, {"U1": 50.0}, noise_k=0.02)
    (found,) = measure_parts(image, make_registration(board, view), board, **AMBIENT)
    # The corners of its square are board, 20 K colder: a reading that took them in would be off by kelvins.
    assert found.mean_c == pytest.approx(50.0, abs=0.4)


@pytest.mark.parametrize("assumed_px", [0.4, 0.9])
def test_a_blur_that_is_misjudged_by_half_stays_within_the_stated_uncertainty(assumed_px):
    board = make_board(make_part(width_mm=6.35))
    view = frontal(0.8)
    image = replace(render(board, view, {"U1": 60.0}, blur_px=0.65), blur_px=assumed_px)
    (found,) = measure_parts(image, make_registration(board, view), board, **AMBIENT)
    blend = next(line.u_k for line in found.budget if "size" in line.source or "blend" in line.source)
    assert abs(found.mean_c - 60.0) <= 2.5 * max(abs(blend), 0.1)


@settings(max_examples=25, deadline=None)
@given(
    emissivity=st.floats(0.6, 1.0),
    reflected_c=st.floats(0.0, 40.0),
    temp_c=st.floats(30.0, 120.0),
)
def test_emissivity_and_reflection_are_undone(emissivity, reflected_c, temp_c):
    from thermscan.radiometry.surface import apparent_temperature

    part = make_part(surface=Surface("plastic", emissivity, 0.02))
    board = make_board(part)
    view = np.array([[1.2, 0, 10.0], [0, 1.2, 8.0], [0, 0, 1.0]])
    apparent_c = float(apparent_temperature(temp_c, emissivity=emissivity, reflected_c=reflected_c))
    image = ThermalImage(np.full((120, 160), apparent_c), 0.01, 1.0, (8.0, 14.0), 0.6)
    (found,) = measure_parts(image, make_registration(board, view), board, ambient_c=22.0, reflected_c=reflected_c)
    assert found.mean_c == pytest.approx(temp_c, abs=0.01)


def test_the_hottest_neighbourhood_is_not_a_single_hot_pixel():
    board = make_board(make_part())
    view = frontal(1.2)
    image = render(board, view, {"U1": 40.0})
    values = np.array(image.apparent_c)
    centre = make_registration(board, view).px(np.array([[50.0, 40.0]]))[0].round().astype(int)
    values[centre[1], centre[0]] = 90.0
    (found,) = measure_parts(replace(image, apparent_c=values), make_registration(board, view), board, **AMBIENT)
    assert found.max_c == pytest.approx(40.0, abs=0.2)
    assert found.mean_c == pytest.approx(40.0, abs=0.2)


def reason_of(part, view=None, *, image_changes=None, registration_changes=None):
    board = make_board(part)
    view = np.array([[1.2, 0, 10.0], [0, 1.2, 8.0], [0, 0, 1.0]]) if view is None else view
    image = render(board, view, {part.ref: 40.0})
    if image_changes is not None:
        image = replace(image, apparent_c=image_changes(np.array(image.apparent_c)))
    registration = replace(make_registration(board, view), **(registration_changes or {}))
    (found,) = measure_parts(image, registration, board, **AMBIENT)
    if not found.measurable:
        assert found.mean_c is found.max_c is found.rise_k is found.u_c is None
    return found.reason


def test_metal_is_not_measured():
    assert reason_of(make_part(surface=Surface("metal", 0.1, 0.05))) is reasons.METAL


def test_a_part_that_is_partly_out_of_the_frame_is_not_measured():
    assert reason_of(make_part(x_mm=-2.0)) is reasons.OUT_OF_FRAME


def test_a_part_of_fewer_than_three_by_three_pixels_is_not_measured():
    assert reason_of(make_part(length_mm=3.0, width_mm=3.0)) is reasons.TOO_FEW_PIXELS
    # A long thin part has pixels enough, but each blends with its surroundings.
    assert reason_of(make_part(length_mm=30.0, width_mm=2.5)) is reasons.TOO_FEW_PIXELS


def test_a_view_beyond_sixty_degrees_is_not_measured():
    assert reason_of(make_part(), registration_changes={"view_angle_deg": 65.0}) is reasons.TOO_OBLIQUE


def test_a_part_whose_pixels_have_no_reading_is_not_measured():
    assert reason_of(make_part(), image_changes=lambda values: np.full_like(values, np.nan)) is reasons.BAD_PIXELS


def test_a_reflection_that_exceeds_the_reading_is_not_measured():
    part = make_part(surface=Surface("plastic", 0.5, 0.05))
    board = make_board(part)
    view = np.array([[1.2, 0, 10.0], [0, 1.2, 8.0], [0, 0, 1.0]])
    image = render(board, view, {"U1": 20.0})
    (found,) = measure_parts(image, make_registration(board, view), board, ambient_c=20.0, reflected_c=95.0)
    assert found.reason is reasons.UNPHYSICAL


def test_noise_and_pixels_set_the_scatter_that_is_stated():
    board = make_board(make_part())
    view = frontal(1.2)
    clean = render(board, view, {"U1": 45.0}, noise_k=0.2)
    rng = np.random.default_rng(5)
    means, stated = [], []
    base = np.array(render(board, view, {"U1": 45.0}).apparent_c)
    for _ in range(120):
        image = replace(clean, apparent_c=base + rng.normal(0.0, 0.2, base.shape))
        (found,) = measure_parts(image, make_registration(board, view), board, **AMBIENT)
        means.append(found.mean_c)
        stated.append(next(abs(line.u_k) for line in found.budget if "noise" in line.source))
    # 120 draws give a standard deviation to about 6.5 % (k = 1).
    assert np.std(means, ddof=1) == pytest.approx(np.mean(stated), rel=0.25)


def test_the_raster_shows_the_part_where_the_layout_has_it():
    board = make_board(make_part(x_mm=30.0, y_mm=20.0))
    image = render(board, OBLIQUE, {"U1": 60.0})
    rectified = rectify_frame(image, make_registration(board, OBLIQUE), board)
    hot = np.nan_to_num(rectified.apparent_c) > 45.0
    centre = rectified.centres_mm()[hot].mean(axis=0)
    assert centre == pytest.approx([30.0, 20.0], abs=0.5)
    assert rectified.on_board.mean() == pytest.approx(1.0, abs=0.05)


def test_a_tall_part_is_read_where_a_slanted_view_shows_its_top():
    from samples.simulator import place_camera, render_frame, solve_board

    part = make_part(length_mm=12.0, width_mm=12.0, height_mm=15.0, surface=Surface("plastic", 0.95, 0.02))
    board = make_board(part)
    field = solve_board(board, {"U1": 1.5}, ambient_c=22.0)
    pose = place_camera(board, (240, 320), tilt_deg=40.0, azimuth_deg=30.0, fov_deg=35.0)
    rendered = render_frame(field, board, pose, rng=np.random.default_rng(3), heights=True, netd_k=0.03)
    image = ThermalImage(rendered.apparent_c, 0.03, 1.0, (8.0, 14.0), 0.6)
    registration = replace(make_registration(board, pose.px_from_mm / pose.px_from_mm[2, 2]), view_angle_deg=40.0)
    readings = {}
    for height_mm in (15.0, None):
        told = make_board(replace(part, height_mm=height_mm))
        (found,) = measure_parts(image, registration, told, **AMBIENT, fov_deg=35.0)
        readings[height_mm] = found.mean_c
    truth_c = rendered.truth["U1"].mean_c
    assert readings[15.0] == pytest.approx(truth_c, abs=0.6)
    # Without its height the foot's place is read, which shows the body's cooler side.
    assert abs(readings[15.0] - truth_c) < 0.5 * abs(readings[None] - truth_c)


@pytest.mark.parametrize(("length_mm", "of_account"), [(20.0, False), (5.0, True)])
def test_a_height_in_doubt_is_of_account_only_where_it_leaves_too_little_of_the_body(length_mm, of_account):
    from samples.simulator import place_camera

    board = make_board(make_part(length_mm=length_mm, width_mm=length_mm, height_mm=6.0))
    pose = place_camera(board, (240, 320), tilt_deg=40.0, azimuth_deg=30.0, fov_deg=35.0)
    # A slope of heat, which another place of the body's top would read otherwise.
    rows, cols = np.indices((240, 320))
    image = ThermalImage(40.0 + 0.1 * cols + 0.05 * rows, 0.03, 1.0, (8.0, 14.0), 0.6)
    places_k = {}
    for u_mm in (0.0, 1.0):
        registration = replace(
            make_registration(board, pose.px_from_mm / pose.px_from_mm[2, 2]), heights={"U1": PartHeight(6.0, u_mm)}
        )
        (found,) = measure_parts(image, registration, board, **AMBIENT, fov_deg=35.0)
        places_k[u_mm] = sum(line.u_k for line in found.budget if "place" in line.source)
    assert places_k[0.0] > 0.0
    assert (places_k[1.0] > 1.5 * places_k[0.0]) is of_account


@pytest.mark.parametrize(("slope_k", "bend_k"), [(0.4, 0.0), (0.0, 0.2), (0.3, -0.15)])
def test_what_an_unsure_height_leaves_open_is_the_mean_square_of_the_readings_change(slope_k: float, bend_k: float):
    def at(deviations: float) -> float:
        return 40.0 + slope_k * deviations + bend_k * deviations**2

    def read(deviations: float) -> Reading:
        return Reading(at(deviations), 41.0, 0.0, (0.0, 0.0), Footprint(np.zeros(1, np.intp), np.zeros(1, np.intp)))

    # Fifty nodes of Gauss and Hermite's rule average polynomials exactly.
    nodes, weights = np.polynomial.hermite_e.hermegauss(50)
    expected = np.sqrt(np.average([(at(t) - at(0.0)) ** 2 for t in nodes], weights=weights))
    assert _spread_k([read(t) for t in (0.0, -2.0, 2.0)]) == pytest.approx(expected, rel=1e-9)
    assert _spread_k([read(0.0)]) == 0.0
    assert _spread_k([read(0.0), None, read(2.0)]) is None


def test_parts_of_one_type_share_a_finish_that_cancels_between_them_alone():
    dull = Surface("plastic", 0.9, 0.05)
    parts = [
        make_part(ref, x_mm=x_mm, y_mm=40.0, kind=kind, package="DIP-16", surface=dull)
        for ref, x_mm, kind in (("U1", 20.0, "sram"), ("U2", 50.0, "sram"), ("U3", 80.0, "gate"))
    ]
    board, view = make_board(*parts), frontal(1.1)
    image = render(board, view, dict.fromkeys(("U1", "U2", "U3"), 55.0))
    one, like, other = measure_parts(image, make_registration(board, view), board, **AMBIENT)
    assert difference_u_k(one, [like]) < 0.9 * difference_u_k(one, [other])
    assert alike_u_k(one) < own_u_k(one)
    # The fit of the heat sees the body beside all the rest.
    (of_type,) = [line.u_k for line in one.budget if line.source == "emissivity of the type of part"]
    assert part_rises(board, [one, like, other]).u_k[0] > abs(of_type)
