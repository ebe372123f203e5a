"""
How fast and how well a hand-held recording is followed, against reference libraries in the same run.

python tests/benchmarks/drift.py --boards 4 --frames 24

Frames a second stand beside a floor measured in the same run: one cv2.warpPerspective and one cv2.GaussianBlur
(sigma 1) a frame, on as many threads. Errors are at the corners of the part of the frame that holds the scene.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from skimage import data
from skimage.registration import phase_cross_correlation

sys.path.insert(0, str(Path(__file__).parents[2]))

from samples.simulator import Pose, render_frame, sample_board, sample_pose, sample_powers, solve_board
from thermscan.coordinates import map_points, pixel_centres
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.recordings.recording_motion import recording_motion

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]
SHAPE = (240, 320)
PHOTOGRAPHS = ("camera", "coins", "brick", "grass", "gravel", "moon", "page", "text")
LOST_PX = 3.0


@dataclass(frozen=True)
class Recording:
    """Frames of one view, where the first one's pixels truly are in each, and points to judge by."""

    name: str
    frames: list[Float32]
    true: list[FloatArray]
    points: FloatArray


def simulated(seed: int, count: int, *, netd_k: float = 0.05) -> Recording:
    """A board warming by some kelvins while a hand holds the camera."""
    rng = np.random.default_rng(seed)
    board = sample_board(rng)
    powers = sample_powers(rng, board)
    pose = sample_pose(rng, board, SHAPE)
    fields = [
        solve_board(board, {ref: share * watts for ref, watts in powers.items()}, ambient_c=23.0)
        for share in (0.9, 1.0)
    ]
    poses = [pose, *_hand_held(rng, pose, count - 1)]
    seeing = int(rng.integers(1 << 31))
    frames = []
    for k, each in enumerate(poses):
        # The bench, and each part's true emissivity, stay the same; the noise does not.
        later = fields[round(k / max(count - 1, 1))]
        seen = render_frame(later, board, each, rng=np.random.default_rng(seeing), netd_k=0.0, subsamples=3)
        frames.append((seen.apparent_c + rng.normal(0, netd_k, SHAPE)).astype(np.float32))
    matrices = [each.px_from_mm @ np.linalg.inv(pose.px_from_mm) for each in poses]
    return Recording(f"board {seed}", frames, matrices, pose.px(board.corners_mm))


def _hand_held(rng: np.random.Generator, pose: Pose, count: int) -> list[Pose]:
    """The same place, a little farther in a random walk with each frame: about a pixel a frame."""
    turn, place, found = np.zeros(3), np.zeros(3), []
    a_px = pose.position_mm[2] / pose.intrinsic[0, 0]
    for _ in range(count):
        turn += rng.normal(0, 0.002, 3)
        place += rng.normal(0, [a_px, a_px, 2 * a_px])
        rotation = cv2.Rodrigues(turn)[0]
        found.append(
            Pose(
                pose.intrinsic,
                rotation @ pose.rotation,
                rotation @ pose.position_mm + place,
                pose.shape,
                pose.tilt_deg,
                pose.turn_deg,
                pose.fov_deg,
            )
        )
    return found


def photographed(name: str, seed: int, count: int, *, noise_k: float = 0.05) -> Recording:
    """A bundled photograph, 256 grey levels spread over 25 K, moved by known homographies."""
    scene = cv2.GaussianBlur(getattr(data, name)().astype(np.float32) / 10, (0, 0), 1.0)
    scale = max(1.0, (SHAPE[0] + 40) / scene.shape[0], (SHAPE[1] + 40) / scene.shape[1])
    scene = (
        cv2.resize(scene, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        if scale == 1
        else cv2.resize(scene, None, fx=scale, fy=scale, interpolation=cv2.INTER_LANCZOS4)
    )
    rng = np.random.default_rng(seed)
    box = np.array([[0, 0], [SHAPE[1] - 1, 0], [SHAPE[1] - 1, SHAPE[0] - 1], [0, SHAPE[0] - 1]], dtype=np.float64)
    middle = (np.array(scene.shape[::-1]) - SHAPE[::-1]) / 2
    walk = np.cumsum(rng.normal(0, 1.0, (count, 2)), axis=0)
    frames, true = [], []
    for k in range(count):
        moved = 0 * box if k == 0 else np.clip(walk[k], -15, 15) + rng.normal(0, 0.7, (4, 2))
        matrix = homography_from_corners(box, box + moved)
        x, y = (map_points(matrix, pixel_centres(SHAPE)) + middle).T
        seen = map_coordinates(scene, [y, x], order=3, mode="nearest").reshape(SHAPE)
        frames.append((20 + seen + rng.normal(0, noise_k, SHAPE)).astype(np.float32))
        true.append(np.linalg.inv(matrix))
    inner = box.mean(axis=0) + 0.8 * (box - box.mean(axis=0))
    return Recording(name, frames, true, inner)


def ours(frames: list[Float32]) -> list[FloatArray | None]:
    drifts = recording_motion(frames[0], frames[1:])
    return [np.eye(3), *(None if drift is None else drift.other_from_first for drift in drifts)]


def enhanced_correlation(frames: list[Float32]) -> list[FloatArray | None]:
    """OpenCV's findTransformECC with a homography, from the motion before."""
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 50, 1e-5)
    found: list[FloatArray | None] = [np.eye(3)]
    last = np.eye(3, dtype=np.float32)
    for frame in frames[1:]:
        try:
            _, last = cv2.findTransformECC(frames[0], frame, last.copy(), cv2.MOTION_HOMOGRAPHY, stop, None, 5)
            found.append(last.astype(np.float64))
        except cv2.error:
            found.append(None)
    return found


def phase_opencv(frames: list[Float32]) -> list[FloatArray | None]:
    window = cv2.createHanningWindow(SHAPE[::-1], cv2.CV_32F)
    return [_shift(*cv2.phaseCorrelate(frames[0], frame, window)[0]) for frame in frames]


def phase_skimage(frames: list[Float32]) -> list[FloatArray | None]:
    shifts = [phase_cross_correlation(frame, frames[0], upsample_factor=20)[0] for frame in frames]
    return [_shift(x, y) for y, x in shifts]


def _shift(x: float, y: float) -> FloatArray:
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])


def floor(frames: list[Float32]) -> list[FloatArray | None]:
    """No method: the least that any would do with a frame."""
    for frame in frames:
        cv2.GaussianBlur(cv2.warpPerspective(frame, np.eye(3) + 1e-4, SHAPE[::-1]), (0, 0), 1.0)
    return [None] * len(frames)


METHODS: dict[str, Callable[[list[Float32]], list[FloatArray | None]]] = {
    "floor": floor,
    "ours": ours,
    "enhanced correlation": enhanced_correlation,
    "phase correlation, OpenCV": phase_opencv,
    "phase correlation, scikit-image": phase_skimage,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=4)
    parser.add_argument("--frames", type=int, default=24)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--threads", type=int, default=2, help="of OpenCV")
    given = parser.parse_args()
    cv2.setNumThreads(given.threads)
    kinds = {
        "simulated boards": [simulated(given.first + k, given.frames) for k in range(given.boards)],
        "photographs": [photographed(name, given.first + k, given.frames) for k, name in enumerate(PHOTOGRAPHS)],
    }
    print(f"{SHAPE[1]} x {SHAPE[0]}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    for kind, recordings in kinds.items():
        print(f"\n{kind}: {len(recordings)} recordings of {given.frames} frames")
        print(f"{'':32} {'frames/s':>8} {'CPU ms':>8} {'RMS px':>8} {'95 %':>8} {'worst':>8} {'lost':>6}")
        for name, method in METHODS.items():
            print(f"{name:32} {_line(method, recordings)}")


def _line(method: Callable[[list[Float32]], list[FloatArray | None]], recordings: list[Recording]) -> str:
    """Speed, and errors of the frames that are not lost (not told, or more than some pixels off)."""
    count = sum(len(recording.frames) for recording in recordings)
    start, cpu = time.perf_counter(), time.process_time()
    found = [method(recording.frames) for recording in recordings]
    seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
    speed = f"{count / seconds:8.0f} {1e3 * cpu / count:8.2f}"
    if method is floor:
        return speed
    errors, lost = [], 0
    for recording, matrices in zip(recordings, found, strict=True):
        for true, matrix in zip(recording.true[1:], matrices[1:], strict=True):
            if matrix is None:
                lost += 1
                continue
            apart = map_points(matrix, recording.points) - map_points(true, recording.points)
            error = float(np.sqrt((apart**2).sum(axis=1).mean()))
            lost += error > LOST_PX
            errors += [error] if error <= LOST_PX else []
    far = np.array(errors) if errors else np.array([np.nan])
    rms = float(np.sqrt((far**2).mean()))
    return f"{speed} {rms:8.3f} {np.percentile(far, 95):8.3f} {far.max():8.3f} {lost:6d}"


if __name__ == "__main__":
    main()
