"""Which pixels see only the part, and what of its surroundings they still see, against a picture drawn here."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.regions.rendering import frontal, make_board, make_part, make_registration
from thermscan.regions.inner_body import InnerBody, find_inner_body
from thermscan.registration.geometry.homography import local_scale

SHAPE = (120, 160)
PX_PER_MM = 1.0
FINE = 20
# Where the part is drawn: rows 40 to 60, columns 40 to 80.
TOP, LEFT, ROWS, COLS = 40, 40, 20, 40


def _inner(blur_px: float = 0.6, *, placement_px: float = 0.0, **part_facts: object) -> InnerBody:
    part = make_part(**part_facts)
    registration = make_registration(make_board(part), frontal(PX_PER_MM))
    jacobian = local_scale(registration.px_from_mm, [[part.x_mm, part.y_mm]])[0]
    return find_inner_body(
        part,
        registration,
        jacobian=jacobian,
        shape=SHAPE,
        blur_px=blur_px,
        u_blur_px=0.1,
        placement_px=placement_px,
    )


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
