"""
How often, how well and how honestly the board is found, against reference libraries in the same run.

python tests/benchmarks/registration.py --boards 200
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.registration import phase_cross_correlation

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.benchmarks.registration_views import BenchmarkView, benchmark_view, part_centres
from thermscan.coordinates import map_points, pixel_centres, sample_bilinear
from thermscan.errors import CannotJudge, ThermscanError
from thermscan.registration.baseline_raster import BaselineRaster
from thermscan.registration.homography import part_uncertainty_mm
from thermscan.registration.register import register_board

FloatArray = NDArray[np.float64]

WRONG_PX = 1.5
MM_PER_PX = 0.5


@dataclass(frozen=True)
class Outcome:
    """One attempt: RMS error over part centres (None: refused), coverage at k = 2, and seconds of CPU."""

    error_px: float | None
    covered: float
    seconds: float


def attempt(view: BenchmarkView, board_view: BenchmarkView, **given: object) -> Outcome:
    """Register one view with the layout of another (the same, unless it is to be refused)."""
    start = time.process_time()
    try:
        found = register_board(view.image, board_view.board, **given)  # type: ignore[arg-type]
    except CannotJudge:
        return Outcome(None, np.nan, time.process_time() - start)
    seconds = time.process_time() - start
    centres = part_centres(board_view.board)
    error = map_points(found.px_from_mm, centres) - map_points(view.px_from_mm, centres)
    away_mm = map_points(found.mm_from_px, map_points(view.px_from_mm, centres)) - centres
    covered = np.abs(away_mm) <= 2 * part_uncertainty_mm(found, centres)[:, None]
    return Outcome(float(np.sqrt((error**2).sum(axis=1).mean())), float(covered.mean()), seconds)


def good_board_picture(view: BenchmarkView) -> BaselineRaster:
    """What a baseline would hold: the view rectified by its true homography."""
    rows, cols = (int(size / MM_PER_PX) for size in (view.board.height_mm, view.board.width_mm))
    centres = (pixel_centres((rows, cols)) + 0.5) * MM_PER_PX
    seen = sample_bilinear(view.image.apparent_c, map_points(view.px_from_mm, centres))
    return BaselineRaster(seen.reshape(rows, cols) - 22.0, MM_PER_PX)


def reference_methods(view: BenchmarkView, other: BenchmarkView) -> dict[str, Outcome]:
    """
    What three libraries make of the same task, each given a picture of the same board to start from.

    They get more than thermscan does (a whole frame of the board with its true place in it, where ours
    has only the layout), in their plain form.
    """
    a, b = (_eight_bits(each.image.apparent_c) for each in (other, view))
    outcomes = {}
    for name, method in (("OpenCV ECC", _ecc), ("features + RANSAC", _features), ("phase correlation", _phase)):
        start = time.process_time()
        moved = method(a, b)
        seconds = time.process_time() - start
        error = None
        if moved is not None:
            centres = part_centres(view.board)
            apart = map_points(moved @ other.px_from_mm, centres) - map_points(view.px_from_mm, centres)
            error = float(np.sqrt((apart**2).sum(axis=1).mean()))
        outcomes[name] = Outcome(error, np.nan, seconds)
    return outcomes


def _eight_bits(apparent: FloatArray) -> NDArray[np.uint8]:
    low, high = np.percentile(apparent, [0.5, 99.5])
    return np.clip((apparent - low) / (high - low) * 255, 0, 255).astype(np.uint8)


def _ecc(one: NDArray[np.uint8], two: NDArray[np.uint8]) -> FloatArray | None:
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-5)
    try:
        _, matrix = cv2.findTransformECC(one, two, np.eye(3, dtype=np.float32), cv2.MOTION_HOMOGRAPHY, stop)
    except cv2.error:
        return None
    return np.asarray(matrix, dtype=np.float64)


def _features(one: NDArray[np.uint8], two: NDArray[np.uint8]) -> FloatArray | None:
    finder = cv2.SIFT_create()
    (keys_a, words_a), (keys_b, words_b) = finder.detectAndCompute(one, None), finder.detectAndCompute(two, None)
    if words_a is None or words_b is None or len(keys_a) < 8 or len(keys_b) < 8:
        return None
    pairs = cv2.BFMatcher().knnMatch(words_a, words_b, k=2)
    good = [pair[0] for pair in pairs if len(pair) == 2 and pair[0].distance < 0.75 * pair[1].distance]
    if len(good) < 8:
        return None
    source = np.array([keys_a[match.queryIdx].pt for match in good])
    target = np.array([keys_b[match.trainIdx].pt for match in good])
    matrix, inliers = cv2.findHomography(source, target, cv2.RANSAC, 2.0)
    return None if matrix is None or inliers.sum() < 8 else np.asarray(matrix, dtype=np.float64)


def _phase(one: NDArray[np.uint8], two: NDArray[np.uint8]) -> FloatArray | None:
    shift = phase_cross_correlation(two.astype(float), one.astype(float), upsample_factor=10)[0]
    return np.array([[1.0, 0, shift[1]], [0, 1.0, shift[0]], [0, 0, 1.0]])


def _row(name: str, outcomes: list[Outcome]) -> str:
    errors = np.array([each.error_px for each in outcomes if each.error_px is not None])
    right = errors[errors <= WRONG_PX]
    wrong = len(errors) - len(right)
    covered = [each.covered for each in outcomes if each.error_px is not None and each.error_px <= WRONG_PX]
    rms = f"{np.sqrt((right**2).mean()):6.3f}" if len(right) else "     -"
    cover = f"{100 * np.nanmean(covered):5.1f}" if covered and np.isfinite(covered).any() else "    -"
    seconds = np.mean([each.seconds for each in outcomes])
    share = 100 * len(right) / len(outcomes)
    refused = len(outcomes) - len(errors)
    return f"{name:36s} {len(outcomes):5d} {share:6.1f} {wrong:6d} {refused:8d} {rms} {cover} {seconds:8.2f}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boards", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--cols", type=int, nargs="+", default=[160, 320, 640])
    parser.add_argument("--heights", choices=["flat", "stated", "unstated"], default="flat", help="of the parts")
    arguments = parser.parse_args()
    table: dict[str, list[Outcome]] = defaultdict(list)
    for seed in range(arguments.first, arguments.first + arguments.boards):
        cols = arguments.cols[seed // 2 % len(arguments.cols)]
        view = benchmark_view(seed, cols=cols, heights=arguments.heights)
        other = benchmark_view(seed, cols=cols, view=1, heights=arguments.heights)
        rng = np.random.default_rng(seed)
        outcome = attempt(view, view)
        table[f"{cols} px, automatic"].append(outcome)
        tilt = "0-30" if view.tilt_deg < 30 else "30-45" if view.tilt_deg < 45 else "45-55"
        table[f"tilt {tilt} degrees, automatic"].append(outcome)
        table["cool board, automatic" if view.cool else "warm board, automatic"].append(outcome)
        clicks = map_points(view.px_from_mm, view.board.corners_mm) + rng.normal(0, 1.0, (4, 2))
        try:
            table[f"{cols} px, corners given to 1 px"].append(attempt(view, view, corners_px=clicks))
        except ThermscanError as error:
            print(seed, cols, error, file=sys.stderr)
            table[f"{cols} px, corners given to 1 px"].append(Outcome(None, np.nan, 0.0))
        table[f"{cols} px, with a baseline"].append(attempt(view, view, baseline_raster=good_board_picture(other)))
        for name, reference in reference_methods(view, other).items():
            table[f"{cols} px, {name} (other view given)"].append(reference)
        if seed % 4 == 0:
            foreign = benchmark_view(seed + 1, cols=cols, heights=arguments.heights)
            table["another board's layout (refuse!)"].append(attempt(view, foreign))
        if outcome.error_px is None or outcome.error_px > WRONG_PX:
            error = "refused" if outcome.error_px is None else f"{outcome.error_px:.1f} px off"
            print(f"seed {seed}, {cols} px, tilt {view.tilt_deg:.0f}: {error}", file=sys.stderr)
    print(f"{'':36s} views right% wrong  refused RMS px cover%  CPU s")
    for name in sorted(table):
        print(_row(name, table[name]))
    print(f"right: RMS over part centres at most {WRONG_PX} px; RMS px and cover% (k = 2, per coordinate) of those")


if __name__ == "__main__":
    main()
