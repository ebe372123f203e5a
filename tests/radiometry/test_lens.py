import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.radiometry.plates import barrel_lens, view_plate
from thermscan.errors import CannotJudge, InputError
from thermscan.radiometry.camera import Lens
from thermscan.radiometry.lens import bend_points, straighten_image, straighten_points
from thermscan.radiometry.lens_fit import find_grid, fit_lens
from thermscan.radiometry.thermal_image import ThermalImage

SHAPE, GRID, PITCH_MM = (120, 160), (7, 5), 10.0


def views(kind, number, seed=16):
    rng = np.random.default_rng(seed)
    lens = barrel_lens(SHAPE)
    return lens, [view_plate(rng, lens, SHAPE, grid=GRID, pitch_mm=PITCH_MM, kind=kind) for _ in range(number)]


@pytest.mark.parametrize("kind", ["holes", "squares"])
def test_the_lens_that_was_there_is_found(kind):
    lens, frames = views(kind, 4)
    found = fit_lens(frames, grid=GRID, pitch_mm=PITCH_MM, kind=kind)
    assert found.used == tuple(range(4))
    assert found.residual_px < 0.1
    # What counts is where points of the frame go: within a tenth of a pixel of the true lens over most of it.
    x, y = np.meshgrid(np.linspace(20, 140, 7), np.linspace(15, 105, 6))
    points = np.column_stack([x.ravel(), y.ravel()])
    apart = (straighten_points(points, found.lens) - points) - (straighten_points(points, lens) - points)
    # A tilt of the view and another focal length shift and scale all points alike: that is no distortion.
    design = np.column_stack([points, np.ones(len(points))])
    left = apart - design @ np.linalg.lstsq(design, apart, rcond=None)[0]
    assert np.abs(left).max() < 0.15
    assert abs(found.lens.k1 - lens.k1) < 5 * found.u_k1 + 0.02


def test_one_view_does_where_the_field_of_view_is_known():
    lens, frames = views("holes", 1)
    fov_deg = (50.0, float(2 * np.rad2deg(np.arctan(SHAPE[0] / 2 / lens.fy_px))))
    found = fit_lens(frames, grid=GRID, pitch_mm=PITCH_MM, fov_deg=fov_deg)
    assert found.lens.k1 == pytest.approx(lens.k1, abs=0.03)
    with pytest.raises(CannotJudge, match=r"found in 1 of 1 frames, of which 3 are needed; warm the plate more"):
        fit_lens(frames, grid=GRID, pitch_mm=PITCH_MM)


def test_the_grids_places_are_those_of_the_plate():
    straight_lens = barrel_lens(SHAPE, 0.0, 0.0)
    frame = view_plate(np.random.default_rng(3), straight_lens, SHAPE, grid=GRID, pitch_mm=PITCH_MM)
    points = find_grid(frame, grid=GRID)
    plate = np.column_stack([np.tile(np.arange(7), 5), np.repeat(np.arange(5), 7), np.ones(35)]).astype(float)
    # Through a straight lens a plane grid is seen through a homography; its residual is the finder's own error.
    rows = []
    for (u, v, w), (x, y) in zip(plate, points, strict=True):
        rows += [[u, v, w, 0, 0, 0, -x * u, -x * v, -x * w], [0, 0, 0, u, v, w, -y * u, -y * v, -y * w]]
    h = np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3)
    mapped = plate @ h.T
    assert np.abs(mapped[:, :2] / mapped[:, 2:] - points).max() < 0.15


def test_cold_on_warm_is_found_as_well():
    _, frames = views("holes", 1)
    assert find_grid(70.0 - frames[0], grid=GRID) is not None


@pytest.mark.parametrize("frame", [np.full(SHAPE, 20.0), np.full(SHAPE, np.nan)], ids=["even", "empty"])
def test_no_grid_is_no_answer(frame):
    assert find_grid(frame, grid=GRID) is None


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        ({"grid": (2, 5)}, "grid: a grid of 2 x 5 tells no distortion"),
        ({"pitch_mm": 0.0}, "pitch_mm: 0 mm is no distance"),
        ({"kind": "dots"}, 'kind: "dots" is no grid; write holes or squares'),
    ],
)
def test_an_impossible_grid_is_refused(changed, text):
    with pytest.raises(InputError, match=text):
        fit_lens([np.full(SHAPE, 20.0)], **({"grid": GRID, "pitch_mm": PITCH_MM} | changed))


@given(st.floats(0, 159), st.floats(0, 119), st.floats(-0.3, 0.2), st.floats(-0.05, 0.05), st.floats(-0.003, 0.003))
def test_bending_undoes_straightening(x, y, k1, k2, p1):
    lens = Lens(171.0, 171.0, 80.5, 58.5, k1, k2, p1, -p1)
    straight = straighten_points([[x, y]], lens)
    assert bend_points(straight, lens)[0] == pytest.approx([x, y], abs=1e-6)


def test_what_no_pinhole_shows_is_nan():
    assert np.isnan(straighten_points([[400.0, 300.0]], barrel_lens(SHAPE, -0.9, 0.0))).all()


def test_a_straightened_image_shows_straight_lines_and_the_same_temperatures():
    lens = barrel_lens(SHAPE)
    y, x = np.indices(SHAPE, dtype=float)
    straight_y = straighten_points(np.column_stack([x.ravel(), y.ravel()]), lens)[:, 1].reshape(SHAPE)
    # A scene that changes only downwards, seen through the lens; one dead pixel.
    values = 25.0 + 0.1 * straight_y
    values[40, 50] = np.nan
    image = ThermalImage(values, 0.05, 1.15, (8.0, 14.0), 0.6)
    found = straighten_image(image, lens).apparent_c
    seen = np.isfinite(found)
    assert found[seen] == pytest.approx((25.0 + 0.1 * y)[seen], abs=5e-3)
    # The dead pixel takes those with it that it touches, and no more than 7 x 7.
    assert 1 <= np.count_nonzero(~seen) <= 49
