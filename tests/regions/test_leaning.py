"""As far as bodies of unknown height may reach in a slanted view."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import pytest

from samples.simulator import place_camera
from tests.regions.rendering import make_board, make_part, make_registration
from thermscan.layout.board import Surface
from thermscan.regions.leaning import Leaning, leaning_of_views, possible_leaning
from thermscan.registration.registration import PartHeight

PLASTIC = Surface("plastic", 0.95, 0.02)
NOTHING_SEEN: Mapping[str, PartHeight] = MappingProxyType({})


def _seen(
    *,
    tilt_deg: float,
    azimuth_deg: float = 0.0,
    gap_mm: float = 3.0,
    heights: Mapping[str, PartHeight] = NOTHING_SEEN,
    **can: float,
) -> Leaning:
    chip = make_part("U1", length_mm=20.0, width_mm=8.0, x_mm=50.0, y_mm=40.0, height_mm=3.5, surface=PLASTIC)
    made = {"length_mm": 24.0, "width_mm": 12.0, "x_mm": 50.0, "y_mm": 30.0 - gap_mm, "surface": PLASTIC} | can
    board = make_board(chip, make_part("C1", **made))
    pose = place_camera(board, (240, 320), tilt_deg=tilt_deg, azimuth_deg=azimuth_deg, fov_deg=35.0)
    registration = make_registration(board, pose.px_from_mm / pose.px_from_mm[2, 2])
    registration = replace(registration, view_angle_deg=tilt_deg, heights=heights)
    return possible_leaning(board, registration, shape=(240, 320), fov_deg=35.0)


def test_from_above_nothing_leans_over_a_chip_that_stands_apart():
    assert _seen(tilt_deg=0.0, height_mm=None).hidden_by == {}


def test_from_one_of_four_sides_a_can_of_unknown_height_may_hide_the_chip():
    looks = [_seen(tilt_deg=45.0, azimuth_deg=angle, height_mm=None) for angle in (0.0, 90.0, 180.0, 270.0)]
    shares = [sum(each.share for each in look.hidden_by.get("U1", ())) for look in looks]
    assert max(shares) > 0.8
    assert sorted(shares)[1] < 0.5


def test_a_stated_height_bounds_what_may_be_hidden():
    shares = []
    for height_mm in (2.0, 5.0, 20.0):
        looks = [_seen(tilt_deg=45.0, azimuth_deg=angle, height_mm=height_mm) for angle in (0.0, 90.0, 180.0, 270.0)]
        shares.append(max(sum(each.share for each in look.hidden_by.get("U1", ())) for look in looks))
    assert shares[0] == 0.0
    assert 0.1 < shares[1] < 0.8 < shares[2]


def test_a_body_whose_height_no_view_shows_may_carry_a_sink():
    shares = []
    for seen in (True, False):
        told = {"C1": PartHeight(8.0, 1.0, seen=seen), "U1": PartHeight(3.5, 0.2, seen=True)}
        looks = [_seen(tilt_deg=45.0, azimuth_deg=angle, heights=told) for angle in (0.0, 90.0, 180.0, 270.0)]
        shares.append(max(sum(each.share for each in look.hidden_by.get("U1", ())) for look in looks))
    # At 45 degrees a top moves by its height: 10 mm reach 10 - 3 (the gap) - 3.5 mm (the chip's own) over its 8, to one
    # of seven rows of points and a pixel; 33 mm over all of it.
    assert shares[0] == pytest.approx(3.5 / 8, abs=0.2)
    assert shares[1] == 1.0
    # A stated height leaves no room for one.
    stated = {"C1": PartHeight(8.0, 1.0, seen=False), "U1": PartHeight(3.5, 0.2, seen=True)}
    looks = [_seen(tilt_deg=45.0, azimuth_deg=a, heights=stated, height_mm=8.0) for a in (0.0, 90.0, 180.0, 270.0)]
    assert max(sum(each.share for each in look.hidden_by.get("U1", ())) for look in looks) == shares[0]


def test_bodies_that_the_layout_draws_over_one_another_may_hide_each_other():
    (found,) = _seen(tilt_deg=0.0, gap_mm=-6.0, height_mm=None).hidden_by["U1"]
    # The can reaches from 30 to 42 mm, the chip from 36 to 44; a pixel at the edge, and rows of points.
    assert found.ref == "C1"
    assert found.share == pytest.approx(6 / 8, abs=0.15)


def test_a_place_behind_the_can_may_show_its_top_and_one_far_off_may_not():
    looks = [_seen(tilt_deg=45.0, azimuth_deg=angle, height_mm=None) for angle in (0.0, 90.0, 180.0, 270.0)]
    assert any("C1" in look.over(50.0, 35.0) for look in looks)
    assert not any("C1" in look.over(90.0, 75.0) for look in looks)


def test_a_top_that_is_looked_for_beyond_the_outline_may_be_the_bench():
    # Ten millimetres high, 2 mm from the board's edge: seen from one side it hangs over.
    told = {"C1": PartHeight(10.0, 0.5, seen=True), "U1": PartHeight(3.5, 0.2, seen=True)}
    angles = (0.0, 90.0, 180.0, 270.0)
    at_edge = {"y_mm": 8.0, "heights": told}
    looks = [_seen(tilt_deg=45.0, azimuth_deg=angle, **at_edge) for angle in angles]
    shares = sorted(look.beyond.get("C1", 0.0) for look in looks)
    # Its top moves by its height times the angle's tangent (1.0 in the board's middle, 1.2 at 50 degrees at its edge).
    assert shares[-1] == pytest.approx((1.2 * 10 - 2) / 12, abs=1 / 7)
    assert shares[:-1] == [0.0, 0.0, 0.0]
    assert not any("U1" in look.beyond for look in looks)
    # A stated height is none to doubt.
    assert not any(_seen(tilt_deg=45.0, azimuth_deg=angle, **at_edge, height_mm=10.0).beyond for angle in angles)
    # Where another view shows it within the outline it is no bench.
    turned = sorted(looks, key=lambda look: look.beyond.get("C1", 0.0))
    assert "C1" in leaning_of_views([turned[-1], turned[-1]], {"C1": (0, 1)}).beyond
    assert "C1" not in leaning_of_views([turned[-1], turned[0]], {"C1": (0, 1)}).beyond
    assert "C1" in leaning_of_views([turned[-1], turned[0]], {"C1": (0,)}).beyond


def test_a_top_is_read_over_another_where_its_height_brings_it_there():
    # At 45 degrees a top of 12 mm moves by about 12 mm: from 8.5 mm beyond the chip's edge on to it; its height unsure
    # by 2 mm, it may lie over all of it.
    told = {"C1": PartHeight(12.0, 2.0, seen=True), "U1": PartHeight(3.5, 0.0, seen=True)}
    looks = [_seen(tilt_deg=45.0, azimuth_deg=angle, heights=told) for angle in (0.0, 90.0, 180.0, 270.0)]
    shares = sorted(sum(each.share for each in look.read_over.get("C1", ())) for look in looks)
    assert shares[-2] < 0.3
    assert shares[-1] > 0.8
    # The chip's own height is known: the can, where it is likely to be seen, lies over it in part.
    (chip,) = next(look.read_over["U1"] for look in looks if sum(e.share for e in look.read_over.get("C1", ())) > 0.8)
    assert chip.ref == "C1"
    assert _seen(tilt_deg=0.0, height_mm=None).read_over == {}


def test_two_views_leave_no_doubt_where_one_shows_a_top_apart():
    told = {"C1": PartHeight(12.0, 2.0, seen=True), "U1": PartHeight(3.5, 0.0, seen=True)}
    looks = [_seen(tilt_deg=45.0, azimuth_deg=angle, heights=told) for angle in (0.0, 90.0, 180.0, 270.0)]
    over = max(looks, key=lambda look: sum(each.share for each in look.read_over.get("C1", ())))
    apart = min(looks, key=lambda look: sum(each.share for each in look.read_over.get("C1", ())))
    assert leaning_of_views([over, over], {"C1": (0, 1)}).read_over["C1"] == over.read_over["C1"]
    assert leaning_of_views([over, apart], {"C1": (0, 1)}).read_over.get("C1", ()) == apart.read_over.get("C1", ())
