"""Hand-held frames of one view: aligned on pictures nobody here made, and averaged honestly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from skimage import data

from thermscan.coordinates import map_points, pixel_centres
from thermscan.errors import InputError
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.recordings.averaging import align_views, separate_views
from thermscan.registration.recordings.merging import fine_grid, merge_views
from thermscan.registration.recordings.recording_motion import recording_motion

SHAPE = (180, 240)
BOX = np.array([[0.0, 0.0], [239.0, 0.0], [239.0, 179.0], [0.0, 179.0]])
NOISE_K = 0.05


def _scene(name: str) -> np.ndarray:
    """A bundled photograph, 256 grey levels spread over 25 K."""
    return cv2.GaussianBlur(getattr(data, name)().astype(np.float32) / 10, (0, 0), 1.0)


def _frame(scene: np.ndarray, moved_px: np.ndarray, seed: int, *, noise_k: float = NOISE_K) -> ThermalImage:
    """What a camera sees of the scene's middle when the frame's corners move so."""
    matrix = homography_from_corners(BOX, BOX + moved_px)
    middle = (np.array(scene.shape[::-1]) - SHAPE[::-1]) / 2
    x, y = (map_points(matrix, pixel_centres(SHAPE)) + middle).T
    # Splines, since the cubic kernel of OpenCV displaces a picture by up to 0.04 px.
    seen = map_coordinates(scene, [y, x], order=3).reshape(SHAPE)
    noise = np.random.default_rng(seed).normal(0, noise_k, SHAPE)
    return ThermalImage(20 + seen + noise, noise_k, 2.0, (8.0, 14.0), 0.6)


@pytest.mark.parametrize("name", ["camera", "coins", "brick", "grass"])
def test_a_known_motion_of_a_known_picture_is_found(name: str) -> None:
    scene, rng = _scene(name), np.random.default_rng(7)
    moved = rng.normal(0, 4, 2) + rng.normal(0, 0.5, (4, 2))
    first, other = _frame(scene, np.zeros((4, 2)), 1), _frame(scene, moved, 2)
    (drift,) = recording_motion(first.apparent_c.astype(np.float32), [other.apparent_c.astype(np.float32)])
    assert drift is not None
    true = np.linalg.inv(homography_from_corners(BOX, BOX + moved))
    middle = pixel_centres((4, 5)) * 40 + 40
    apart = map_points(drift.other_from_first, middle) - map_points(true, middle)
    assert np.abs(apart).max() < 0.1
    assert drift.likeness > 0.9


def test_averaging_lowers_the_noise_as_it_says() -> None:
    scene, rng = _scene("camera"), np.random.default_rng(8)
    frames = [_frame(scene, rng.normal(0, 2, 2) * (k > 0) + np.zeros((4, 2)), k) for k in range(8)]
    mean = align_views(frames).mean()
    assert mean.frames == 8
    assert mean.noise_k == pytest.approx(NOISE_K / np.sqrt(8))
    clean = _frame(scene, np.zeros((4, 2)), 0, noise_k=0.0).apparent_c
    inner = np.s_[20:-20, 20:-20]
    rest = (mean.apparent_c - clean)[inner]
    # Interpolation errs at the photograph's sharpest edges: the median ignores those.
    assert 1.4826 * np.median(np.abs(rest - np.median(rest))) < 1.6 * mean.noise_k


def test_frozen_blocked_and_foreign_frames_are_left_out_and_counted() -> None:
    scene = _scene("camera")
    frames = [_frame(scene, np.full((4, 2), 0.7 * k), k) for k in range(5)]
    shutter = ThermalImage(np.random.default_rng(9).normal(30, NOISE_K, SHAPE), NOISE_K, 2.0, (8.0, 14.0), 0.6)
    other = _frame(_scene("coins"), np.zeros((4, 2)), 11)
    mean = align_views([*frames, frames[3], shutter, other]).mean()
    assert mean.frames == 5
    told = " / ".join(mean.remarks)
    assert "1 of 8 frames left out: exact repeats" in told
    assert "without detail" in told
    assert "another view" in told


def test_different_views_are_not_averaged() -> None:
    with pytest.raises(InputError, match="do not show the same view"):
        align_views(
            [_frame(_scene("camera"), np.zeros((4, 2)), 1), _frame(_scene("coins"), np.zeros((4, 2)), 2)]
        ).mean()


def test_frames_of_different_sizes_are_refused() -> None:
    small = ThermalImage(np.zeros((10, 12)), 0.05, 2.0, (8.0, 14.0), 0.6)
    with pytest.raises(InputError, match="different sizes"):
        align_views([_frame(_scene("camera"), np.zeros((4, 2)), 1), small]).mean()


def test_a_bad_pixel_is_filled_by_the_other_frames() -> None:
    scene = _scene("camera")
    frames = [_frame(scene, np.full((4, 2), 1.3 * k), k) for k in range(4)]
    holed = frames[0].apparent_c.copy()
    holed[90, 120] = np.nan
    first = ThermalImage(holed, NOISE_K, 2.0, (8.0, 14.0), 0.6)
    mean = align_views([first, *frames[1:]]).mean()
    # As the first frame would have read there, within three deviations of the noise of both.
    assert mean.apparent_c[90, 120] == pytest.approx(
        frames[0].apparent_c[90, 120], abs=3 * NOISE_K * (1 + 1 / 3) ** 0.5
    )


def test_one_frame_passes_through_unchanged() -> None:
    frame = _frame(_scene("camera"), np.zeros((4, 2)), 1)
    assert np.array_equal(align_views([frame]).mean().apparent_c, frame.apparent_c)


def _held(seed: int, *, count: int, jump_px: float = 0.0, turn_deg: float = 0.0) -> list[np.ndarray]:
    """Corners of a hand-held view, frame by frame; after half of them it is somewhere else."""
    rng = np.random.default_rng(seed)
    walk = np.cumsum(rng.normal(0, 0.4, (count, 2)), axis=0)
    turn = np.radians(turn_deg)
    turned = (BOX - BOX.mean(axis=0)) @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    there = turned + BOX.mean(axis=0) - BOX + [jump_px, -jump_px / 2]
    return [walk[k] + rng.normal(0, 0.3, (4, 2)) + (there if 2 * k >= count else 0) for k in range(count)]


@pytest.mark.parametrize("name", ["camera", "brick"])
def test_a_view_is_found_again_after_a_hand_and_a_jump(name: str) -> None:
    scene, moves = _scene(name), _held(21, count=8, jump_px=0.24 * SHAPE[1], turn_deg=9.0)
    first = _frame(scene, np.zeros((4, 2)), 1)
    frames = [_frame(scene, move, k + 2) for k, move in enumerate(moves)]
    hand = cv2.GaussianBlur(np.random.default_rng(5).normal(33, 9, SHAPE), (0, 0), 25)
    hands = [ThermalImage(hand + 0.1 * k, NOISE_K, 2.0, (8.0, 14.0), 0.6) for k in range(3)]
    pictures = [image.apparent_c.astype(np.float32) for image in (*frames[:4], *hands, *frames[4:])]
    drifts = recording_motion(first.apparent_c.astype(np.float32), pictures)
    assert [drift is None for drift in drifts] == [False] * 4 + [True] * 3 + [False] * 4
    middle = pixel_centres((3, 4)) * 40 + 60
    for drift, move in zip([each for each in drifts if each is not None], moves, strict=True):
        true = np.linalg.inv(homography_from_corners(BOX, BOX + move))
        assert np.abs(map_points(drift.other_from_first, middle) - map_points(true, middle)).max() < 0.1


def test_parts_that_warm_do_not_pull_the_motion() -> None:
    scene, moves = _scene("camera"), _held(22, count=6)
    rows, cols = np.indices(SHAPE)
    first = _frame(scene, np.zeros((4, 2)), 1).apparent_c.astype(np.float32)
    places = np.random.default_rng(6).uniform([60, 50], [180, 130], (6, 2))
    pictures = []
    for k, move in enumerate(moves):
        warmed = _frame(scene, move, k + 2).apparent_c
        for place in map_points(np.linalg.inv(homography_from_corners(BOX, BOX + move)), places):
            body = (np.abs(cols - place[0]) < 7) & (np.abs(rows - place[1]) < 5)
            halo = np.exp(-((cols - place[0]) ** 2 + (rows - place[1]) ** 2) / 2 / 12**2)
            warmed = warmed + k * (2.0 * cv2.GaussianBlur(body.astype(float), (0, 0), 0.7) + halo)
        pictures.append(warmed.astype(np.float32))
    middle = pixel_centres((3, 4)) * 40 + 60
    for drift, move in zip(recording_motion(first, pictures), moves, strict=True):
        true = np.linalg.inv(homography_from_corners(BOX, BOX + move))
        assert drift is not None
        assert np.abs(map_points(drift.other_from_first, middle) - map_points(true, middle)).max() < 0.1


def test_what_only_a_few_frames_show_is_not_averaged() -> None:
    scene = _scene("camera")
    frames = [_frame(scene, np.full((4, 2), 0.3 * k), k) for k in range(8)]
    probed = frames[4].apparent_c.copy()
    probed[80:110, 100:104] += 12.0
    frames[4] = ThermalImage(probed, NOISE_K, 2.0, (8.0, 14.0), 0.6)
    clean = align_views([image for k, image in enumerate(frames) if k != 4]).mean()
    mean = align_views(frames).mean()
    assert mean.frames == 8
    assert np.abs(mean.apparent_c - clean.apparent_c)[82:108, 95:106].max() < 0.5


def test_a_hand_before_the_first_frame_does_not_spoil_the_others() -> None:
    scene = _scene("camera")
    frames = [_frame(scene, np.full((4, 2), 0.5 * k), k) for k in range(4)]
    mean = align_views([_frame(_scene("coins"), np.zeros((4, 2)), 11), *frames]).mean()
    assert mean.frames == 4
    assert "corners are those of a later one" in " / ".join(mean.remarks)


def _seen_sharply(count: int, *, still: bool = False) -> tuple[list[ThermalImage], np.ndarray]:
    """Frames whose optics blur by 0.6 px, and what they would show without any blur on a grid twice as fine."""
    sharp = cv2.resize(_scene("camera"), None, fx=4.0, fy=4.0, interpolation=cv2.INTER_LANCZOS4)
    sharp = sharp[600:1400, 500:1560]
    blurred = cv2.GaussianBlur(sharp, (0, 0), 4 * float(np.hypot(0.6, 0.29)))
    rng = np.random.default_rng(31)
    frames = []
    for k in range(count):
        shift = np.zeros(2) if k == 0 or still else rng.uniform(-2, 2, 2)
        x, y = ((pixel_centres(SHAPE) + shift + 10.0).T + 0.5) * 4 - 0.5
        seen = map_coordinates(blurred, [y, x], order=1).reshape(SHAPE)
        frames.append(ThermalImage(20 + seen + rng.normal(0, NOISE_K, SHAPE), NOISE_K, 2.0, (8.0, 14.0), 0.6))
    fine = map_points(np.linalg.inv(fine_grid(2)), pixel_centres((2 * SHAPE[0], 2 * SHAPE[1])))
    x, y = ((fine + 10.0).T + 0.5) * 4 - 0.5
    return frames, 20 + map_coordinates(sharp, [y, x], order=1).reshape(2 * SHAPE[0], 2 * SHAPE[1])


def test_frames_merged_are_nearer_to_the_scene_than_their_mean() -> None:
    frames, truth = _seen_sharply(12)
    views = align_views(frames)
    merged = merge_views(views, blur_px=0.6)
    assert merged is not None
    plain = cv2.resize(views.mean().apparent_c, truth.shape[::-1], interpolation=cv2.INTER_CUBIC)
    inner = np.s_[20:-20, 20:-20]
    errors = [float(np.std((picture - truth)[inner])) for picture in (merged.image.apparent_c, plain)]
    # The optics' and the pixels' blur is most of the error, and most of that is undone.
    assert errors[0] < 0.7 * errors[1]
    assert merged.image.noise_k <= 0.5 * NOISE_K


def test_frames_that_show_one_phase_or_are_few_are_not_merged() -> None:
    still, _ = _seen_sharply(12, still=True)
    few, _ = _seen_sharply(4)
    assert merge_views(align_views(still), blur_px=0.6) is None
    assert merge_views(align_views(few), blur_px=0.6) is None


def test_frames_from_other_sides_are_views_of_their_own() -> None:
    """Seen from elsewhere a board is foreshortened: such frames are not averaged, whatever their order."""
    scene = _scene("coins")
    slanted = np.array([[18.0, 10.0], [-6.0, -4.0], [-8.0, 6.0], [22.0, -14.0]])
    corners = [np.zeros((4, 2)), slanted, np.full((4, 2), 1.5), slanted + 0.8]
    frames = [_frame(scene, each, k) for k, each in enumerate(corners)]
    names = ["a.tiff", "b.tiff", "c.tiff", "d.tiff"]
    assert [sorted(view.numbers) for view in separate_views(frames, names)] == [[0, 2], [1, 3]]
    turned = separate_views(frames[::-1], names[::-1])
    assert [sorted(view.numbers) for view in turned] == [[0, 2], [1, 3]]


def test_frames_without_any_detail_are_frames_all_the_same() -> None:
    # What cannot be made out in them is for placing to say: a frame of one value is refused there, not lost here.
    shut = ThermalImage(np.full(SHAPE, 22.0), 0.0, 2.0, (8.0, 14.0), 0.6)
    assert align_views([shut]).numbers == (0,)
