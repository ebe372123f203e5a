"""One board of the registration benchmark: every attempt at its view, with what the truth says of it."""

from __future__ import annotations

import time
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.registration import phase_cross_correlation

from tests.benchmarks.registration_views import BenchmarkView, benchmark_view, part_centres
from thermscan.coordinates import map_points, pixel_centres, sample_bilinear
from thermscan.errors import ThermscanError
from thermscan.registration.geometry.homography import part_uncertainty_mm
from thermscan.registration.placing.baseline_raster import BaselineRaster
from thermscan.registration.placing.register import register_board

FloatArray = NDArray[np.float64]

WRONG_PX = 1.5
MM_PER_PX = 0.5
# What can be tried with each view.
KINDS = ("automatic", "corners", "baseline", "references", "foreign")
# Every so many boards another board's layout is tried, which must be refused.
FOREIGN_EVERY = 4
# Of the floor that speed is compared with, the quickest of so many.
FLOOR_RUNS = 5


@dataclass(frozen=True)
class Outcome:
    """One attempt: RMS error over part centres (None: refused), coverage at k = 2, and seconds of CPU."""

    error_px: float | None
    covered: float
    seconds: float
    said: str = ""

    @property
    def wrong(self) -> bool:
        """Off, and not refused."""
        return self.error_px is not None and self.error_px > WRONG_PX


@dataclass(frozen=True)
class Trial:
    """What came of one board."""

    seed: int
    cols: int
    tilt_deg: float
    cool: bool
    outcomes: dict[str, Outcome]
    floor_seconds: float


def run_trial(seed: int, cols: int, heights: str, kinds: tuple[str, ...]) -> Trial:
    """All attempts of the kinds wanted at one board's view."""
    cv2.setNumThreads(1)
    view = benchmark_view(seed, cols=cols, heights=heights)
    other = benchmark_view(seed, cols=cols, view=1, heights=heights) if {"baseline", "references"} & {*kinds} else view
    outcomes: dict[str, Outcome] = {}
    if "automatic" in kinds:
        outcomes["automatic"] = attempt(view, view)
    if "corners" in kinds:
        rng = np.random.default_rng(seed)
        clicks = map_points(view.px_from_mm, view.board.corners_mm) + rng.normal(0, 1.0, (4, 2))
        outcomes["corners given to 1 px"] = attempt(view, view, corners_px=clicks)
    if "baseline" in kinds:
        outcomes["with a baseline"] = attempt(view, view, baseline_raster=good_board_picture(other))
    if "references" in kinds:
        outcomes |= reference_methods(view, other)
    if "foreign" in kinds and seed % FOREIGN_EVERY == 0:
        outcomes["another board's layout (refuse!)"] = attempt(
            view, benchmark_view(seed + 1, cols=cols, heights=heights)
        )
    return Trial(seed, cols, view.tilt_deg, view.cool, outcomes, floor_seconds(view))


def floor_seconds(view: BenchmarkView) -> float:
    """CPU of one perspective warp and one edge map of the same frame, by OpenCV."""
    rows, cols = view.image.shape
    frame, eight = view.image.apparent_c.astype(np.float32), _eight_bits(view.image.apparent_c)
    taken = []
    for _ in range(FLOOR_RUNS):
        start = time.process_time()
        cv2.warpPerspective(frame, np.linalg.inv(view.px_from_mm), (cols, rows))
        cv2.Canny(eight, 50, 150)
        taken.append(time.process_time() - start)
    return min(taken)


def attempt(view: BenchmarkView, board_view: BenchmarkView, **given: object) -> Outcome:
    """Register one view with the layout of another (the same, unless it is to be refused)."""
    start = time.process_time()
    try:
        found = register_board(view.image, board_view.board, **given)  # type: ignore[arg-type]
    except ThermscanError as error:
        return Outcome(None, np.nan, time.process_time() - start, str(error))
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
    methods = {"OpenCV ECC": _ecc, "features + RANSAC": _features, "phase correlation": _phase}
    for name, method in methods.items():
        start = time.process_time()
        moved = method(a, b)
        seconds = time.process_time() - start
        error = None
        if moved is not None:
            centres = part_centres(view.board)
            apart = map_points(moved @ other.px_from_mm, centres) - map_points(view.px_from_mm, centres)
            error = float(np.sqrt((apart**2).sum(axis=1).mean()))
        outcomes[f"{name} (other view given)"] = Outcome(error, np.nan, seconds)
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
