"""What lies over parts within the outline is found; lids, planes and dead parts are not taken for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.benchmarks.scale import seen_board
from tests.regions.test_covering import AMBIENT, VIEW, chips, lay, look, registered
from thermscan.layout.board import Board
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions import reasons
from thermscan.regions.alike import Patch, look_at_board, patches
from thermscan.regions.covering import find_cover
from thermscan.regions.lying_over import ENOUGH, WEIGHTS, _edge, _likely, evidence, find_lying_over
from thermscan.regions.measure import measure_parts
from thermscan.registration.registration import PartHeight, Registration

# Wholly within the outline, which is seen from x 10, y 9 to x 210, y 169: a bridge of cable, a clip, a finger's end.
BRIDGE = {"start": (45, 40), "end": (180, 135), "width_px": 14.0, "temp_c": 24.0}
CLIP = {"start": (38, 84), "end": (112, 92), "width_px": 16.0, "temp_c": 23.0}
FINGER_END = {"start": (112, 86), "end": (150, 112), "width_px": 34.0, "temp_c": 34.5}


@pytest.mark.parametrize("thing", [BRIDGE, CLIP, FINGER_END], ids=["bridge", "clip", "finger's end"])
def test_parts_under_a_thing_within_the_outline_are_not_read_and_others_are(thing: dict) -> None:
    board = chips()
    image, registration = look(**thing), registered(board)
    cover = find_cover(image, registration, board)
    found = measure_parts(image, registration, board, **AMBIENT, covered=cover.pixels)
    true = lay(np.zeros(image.shape), **(thing | {"temp_c": 1.0}))
    hidden = {each.part.ref: _share(true, each.part.x_mm, each.part.y_mm) for each in found}
    assert any(share > 0.2 for share in hidden.values())
    for each in found:
        if hidden[each.part.ref] > 0.2:
            assert each.reason is reasons.COVERED
        elif hidden[each.part.ref] < 0.02:
            assert each.mean_c == pytest.approx(40.0, abs=0.2)
    (said,) = cover.over(found).remarks
    assert said.startswith("something within the board's outline seems to lie over U")
    assert 0.9 <= min(cover.likely.values()) <= max(cover.likely.values()) <= 1.0


def _share(true: np.ndarray, x_mm: float, y_mm: float) -> float:
    """How much of a chip of 14 mm by 14 mm lies under it."""
    x, y = VIEW[0, 0] * x_mm + VIEW[0, 2], VIEW[1, 1] * y_mm + VIEW[1, 2]
    half = 7.0 * VIEW[0, 0]
    return float(true[round(y - half) : round(y + half) + 1, round(x - half) : round(x + half) + 1].mean())


def _painted(*areas: tuple[slice, slice, float]) -> ThermalImage:
    image = look()
    values = image.apparent_c.copy()
    for rows, cols, change_k in areas:
        values[rows, cols] += change_k
    return replace(image, apparent_c=values)


# U1 is seen from x 26 to 54 and y 25 to 53, U2 46 pixels to the right of it.
INNOCENT: dict[str, Callable[[], ThermalImage]] = {
    "nothing": _painted,
    "a dead chip, as cold as the board": lambda: _painted((slice(25, 53), slice(26, 54), -10.0)),
    "two dead chips, colder than the board": lambda: _painted(
        (slice(25, 53), slice(26, 54), -14.0), (slice(25, 53), slice(72, 100), -14.0)
    ),
    "a metal lid in the middle of a chip": lambda: _painted((slice(32, 46), slice(33, 47), -14.0)),
    "a bare plane beside the chips": lambda: _painted((slice(57, 72), slice(20, 120), -6.0)),
    "a lamp's reflection": lambda: replace(
        look(),
        apparent_c=look().apparent_c
        + 3.0
        * np.exp(-0.5 * (((np.indices((240, 320))[1] - 100) / 30) ** 2 + ((np.indices((240, 320))[0] - 80) / 20) ** 2)),
    ),
}


@pytest.mark.parametrize("name", INNOCENT)
def test_what_belongs_to_the_board_is_not_taken_for_a_cover(name: str) -> None:
    board = chips()
    found = find_lying_over(INNOCENT[name](), registered(board), board)
    assert not found.pixels.any()
    assert not found.likely


def _clean(parts: int, *, shape: tuple[int, int]) -> tuple[ThermalImage, Registration, Board]:
    """A board with nothing over it, where it truly is."""
    board, seen, pose, _ = seen_board(parts, seed=902, shape=shape)
    corners_px = pose.px(board.corners_mm)
    px_from_mm = cv2.getPerspectiveTransform(board.corners_mm.astype(np.float32), corners_px.astype(np.float32))
    heights = {part.ref: PartHeight(2.05, 0.17, seen=True) for part in board.parts}
    placed = Registration(
        "corners",
        px_from_mm,
        corners_px,
        0.01 * np.eye(8),
        0.0,
        uncertainty_mm=0.008,
        view_angle_deg=12.0,
        heights=heights,
    )
    image = ThermalImage(seen.apparent_c, noise_k=0.0535, accuracy_k=1.0, band_um=(8.0, 14.0), blur_px=0.47)
    return image, placed, board


def test_a_patch_whose_edge_is_not_followed_would_not_be_enough_with_it() -> None:
    board = chips()
    followed, left_out = 0, 0
    for image, placed, of in ((look(**CLIP), registered(board), board), _clean(40, shape=(180, 240))):
        seen = look_at_board(image, placed, of)
        for patch in patches(seen):
            odds = evidence(seen, patch) @ WEIGHTS
            likely = _likely(seen, patch)
            if likely is None:
                left_out += 1
                assert odds.max() < np.log(ENOUGH / (1 - ENOUGH))
            else:
                followed += 1
                np.testing.assert_array_equal(likely, 1 / (1 + np.exp(-odds)))
    # Else nothing would be saved, or nothing asked.
    assert min(followed, left_out) > 5


@pytest.mark.parametrize(("turn_deg", "least", "most"), [(0.0, 0.9, 1.0), (20.0, 0.9, 1.0), (45.0, 0.0, 0.1)])
def test_a_border_is_expected_where_it_runs_as_the_outline_of_the_layout_does(
    turn_deg: float, least: float, most: float
) -> None:
    seen = look_at_board(look(), registered(chips()), chips())
    # A line through the right side of U1, which is at x 54 from y 25 to 53: its border to the right there. 30 degrees
    # are allowed; the border's own way is told to a few from its pixels.
    rows, cols = np.indices(seen.kinds.shape)
    slope = np.tan(np.radians(turn_deg))
    pixels = (np.abs(cols - (54 + slope * (rows - 39))) <= 8) & (rows > 20) & (rows < 60)
    pixels &= cols <= 54 + slope * (rows - 39)
    edge = _edge(seen, Patch(0.0, 1.0, pixels, (0, 0), np.array([1]), np.array([9])))
    x, y = edge.points_px.T
    beside = (np.abs(x - 54) < 1.5) & (np.abs(y - 39) < 6)
    assert beside.sum() >= 2  # Where the sides above and below, drawn as wide as they are in doubt, are not met.
    assert least <= edge.expected[beside].mean() <= most


def test_nothing_lies_over_a_clean_board_of_hundreds_of_small_parts() -> None:
    # Each body that a contour of heat crosses seems to witness an edge there: counted one by one, they had 341 of these
    # 600 parts left out as covered. The board's groups differ in power, as they do on any board.
    image, placed, board = _clean(600, shape=(345, 460))
    found = find_lying_over(image, placed, board)
    assert not found.likely
    assert not found.pixels.any()
