"""Which pixels see only the part, and what of its surroundings they still see, against a picture drawn here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.regions.rendering import frontal, make_board, make_part, make_registration
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions.body_reading import read_bodies
from thermscan.regions.inner_body import InnerBody, find_inner_bodies, shifts_px
from thermscan.registration.geometry.homography import local_scale

SHAPE = (120, 160)
PX_PER_MM = 1.0
FINE = 20
# Where the part is drawn: rows 40 to 60, columns 40 to 80.
TOP, LEFT, ROWS, COLS = 40, 40, 20, 40


def _inner(blur_px: float = 0.6, *, placement_px: float = 0.0, **part_facts: object) -> InnerBody:
    part = make_part(**part_facts)
    registration = make_registration(make_board(part), frontal(PX_PER_MM))
    (body,) = find_inner_bodies(
        [part],
        registration,
        jacobians=local_scale(registration.px_from_mm, [[part.x_mm, part.y_mm]]),
        shape=SHAPE,
        blur_px=blur_px,
        u_blur_px=0.1,
        placement_px=np.array([placement_px]),
    )
    return body


def _share_seen(blur_px: float, **part_facts: object) -> np.ndarray:
    """How much of the body each pixel sees: drawn twenty times finer, blurred, averaged over the pixel's area."""
    part = make_part(**part_facts)
    rows, cols = np.indices((ROWS * FINE, COLS * FINE))
    x = LEFT + (cols + 0.5) / FINE - 0.5 - (PX_PER_MM * part.x_mm + frontal(PX_PER_MM)[0, 2])
    y = TOP + (rows + 0.5) / FINE - 0.5 - (PX_PER_MM * part.y_mm + frontal(PX_PER_MM)[1, 2])
    length, width = part.length_mm * PX_PER_MM, part.width_mm * PX_PER_MM
    body = (np.abs(x) <= length / 2) & (np.abs(y) <= width / 2)
    blurred = gaussian_filter(body.astype(float), blur_px * FINE)
    seen = np.zeros(SHAPE)
    seen[TOP : TOP + ROWS, LEFT : LEFT + COLS] = blurred.reshape(ROWS, FINE, COLS, FINE).mean(axis=(1, 3))
    return seen


@pytest.mark.parametrize("width_mm", [4.1, 8.3])
def test_the_share_of_the_surroundings_is_what_optics_and_pixels_let_in(width_mm: float):
    body = _inner(width_mm=width_mm)
    seen = _share_seen(0.6, width_mm=width_mm)
    # The pixel's square is taken for a Gaussian of its variance, good to 2e-3 at this blur; without the pixel's own
    # area the shares differ by 0.015 and more.
    assert body.coverage.inner == pytest.approx(seen[body.rows, body.cols].mean(), abs=2.5e-3)
    assert body.coverage.ring == pytest.approx(seen[body.ring_rows, body.ring_cols].mean(), abs=2.5e-3)


def test_a_wider_blur_lets_more_in():
    body = _inner(width_mm=4.1)
    wider = _share_seen(0.7, width_mm=4.1)
    assert body.wider_coverage.inner == pytest.approx(wider[body.rows, body.cols].mean(), abs=2.5e-3)
    assert body.wider_coverage.inner < body.coverage.inner


def test_a_large_body_is_drawn_in_by_half_a_pixel_the_blur_and_its_places_doubt():
    body = _inner(0.6, placement_px=0.3, length_mm=30.0, width_mm=20.0)
    assert body.margin_px == pytest.approx(0.5 + 0.6 + 0.3)
    assert body.sides_px == pytest.approx((30 - 2.8, 20 - 2.8))


@pytest.mark.parametrize(("width_mm", "margin_px"), [(5.0, 1.0), (4.4, 0.7), (3.6, 0.5), (8.0, 1.1)])
def test_a_narrow_body_keeps_three_pixels_where_half_a_pixel_a_side_allows(width_mm: float, margin_px: float):
    body = _inner(0.6, width_mm=width_mm)
    assert body.margin_px == pytest.approx(margin_px)
    assert body.sides_px[1] == pytest.approx(width_mm - 2 * margin_px)


@pytest.mark.parametrize(("width_mm", "enough"), [(4.05, True), (3.95, False)])
def test_three_pixels_across_are_enough_and_less_are_not(width_mm: float, enough: bool):
    # A centre on whole pixels: a body of 4 pixels less half a pixel a side leaves three rows.
    assert _inner(0.6, width_mm=width_mm, y_mm=40.3).large_enough is enough


@pytest.mark.parametrize(("gap_px", "inside"), [(-0.4, True), (-0.6, False)])
def test_the_frame_ends_half_a_pixel_beyond_its_outer_pixels_centres(gap_px: float, inside: bool):
    # The left side of a body 20 mm long lies at x_mm - 10, which is seen at x_mm - 10 + 10.3 px.
    assert _inner(x_mm=gap_px - 0.3).inside_frame is inside
    assert _inner(x_mm=SHAPE[1] - 1 - gap_px - 20.3).inside_frame is inside


def test_many_bodies_in_one_pass_are_those_found_one_by_one():
    parts = [
        make_part(ref="U1"),
        make_part(ref="U2", x_mm=12.0, y_mm=30.0, rotation_deg=30.0, length_mm=9.0),
        make_part(ref="C1", x_mm=55.0, y_mm=12.0, length_mm=11.0, width_mm=11.0, round_body=True),
        # Over the frame's edge, wholly beyond it, and too small.
        make_part(ref="U3", x_mm=-30.0, y_mm=25.0),
        make_part(ref="U4", x_mm=400.0, y_mm=25.0),
        make_part(ref="R1", x_mm=60.0, y_mm=35.0, length_mm=2.0, width_mm=1.0),
    ]
    registration = make_registration(
        make_board(*parts), np.array([[1.1, 0.1, 30.0], [-0.1, 1.0, 40.0], [1e-4, 2e-4, 1.0]])
    )
    jacobians = local_scale(registration.px_from_mm, [[part.x_mm, part.y_mm] for part in parts])
    placement_px = np.linspace(0.0, 0.6, len(parts))
    known = {"shape": SHAPE, "blur_px": 0.6, "u_blur_px": 0.1}
    together = find_inner_bodies(parts, registration, jacobians=jacobians, placement_px=placement_px, **known)
    scene_c = np.random.default_rng(3).normal(30.0, 1.0, SHAPE)
    scene_c[:, 70:72] = np.nan
    image = ThermalImage(scene_c, 0.05, 1.0, (8.0, 14.0), 0.6)
    readings = read_bodies(image, together)
    assert [len(body.rows) > 0 for body in together] == [True, True, True, True, False, False]
    for k, (body, reading) in enumerate(zip(together, readings, strict=True)):
        (alone,) = find_inner_bodies(
            parts[k : k + 1],
            registration,
            jacobians=jacobians[k : k + 1],
            placement_px=placement_px[k : k + 1],
            **known,
        )
        for name in InnerBody.__slots__:
            assert np.array_equal(getattr(body, name), getattr(alone, name)), name
        (read_alone,) = read_bodies(image, [alone])
        assert (reading is None) == (read_alone is None)
        if reading is not None and read_alone is not None:
            assert [reading.mean_c, reading.peak_c, reading.u_blend_k, *reading.slope_k_per_px] == pytest.approx(
                [read_alone.mean_c, read_alone.peak_c, read_alone.u_blend_k, *read_alone.slope_k_per_px], rel=1e-12
            )


@pytest.mark.parametrize("rotation_deg", [0.0, 30.0])
def test_a_top_moves_along_and_across_its_body_as_the_frame_shows_both(rotation_deg: float):
    low = make_part(rotation_deg=rotation_deg)
    # Three millimetres along the body and one across it, in a frame that shows x twice as large as y.
    x_mm, y_mm = low.board_from_body(np.array([[3.0, 1.0]]))[0]
    jacobian = np.diag([2.0, 1.0])
    (shift,) = shifts_px([low], [replace(low, x_mm=float(x_mm), y_mm=float(y_mm))], jacobian[None])
    way = jacobian @ [x_mm - low.x_mm, y_mm - low.y_mm]
    sides = [jacobian @ (low.board_from_body(np.array([axis]))[0] - [low.x_mm, low.y_mm]) for axis in np.eye(2)]
    assert shift == pytest.approx([abs(way @ side) / np.hypot(*side) for side in sides], rel=1e-12)
    assert rotation_deg or shift == pytest.approx([6.0, 1.0])
