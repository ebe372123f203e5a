import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from thermscan.errors import InputError
from thermscan.radiometry.noise import frame_noise
from thermscan.radiometry.pattern_noise import measure_pattern_noise


def crowded_board(rng, shape):
    """120 bodies at random places, turned at random, blurred like a lens does."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    scene = np.full(shape, 28.0)
    for _ in range(120):
        angle, (cy, cx) = rng.uniform(0, np.pi), rng.uniform(0, 1, 2) * shape
        u, v = (x - cx) * np.cos(angle) + (y - cy) * np.sin(angle), (y - cy) * np.cos(angle) - (x - cx) * np.sin(angle)
        inside = (abs(u) < rng.uniform(2, shape[1] / 25)) & (abs(v) < rng.uniform(2, shape[0] / 40))
        scene[inside] += rng.uniform(-3, 15)
    return gaussian_filter(scene, 0.6)


# On a small frame nearly every block of 12 pixels holds an edge, and some of it counts; a median over the whole frame
# would be 90 % too high there.
@pytest.mark.parametrize(("shape", "excess"), [((120, 160), 0.35), ((192, 256), 0.2), ((320, 400), 0.1)])
@pytest.mark.parametrize("noise_k", [0.03, 0.08])
def test_noise_is_found_under_a_crowded_board(shape, excess, noise_k):
    rng = np.random.default_rng(5)
    found = [frame_noise(crowded_board(rng, shape) + rng.normal(0.0, noise_k, shape)) for _ in range(3)]
    assert 0.95 * noise_k <= np.mean(found) <= (1 + excess) * noise_k


@pytest.mark.parametrize("shape", [(120, 160), (240, 320)])
def test_pure_noise_is_measured_without_bias(shape):
    rng = np.random.default_rng(6)
    found = [frame_noise(rng.normal(0.0, 1.0, shape)) for _ in range(40)]
    assert np.mean(found) == pytest.approx(1.0, abs=0.02)


def test_bad_pixels_do_not_count_and_too_few_are_told():
    rng = np.random.default_rng(7)
    frame = rng.normal(20.0, 0.05, (60, 80))
    frame[rng.random(frame.shape) < 0.02] = np.nan
    assert frame_noise(frame) == pytest.approx(0.05, rel=0.1)
    assert frame_noise(np.full((60, 80), np.nan)) is None
    assert frame_noise(frame[:2]) is None


def flat_recording(rng, shape=(60, 80), frames=40, **kinds):
    """A flat scene with each kind of noise at its own strength."""
    n, (rows, cols) = frames, shape
    sizes = {
        "pixel": (n, rows, cols),
        "row": (n, rows, 1),
        "column": (n, 1, cols),
        "frame": (n, 1, 1),
        "fixed_pixel": (1, rows, cols),
        "fixed_row": (1, rows, 1),
        "fixed_column": (1, 1, cols),
    }
    cube = np.full((n, rows, cols), 25.0)
    for kind, size in sizes.items():
        cube = cube + rng.normal(0.0, kinds.get(kind, 0.0), size)
    return cube


KINDS = {
    "pixel": 0.05,
    "row": 0.02,
    "column": 0.01,
    "frame": 0.03,
    "fixed_pixel": 0.04,
    "fixed_row": 0.03,
    "fixed_column": 0.05,
}


def test_each_kind_of_noise_is_told_from_the_others():
    found = measure_pattern_noise(flat_recording(np.random.default_rng(8), **KINDS))
    # Single pixels are many. Rows (60), columns (80) and frames (40) are few: their spread is known to 1 / sqrt(2 n).
    for kind, tolerance in (("pixel", 0.01), ("fixed_pixel", 0.03), ("row", 0.06), ("column", 0.1)):
        assert getattr(found, kind) == pytest.approx(KINDS[kind], rel=tolerance), kind
    for kind, number in (("frame", 40), ("fixed_row", 60), ("fixed_column", 80)):
        assert getattr(found, kind) == pytest.approx(KINDS[kind], rel=3 / np.sqrt(2 * number)), kind
    assert not found.dead.any()


def test_pixel_noise_alone_is_no_pattern():
    found = measure_pattern_noise(flat_recording(np.random.default_rng(9), pixel=0.05))
    assert found.pixel == pytest.approx(0.05, rel=0.01)
    # What is left of each after its share of the pixels' noise is taken off is a tenth of a hundredth kelvin or so.
    assert max(found.row, found.column, found.frame, found.fixed_pixel, found.fixed_row, found.fixed_column) < 0.004


def test_shading_and_drift_are_told_apart_from_patterns():
    cube = flat_recording(np.random.default_rng(10), pixel=0.05)
    cube += 0.6 * np.linspace(-1, 1, 80) ** 2 + 0.001 * np.arange(40)[:, None, None]
    found = measure_pattern_noise(cube, times_s=np.arange(40) * 0.5)
    assert found.shading == pytest.approx(0.6, abs=0.02)
    assert found.drift_per_minute == pytest.approx(0.001 / 0.5 * 60, rel=0.05)
    assert max(found.fixed_column, found.frame) < 0.005


def test_shading_that_changes_and_noise_that_neighbours_share_are_told():
    rng = np.random.default_rng(12)
    even = measure_pattern_noise(flat_recording(rng, pixel=0.05))
    assert even.shared == 0.0
    assert even.shading_change < 0.002
    cube = flat_recording(rng, frames=60, pixel=0.05)
    bowl = np.linspace(-1, 1, 80) ** 2
    bowl = (bowl - bowl.mean()) / bowl.std()
    cube += 0.04 * rng.standard_normal((60, 1, 1)) * bowl
    # Patches of 3 px: white noise through a Gaussian keeps 1 / (4 pi s^2) of its variance.
    white = rng.standard_normal((60, 60, 80))
    cube += 0.03 * np.sqrt(4 * np.pi) * 3.0 * np.array([gaussian_filter(one, 3.0, mode="wrap") for one in white])
    found = measure_pattern_noise(cube)
    # 60 frames tell a standard deviation to 9 %.
    assert found.shading_change == pytest.approx(0.04, rel=0.2)
    # Means of rows and columns take 2 sqrt(pi) s / 80 and / 60 of the patches' variance with them.
    left = 1 - 2 * np.sqrt(np.pi) * 3.0 * (1 / 80 + 1 / 60)
    assert found.shared == pytest.approx(0.03 * np.sqrt(left), rel=0.06)


def test_dead_stuck_flickering_and_straying_pixels_are_found():
    rng = np.random.default_rng(11)
    cube = flat_recording(rng, pixel=0.05)
    cube[:, 3, 4], cube[:, 10, 20], cube[7, 30, 40] = 25.0, cube[:, 10, 20] + 2.0, np.nan
    cube[:, 50, 60] += rng.normal(0.0, 0.5, 40)
    found = measure_pattern_noise(cube)
    assert np.argwhere(found.dead).tolist() == [[3, 4], [10, 20], [30, 40], [50, 60]]


@pytest.mark.parametrize(
    ("cube", "text"),
    [
        (np.zeros((3, 60, 80)), "record 8 frames or more of a flat scene"),
        (np.zeros((20, 4, 80)), "is too small"),
        (np.full((20, 60, 80), 25.0), "most pixels are stuck"),
        (np.full((20, 60, 80), np.nan), "most pixels are stuck or have no value"),
    ],
)
def test_a_recording_that_tells_nothing_is_refused(cube, text):
    with pytest.raises(InputError, match=text):
        measure_pattern_noise(cube)
