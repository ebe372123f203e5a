"""Each flaw is called where it was put in, and nothing is called in sound frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, shift

from tests.frames.test_noise_and_repair import as_frame, bench
from thermscan.errors import CannotJudge
from thermscan.frames.focus import edge_blur_px
from thermscan.frames.frame import Frame, FrameSource
from thermscan.frames.quality import assess_frames, check_detail, quality_remarks
from thermscan.frames.recording import averaging_correlation, flickering_pixels
from thermscan.frames.steps import value_steps
from thermscan.frames.stripes import find_stripes

SEEDS = range(6)


def codes(*pages, unit="C", ambient_c=None, stored_as="float32"):
    source = FrameSource(Path("soak.tiff"), 0, "0" * 64, "TIFF", stored_as)
    frames = [Frame(page, unit, "given", source) for page in pages]
    return [remark.code for remark in assess_frames(frames, ambient_c=ambient_c).remarks]


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("digits", [1, 2, 4])
def test_nothing_is_said_against_a_sound_frame(seed, digits):
    scene = bench(np.random.default_rng(seed))
    assert codes(np.round(scene, digits), ambient_c=22.0) == []
    assert codes(np.round(100 * (scene + 273.15)), unit="cK", stored_as="uint16") == []


@pytest.mark.parametrize("seed", SEEDS)
def test_nothing_is_said_against_a_hand_held_recording_of_a_warming_board(seed):
    rng = np.random.default_rng(seed)
    scene = bench(rng, noise_k=0.0, blur_px=0.8)
    pages = [
        shift(scene, 0.3 * rng.standard_normal(2), mode="nearest", order=1)
        + 0.02 * n * (scene - 22.0) / 10.0
        + 0.05 * rng.standard_normal(scene.shape)
        for n in range(8)
    ]
    assert codes(*pages, ambient_c=22.0) == []


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("blur_px", [0.4, 0.8, 1.2, 2.0, 3.0, 4.0, 5.0, 6.0])
def test_blur_is_never_overstated_so_that_only_a_defocused_board_is_called(seed, blur_px):
    # As with a lens: first the blur, then the noise. Defocus runs neighbouring edges together, which looks sharper.
    blurred = bench(np.random.default_rng(seed), noise_k=0.0, blur_px=blur_px)
    frame = blurred + 0.05 * np.random.default_rng(seed).standard_normal(blurred.shape)
    found = edge_blur_px(frame)
    assert 0.5 * blur_px - 0.7 < found < 1.15 * blur_px + 0.3
    if blur_px <= 2.0:
        assert "soft-edges" not in codes(frame)
    if blur_px >= 5.0:
        assert "soft-edges" in codes(frame)


def test_a_view_with_a_warm_spot_and_no_edges_says_nothing_about_focus():
    y, x = np.mgrid[-60:60, -80:80]
    spot = 22.0 + 30.0 * np.exp(-(x**2 + y**2) / 200.0) + 0.05 * np.random.default_rng(1).standard_normal(x.shape)
    assert edge_blur_px(spot) is None


@pytest.mark.parametrize("size_k", [0.1, 0.3])
@pytest.mark.parametrize("axis", [0, 1])
def test_stripes_come_back_at_their_size_and_direction(size_k, axis):
    rng = np.random.default_rng(3)
    for seed in SEEDS:
        scene = bench(np.random.default_rng(seed))
        offsets = size_k * rng.standard_normal(scene.shape[1 - axis])
        striped = scene + (offsets if axis == 0 else offsets[:, None])
        found = find_stripes(striped)
        seen, other = (found.columns, found.rows) if axis == 0 else (found.rows, found.columns)
        # A spread estimated robustly from about 100 lines is known to 12 %.
        assert seen == pytest.approx(size_k, rel=0.4)
        assert other < 0.03
        assert "stripes" in codes(striped)


@pytest.mark.parametrize("span_k", [14.0, 37.0, 100.0])
def test_eight_bit_data_stretched_over_a_range_is_called(span_k):
    scene = bench(np.random.default_rng(4), shape=(120, 160), noise_k=0.08)
    grey = np.clip(np.round(255 * (scene - 20.0) / span_k), 0, 255)
    stretched = np.round(20.0 + grey * span_k / 255, 2)
    assert value_steps(stretched).from_bytes
    assert "eight-bit" in codes(stretched)
    assert "eight-bit" in codes(np.round(100 * (stretched + 273.15)), unit="cK", stored_as="uint16")


def test_bytes_and_whole_degrees_are_called_by_what_they_are():
    scene = np.round(bench(np.random.default_rng(5)))
    assert codes(scene, stored_as="uint8") == ["eight-bit"]
    assert codes(scene, stored_as="text") == ["coarse-steps"]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_clipped_range_is_called_at_its_end_and_counted(seed):
    scene = bench(np.random.default_rng(seed), parts=30)
    top, bottom = np.percentile(scene, 97.0), 21.98  # the room itself lies at the range's lower end
    assert "saturated-hot" in codes(np.round(np.minimum(scene, top), 2))
    assert "saturated-cold" in codes(np.round(np.maximum(scene, bottom), 2))
    quality = assess_frames([as_frame(np.minimum(scene, top))])
    assert quality.saturated_pixels == int((scene >= top).sum())


def test_frozen_frames_are_counted():
    rng = np.random.default_rng(6)
    scene = bench(rng, noise_k=0.0)
    pages = [scene + 0.05 * rng.standard_normal(scene.shape) for _ in range(4)]
    pages[2] = pages[1]
    quality = assess_frames([as_frame(page) for page in pages])
    assert quality.repeated_frames == 1
    assert [remark.code for remark in quality.remarks] == ["repeated-frames"]
    assert "1 of 4 frames repeat" in str(quality.remarks[0])


@pytest.mark.parametrize("share", [0.5, 0.7, 0.85])
def test_noise_that_the_camera_averages_is_called_with_its_share(share):
    rng = np.random.default_rng(7)
    scene = bench(rng, noise_k=0.0)
    noise = [rng.standard_normal(scene.shape)]
    for _ in range(9):
        noise.append(share * noise[-1] + np.sqrt(1 - share**2) * rng.standard_normal(scene.shape))
    pages = [scene + 0.05 * each for each in noise]
    assert averaging_correlation(pages) == pytest.approx(share, abs=0.1)
    assert codes(*pages) == ["averaged-by-camera"]


@pytest.mark.parametrize("seed", SEEDS)
def test_independent_and_drifting_frames_are_not_called_averaged(seed):
    rng = np.random.default_rng(seed)
    scene = bench(rng, noise_k=0.0)
    still = [scene + 0.05 * rng.standard_normal(scene.shape) for _ in range(8)]
    assert averaging_correlation(still) < 0.1
    drift = rng.standard_normal(scene.shape) * 0.05
    wandering = [page + n * drift for n, page in enumerate(still)]
    share = averaging_correlation(wandering)
    assert share is None or share < 0.3


def test_flickering_pixels_are_called_and_moving_edges_are_not():
    rng = np.random.default_rng(8)
    scene = bench(rng, noise_k=0.0)
    pages = [
        shift(scene, 0.5 * rng.standard_normal(2), mode="nearest", order=1) + 0.05 * rng.standard_normal(scene.shape)
        for _ in range(12)
    ]
    assert not flickering_pixels(pages).any()
    for page in pages:
        page[2, 3] += 2.0 * rng.standard_normal()
    assert np.argwhere(flickering_pixels(pages)).tolist() == [[2, 3]]
    assert "flickering-pixels" in codes(*pages)


def test_a_unit_unlikely_for_a_bench_is_called_with_the_likelier_one():
    fahrenheit = 1.8 * bench(np.random.default_rng(9)) + 32.0
    quality = assess_frames([as_frame(fahrenheit)])
    (remark,) = quality.remarks
    assert remark.code == "unlikely-unit"
    assert "F would be likelier" in remark.sentence


def test_a_noisy_frame_and_one_full_of_holes_are_called():
    rng = np.random.default_rng(10)
    assert codes(bench(rng, noise_k=0.5)) == ["noisy"]
    holes = bench(rng)
    holes[rng.random(holes.shape) < 0.05] = np.nan
    assert codes(holes) == ["many-bad-pixels"]


def test_counts_are_assessed_without_temperatures():
    counts = np.round(8000 + 40 * bench(np.random.default_rng(11)))
    counts[20, 30] = 16383
    assert codes(counts, unit="counts", stored_as="uint16") == ["dead-pixels"]


def test_real_relief_fields_that_nobody_here_made_are_taken_for_neither_bytes_nor_dead_pixels():
    import matplotlib as mpl

    folder = Path(mpl.get_data_path()) / "sample_data"
    with np.load(folder / "jacksboro_fault_dem.npz") as data:
        # Heights in whole metres, squeezed into a bench's range; only the shape of the field is borrowed.
        field = data["elevation"].astype(np.float64)
    scene = 20.0 + 60.0 * (field - field.min()) / np.ptp(field)
    quality = assess_frames([as_frame(gaussian_filter(scene, 0.6))])
    assert quality.dead_pixels == 0
    assert not quality.steps.from_bytes
    assert quality.saturated_pixels == 0


def stored(scene, stored_as):
    return Frame(scene, "C", "given", FrameSource(Path("idle"), 0, "", "TIFF", stored_as))


@pytest.mark.parametrize("step_k", [1 / 64, 1 / 16, 0.04, 0.1])
def test_a_camera_that_counts_in_steps_of_its_own_is_no_eight_bit_picture(step_k):
    rng = np.random.default_rng(8)
    scene = step_k * np.round((22.0 + 100 * step_k * rng.random((120, 160))) / step_k)
    assert not value_steps(scene).from_bytes
    assert not any("eight-bit" in remark for remark in quality_remarks([stored(scene, "float32")]))


@pytest.mark.parametrize("stored_as", ["uint8", "text"])
def test_eight_bit_data_are_not_judged(stored_as):
    grey = np.round(255 * bench(np.random.default_rng(9), shape=(120, 160)) / 60.0)
    scene = grey if stored_as == "uint8" else np.round(20.0 + grey * 37.0 / 255, 2)
    with pytest.raises(
        CannotJudge, match=r"levels of eight-bit data, .* which is not judged; save the camera's full-res"
    ):
        quality_remarks([stored(scene, stored_as)])


def test_frames_that_show_nothing_are_not_judged_while_one_with_detail_is_enough():
    seen = bench(np.random.default_rng(3))
    shut = np.full(seen.shape, 22.0)
    assert "no-detail" in codes(shut, shut)
    assert "no-detail" not in codes(shut, seen)
    check_detail([stored(shut, "float32"), stored(seen, "float32")])
    with pytest.raises(CannotJudge, match="every pixel holds the same value"):
        check_detail([stored(shut, "float32")] * 2)


def test_what_many_files_have_alike_is_told_once_with_their_number():
    rng = np.random.default_rng(10)
    frames = []
    for name in ("a.tiff", "b.tiff", "c.tiff"):
        scene = 22.0 + 9.0 * bench(np.random.default_rng(3)) / 60.0 + rng.normal(0.0, 0.9, bench(rng).shape)
        frames.append(Frame(scene, "C", "given", FrameSource(Path(name), 0, name, "TIFF", "float32")))
    said = quality_remarks(frames)
    noisy = [remark for remark in said if "a pixel's noise is" in remark]
    assert len(noisy) == 1
    assert noisy[0].startswith("a.tiff and 2 more: a pixel's noise is")
    assert quality_remarks(frames[:1])[0].startswith("a.tiff: ")
