"""A hand or a cable over the board is not read as its parts, and nothing that belongs to the board is taken for one."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from samples.simulator import place_camera, render_frame, solve_board
from tests.regions.rendering import frontal, make_board, make_part, make_registration, render
from thermscan.layout.board import Board, Surface
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.regions import reasons
from thermscan.regions.covering import _over_bench, find_cover
from thermscan.regions.measure import measure_parts
from thermscan.regions.rectify import rectify_frame
from thermscan.registration.registration import Registration

PLASTIC = Surface("plastic", 0.95, 0.02)
AMBIENT = {"ambient_c": 22.0, "reflected_c": 22.0}
NOISE_K = 0.05
VIEW = frontal(2.0)


def chips() -> Board:
    """Twelve chips on a board of 100 mm by 80 mm; in `VIEW` it begins at x 10, y 9 and ends at x 210, y 169."""
    places = [(x, y) for y in (15.0, 40.0, 65.0) for x in (15.0, 38.0, 61.0, 84.0)]
    return make_board(*(make_part(f"U{i + 1}", x_mm=x, y_mm=y, length_mm=14.0) for i, (x, y) in enumerate(places)))


@cache
def bare_look() -> ThermalImage:
    """The chips at 40 C on a board at 30 C, without noise."""
    board = chips()
    return render(board, VIEW, {part.ref: 40.0 for part in board.parts}, shape=(240, 320))


def look(**laid: object) -> ThermalImage:
    """A frame of the chips and of what is laid into it."""
    image = bare_look()
    rng = np.random.default_rng(0)
    values = lay(image.apparent_c, **laid) if laid else image.apparent_c
    return replace(image, apparent_c=values + rng.normal(0.0, NOISE_K, image.shape), noise_k=NOISE_K)


def lay(values_c: np.ndarray, *, start: tuple, end: tuple, width_px: float, temp_c: float) -> np.ndarray:
    """A straight thing from one point to another, its sides one pixel soft."""
    rows, cols = np.indices(values_c.shape)
    points = np.stack([cols, rows], axis=-1) - np.array(start, dtype=float)
    along = np.array(end, dtype=float) - start
    share = np.clip(points @ along / (along @ along), 0.0, 1.0)
    distance = np.linalg.norm(points - share[..., None] * along, axis=-1)
    over = np.clip((width_px / 2 - distance) / 1.5 + 0.5, 0.0, 1.0)
    return np.asarray(over * temp_c + (1 - over) * values_c)


def registered(board: Board, shift_px: tuple[float, float] = (0.0, 0.0)) -> Registration:
    shift = np.array([[1.0, 0.0, shift_px[0]], [0.0, 1.0, shift_px[1]], [0.0, 0.0, 1.0]])
    return make_registration(board, shift @ VIEW)


# A finger of skin from the right; a cable a little warmer than the bench, from above; one colder than it, across.
FINGER = {"start": (319, 60), "end": (150, 50), "width_px": 16.0, "temp_c": 33.0}
CABLE = {"start": (110, 0), "end": (70, 130), "width_px": 5.0, "temp_c": 23.5}
COLD_HOSE = {"start": (0, 30), "end": (300, 150), "width_px": 6.0, "temp_c": 15.0}


@pytest.mark.parametrize("thing", [FINGER, CABLE, COLD_HOSE], ids=["finger", "cable", "cold hose"])
def test_what_lies_over_the_board_is_marked_and_little_else(thing: dict) -> None:
    board = chips()
    image = look(**thing)
    marked = find_cover(image, registered(board), board).pixels
    true = lay(np.zeros(image.shape), **(thing | {"temp_c": 1.0})) > 0.0
    assert true[marked].mean() > 0.6  # two pixels at each side may blend
    assert marked[lay(np.zeros(image.shape), **(thing | {"temp_c": 1.0})) > 0.9].mean() > 0.95


@pytest.mark.parametrize("thing", [FINGER, CABLE, COLD_HOSE], ids=["finger", "cable", "cold hose"])
def test_covered_parts_say_so_and_the_others_keep_their_temperature(thing: dict) -> None:
    board = chips()
    image, registration = look(**thing), registered(board)
    cover = find_cover(image, registration, board)
    found = measure_parts(image, registration, board, **AMBIENT, covered=cover.pixels)
    covered = [each for each in found if each.reason is reasons.COVERED]
    assert 0 < len(covered) < len(found) / 2
    assert all(each.mean_c is None for each in covered)
    for each in found:
        if each.measurable:
            assert each.mean_c == pytest.approx(40.0, abs=0.2)
    parts = "1 part" if len(covered) == 1 else f"{len(covered)} parts"
    (said,) = cover.over(found).remarks
    assert said == f"something crosses the board's outline and covers {parts}: take the frame again without it"


def test_bare_board_under_it_is_marked_in_the_raster() -> None:
    board = chips()
    image, registration = look(**FINGER), registered(board)
    cover = find_cover(image, registration, board)
    raster = rectify_frame(image, registration, board, covered=cover.pixels)
    assert raster.overhung is not None
    x_mm, y_mm = registration.mm(np.array([[180.0, 52.0]]))[0]
    row, col = int(y_mm / raster.mm_per_px), int(x_mm / raster.mm_per_px)
    assert raster.overhung[row, col]
    assert not raster.overhung[-5, 5]


ORDINARY = {
    "nothing": {},
    "a mug beside the board": {"start": (240, 90), "end": (240, 91), "width_px": 50.0, "temp_c": 45.0},
    "a supply that touches the edge, as warm as the chips": {
        "start": (236, 40),
        "end": (236, 130),
        "width_px": 54.0,
        "temp_c": 40.0,
    },
    "a thing as warm as the board that touches its edge": {
        "start": (236, 40),
        "end": (236, 130),
        "width_px": 54.0,
        "temp_c": 30.0,
    },
    "a cable that ends at the edge": {"start": (319, 60), "end": (211, 60), "width_px": 6.0, "temp_c": 27.0},
}


@pytest.mark.parametrize("laid", ORDINARY.values(), ids=ORDINARY.keys())
@pytest.mark.parametrize("shift_px", [(0.0, 0.0), (1.0, -0.7), (-1.0, 0.7)], ids=str)
def test_what_lies_beside_the_board_covers_nothing(laid: dict, shift_px: tuple[float, float]) -> None:
    board = chips()
    cover = find_cover(look(**laid), registered(board, shift_px), board)
    assert not cover.pixels.any()
    assert cover.over(()).remarks == ()


@pytest.mark.parametrize("cable_c", [40.0, 25.0])
def test_a_connector_that_stands_over_the_outline_and_its_cable_cover_nothing(cable_c: float) -> None:
    board = chips()
    plug = make_part("J1", x_mm=96.0, y_mm=28.0, length_mm=20.0, width_mm=10.0)
    board = replace(board, parts=(*board.parts, plug))
    image = look(start=(319, 64), end=(230, 64), width_px=16.0, temp_c=cable_c)
    values = image.apparent_c.copy()
    values[56:75, 182:223] = 40.0
    assert not find_cover(replace(image, apparent_c=values), registered(board), board).pixels.any()
    # The same, where the layout has no such part, lies over the board.
    assert find_cover(replace(image, apparent_c=values), registered(chips()), chips()).pixels.any()


@pytest.mark.parametrize("azimuth_deg", [0.0, 90.0, 180.0, 270.0])
@pytest.mark.parametrize("stated", [True, False])
def test_a_tall_part_that_leans_over_the_edge_covers_nothing(azimuth_deg: float, stated: bool) -> None:
    can = {"length_mm": 16.0, "width_mm": 16.0, "height_mm": 25.0, "surface": PLASTIC}
    edges = [(9.0, 40.0), (91.0, 40.0), (50.0, 9.0), (50.0, 71.0)]
    parts = [make_part(f"C{i}", x_mm=x, y_mm=y, **can) for i, (x, y) in enumerate(edges)]
    board = make_board(*parts, make_part("U1", surface=PLASTIC))
    field = solve_board(board, {"U1": 1.5, **{part.ref: 0.5 for part in parts}}, ambient_c=22.0)
    pose = place_camera(board, (240, 320), tilt_deg=45.0, azimuth_deg=azimuth_deg, fov_deg=35.0)
    seen = render_frame(field, board, pose, rng=np.random.default_rng(3), heights=True, netd_k=NOISE_K)
    image = ThermalImage(seen.apparent_c, NOISE_K, 1.0, (8.0, 14.0), 0.6)
    registration = make_registration(board, pose.px_from_mm / pose.px_from_mm[2, 2])
    told = board if stated else replace(board, parts=tuple(replace(part, height_mm=None) for part in board.parts))
    assert not find_cover(image, registration, told).pixels.any()


def test_a_board_cut_by_the_frame_and_dead_pixels_are_no_cover() -> None:
    board = chips()
    image = look()
    values = image.apparent_c[:, 60:].copy()
    values[100, 40] = values[20, 200] = np.nan
    cut = replace(image, apparent_c=values)
    assert not find_cover(cut, registered(board, (-60.0, 0.0)), board).pixels.any()


def test_a_frame_without_bench_has_nothing_that_comes_in_from_it() -> None:
    board = chips()
    image = look()
    cut = replace(image, apparent_c=image.apparent_c[20:160, 20:200])
    assert not find_cover(cut, registered(board, (-20.0, -20.0)), board).pixels.any()


def test_a_thing_on_a_bench_that_slopes_stands_over_its_plane() -> None:
    rows, cols = np.indices((60, 80))
    values = 20.0 + 0.05 * cols - 0.03 * rows + 0.02 * np.random.default_rng(2).standard_normal(rows.shape)
    thing = (rows < 12) & (cols > 60)
    rise_k, uneven_k = _over_bench(values + 4.0 * thing, np.ones(rows.shape, dtype=bool))
    # The plane is told by 4,600 pixels of 0.02 K: to well below that.
    assert np.abs(rise_k[~thing]).max() < 0.1
    assert rise_k[thing] == pytest.approx(4.0, abs=0.1)
    assert uneven_k == pytest.approx(0.02, rel=0.1)
