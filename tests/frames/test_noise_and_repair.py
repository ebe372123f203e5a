"""Noise comes back as it was put in; dead pixels go and small hot parts stay."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import binary_dilation, gaussian_filter, shift

from thermscan.frames.frame import Frame, FrameSource
from thermscan.frames.noise import spatial_noise, temporal_noise
from thermscan.frames.recording import without_repeats
from thermscan.frames.repair import repair_frames, repair_values


def bench(rng, *, shape=(96, 128), noise_k=0.05, blur_px=0.6, parts=20):
    """A warm board with parts of all sizes, seen through optics, with noise."""
    scene = np.full(shape, 22.0)
    scene[8:-8, 10:-10] += 8.0
    for _ in range(parts):
        row, col = rng.integers(10, shape[0] - 24), rng.integers(12, shape[1] - 28)
        scene[row : row + rng.integers(2, 12), col : col + rng.integers(2, 16)] += rng.uniform(1.0, 25.0)
    return gaussian_filter(scene, blur_px) + noise_k * rng.standard_normal(shape)


def as_frame(values, *, unit="C", page=0, path="soak.tiff"):
    return Frame(values, unit, "given", FrameSource(Path(path), page, "0" * 64, "TIFF", "float32"))


@pytest.mark.parametrize("noise_k", [0.03, 0.05, 0.1, 0.3])
def test_one_frames_noise_is_found_beneath_a_boards_detail(noise_k):
    found = [spatial_noise(bench(np.random.default_rng(seed), noise_k=noise_k)) for seed in range(8)]
    # Edges cross a fifth of the pixels here, which lifts a median of absolute values by up to a quarter.
    assert all(0.95 * noise_k < value < 1.25 * noise_k for value in found)


@pytest.mark.parametrize("noise_k", [0.03, 0.1])
def test_noise_in_time_is_exact_whatever_the_scene(noise_k):
    rng = np.random.default_rng(2)
    scene = bench(rng, noise_k=0.0)
    pages = [scene + 0.3 * n + noise_k * rng.standard_normal(scene.shape) for n in range(6)]
    # 12 000 pixels and five differences: the robust spread is known to about 1 %.
    assert temporal_noise(pages) == pytest.approx(noise_k, rel=0.04)


def test_noise_in_time_is_not_raised_by_a_hand_that_moves():
    rng = np.random.default_rng(2)
    scene = bench(rng, noise_k=0.0)
    pages = [
        shift(scene, 0.5 * rng.standard_normal(2), mode="nearest", order=1) + 0.05 * rng.standard_normal(scene.shape)
        for _ in range(6)
    ]
    assert temporal_noise(pages) == pytest.approx(0.05, rel=0.1)


def test_repeated_frames_do_not_make_the_noise_smaller():
    rng = np.random.default_rng(3)
    pages = [22.0 + 0.05 * rng.standard_normal((40, 50)) for _ in range(3)]
    assert temporal_noise([pages[0], pages[0], pages[1], pages[1], pages[1], pages[2]]) == pytest.approx(0.05, rel=0.06)
    assert temporal_noise([pages[0], pages[0]]) is None


@given(st.floats(-50, 500), st.floats(0.5, 4.0))
def test_noise_knows_no_offset_and_goes_with_scale(offset, scale):
    field = np.random.default_rng(4).standard_normal((30, 40))
    assert spatial_noise(offset + scale * field) == pytest.approx(scale * spatial_noise(field), rel=1e-6)


def test_too_small_a_frame_has_no_noise_that_can_be_told():
    assert spatial_noise(np.zeros((2, 50))) is None
    assert spatial_noise(np.full((20, 20), np.nan)) is None


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    blur_px=st.floats(0.4, 1.5),
    noise_k=st.floats(0.03, 0.08),
    size=st.integers(1, 4),
    rise_k=st.floats(2.0, 80.0),
)
def test_no_small_hot_part_is_ever_taken_for_a_dead_pixel(seed, blur_px, noise_k, size, rise_k):
    rng = np.random.default_rng(seed)
    # Three sub-pixels a pixel, so that the optics and the pixel's area blur the part as they do in a camera.
    fine = np.full((3 * 40, 3 * 40), 22.0)
    row, col = rng.integers(40, 70, 2)
    fine[row : row + 3 * size, col : col + 3 * size] += rise_k
    frame = gaussian_filter(fine, 3 * blur_px).reshape(40, 3, 40, 3).mean(axis=(1, 3))
    frame += noise_k * rng.standard_normal(frame.shape)
    assert repair_values(frame).count == 0


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), off_k=st.sampled_from([-200.0, -40.0, -5.0, 5.0, 40.0, 300.0]))
def test_dead_pixels_go_wherever_they_are_and_nothing_else_does(seed, off_k):
    rng = np.random.default_rng(seed)
    frame = bench(rng)
    # A lattice with random phase: no two share a neighbour, and some lie on the frame's edge and corners.
    dead = np.zeros(frame.shape, dtype=bool)
    dead[rng.integers(0, 9) :: 16, rng.integers(0, 9) :: 16] = True
    dead[0, 0] = True
    dead[1, :3] = dead[0, 1:3] = False
    spoilt = np.where(dead, 26.0 + off_k, frame)
    repaired = repair_values(spoilt)
    # Beside a dead pixel, on the crest of a hot part's edge, a sound one may look alone; nowhere else, and hardly ever.
    beside = binary_dilation(dead, np.ones((3, 3)))
    assert not np.any(repaired.dead & ~beside)
    assert np.sum(repaired.dead & ~dead) <= 1
    # Parts here reach 100 °C: a pixel that could be one of them may hide at an edge; of those far off, none does.
    if abs(off_k) >= 200.0:
        assert np.all(repaired.dead[dead])
    np.testing.assert_array_equal(repaired.values[~repaired.dead], spoilt[~repaired.dead])
    # Put back from its neighbours, a pixel is right to within what the neighbours themselves differ by.
    assert np.abs(repaired.values - frame)[repaired.dead].max(initial=0.0) < 30.0


def test_two_neighbouring_hot_pixels_are_a_part_not_dead_pixels():
    frame = np.full((20, 20), 22.0)
    frame[10, 10:12] = 80.0
    assert repair_values(frame).count == 0


def test_missing_pixels_stay_missing():
    frame = np.full((20, 20), 22.0)
    frame[3:6, 3:6] = np.nan
    frame[10, 10] = 90.0
    repaired = repair_values(frame)
    assert np.isnan(repaired.values).sum() == 9
    assert repaired.dead.sum() == 1


@pytest.mark.parametrize(("unit", "values"), [("cK", lambda c: 100 * (c + 273.15)), ("F", lambda c: 1.8 * c + 32)])
def test_a_repair_is_the_same_in_every_unit(unit, values):
    frame = bench(np.random.default_rng(9))
    frame[30, 40] = frame[50, 60] = 150.0
    (repaired,) = repair_frames([as_frame(values(frame), unit=unit)])
    np.testing.assert_allclose(repaired.values, values(repair_values(frame).values), rtol=1e-12)
    assert repaired.remarks == ("2 dead pixels were replaced by the median of their neighbours",)


def test_a_sound_frame_is_handed_on_as_it_is():
    frame = as_frame(bench(np.random.default_rng(10)))
    assert repair_frames([frame])[0] is frame


def test_flickering_pixels_of_a_recording_are_replaced_and_counted():
    rng = np.random.default_rng(12)
    scene = bench(rng, noise_k=0.0)
    pages = [scene + 0.05 * rng.standard_normal(scene.shape) for _ in range(10)]
    for page in pages:
        page[40, 50] += 0.8 * rng.standard_normal()
    repaired = repair_frames([as_frame(page, page=n) for n, page in enumerate(pages)])
    assert {frame.remarks for frame in repaired} == {
        ("1 flickering pixel was replaced by the median of its neighbours",)
    }
    around = np.median(scene[39:42, 49:52])
    assert max(abs(frame.values[40, 50] - around) for frame in repaired) < 0.3


def test_repeated_frames_are_left_out_within_a_file_and_said():
    rng = np.random.default_rng(14)
    one, two = bench(rng), bench(rng)
    recording = [as_frame(page, page=n) for n, page in enumerate([one, one, one, two])]
    other = as_frame(two, path="other.tiff")
    kept = without_repeats([*recording, other])
    assert [(frame.source.path.name, frame.source.page) for frame in kept] == [
        ("soak.tiff", 0),
        ("soak.tiff", 3),
        ("other.tiff", 0),
    ]
    assert kept[0].remarks == ("2 of 4 frames repeat the one before and were left out",)
    assert kept[2] is other


def test_frames_of_different_files_are_not_one_recording():
    rng = np.random.default_rng(13)
    frames = [as_frame(bench(rng), path=f"{n}.tiff") for n in range(8)]
    assert [frame.remarks for frame in repair_frames(frames)] == [()] * 8
