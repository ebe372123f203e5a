"""
The weights of a place's log odds: a logistic regression of right places against wrong ones, on two scene makers.

    python tests/benchmarks/placing_odds.py --first 900 --views 40 --out odds.jsonl
    python tests/benchmarks/placing_odds.py --fit odds.jsonl

Every view is another board of one of three makers that share nothing (scenes.py: heights unknown, lenses that bend,
covers; registration_views.py: flat and warm boards; and boards of 2 to 16 parts, painted flat and clean, here); each is
searched for its own layout and for another board's. Told are edges, outline and detail of the likeliest three places
after their last fits; right is what lies within 1.5 pixels of the search. Weights are fitted to the likeliest right and
the likeliest wrong place of each view and layout.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402
import statsmodels.api as sm  # noqa: E402

from tests.benchmarks.registration_views import benchmark_view, part_centres  # noqa: E402
from tests.benchmarks.scenes import scene  # noqa: E402
from thermscan.coordinates import map_points  # noqa: E402
from thermscan.layout.board import Board, Part, Surface  # noqa: E402
from thermscan.radiometry.thermal_image import ThermalImage  # noqa: E402
from thermscan.registration.evidence import prepare  # noqa: E402
from thermscan.registration.geometry.heights import height_prior  # noqa: E402
from thermscan.registration.geometry.homography import homography_from_corners  # noqa: E402
from thermscan.registration.placing.decision import ENOUGH  # noqa: E402
from thermscan.registration.placing.edges import layout_edges  # noqa: E402
from thermscan.registration.placing.found_alone import settled  # noqa: E402
from thermscan.registration.placing.last_fit import Job  # noqa: E402
from thermscan.registration.placing.search import candidates, start_search, witnesses  # noqa: E402

COLS, SPARSE_COLS = (160, 320, 640), (80, 160, 320)
RIGHT_PX, OTHER_BOARD, LIKELIEST = 1.5, 500_000, 3
Row = dict[str, object]


def rows_of(maker: str, seed: int) -> list[Row]:
    """The candidates of one view, for its own layout and another's."""
    cv2.setNumThreads(1)
    cols = COLS[seed % len(COLS)]
    if maker == "scenes":
        view, other = scene(seed, cols=cols), scene(seed + OTHER_BOARD, cols=160).board
        image, board, there, fov = view.image, view.board, view.centres_px(top=False), view.fov_deg
    elif maker == "sparse":
        cols = SPARSE_COLS[seed % len(SPARSE_COLS)]
        image, board, there = sparse_view(seed, cols)
        fov, other = None, sparse_view(seed + OTHER_BOARD, cols)[1]
    else:
        flat, other_flat = benchmark_view(seed, cols=cols), benchmark_view(seed + OTHER_BOARD, cols=160).board
        image, board, fov = flat.image, flat.board, None
        there, other = map_points(flat.px_from_mm, part_centres(board)), other_flat
    rows = _searched(image, board, there, fov=fov)
    rows += _searched(image, other, None, fov=fov)
    return [{"maker": maker, "seed": seed, "cols": cols, **row} for row in rows]


def sparse_view(seed: int, cols: int) -> tuple[ThermalImage, Board, np.ndarray]:
    """A small board of few parts, polygons of even temperatures; and where its parts' centres are seen."""
    rng = np.random.default_rng([seed, cols, 91])
    width, height = rng.uniform(60, 160), rng.uniform(40, 100)
    surface, parts = Surface("plastic", 0.95, 0.02), []
    wanted = int(rng.choice([2, 4, 8, 16]))
    for _ in range(2000):
        size = rng.permutation([rng.uniform(6, 25), rng.uniform(5, 10)])
        x, y = rng.uniform(size / 2 + 2, [width, height] - size / 2 - 2)
        tall = float(rng.choice([1.5, 3.5])) if seed % 2 else None
        part = Part(f"U{len(parts) + 1}", size[0], size[1], x, y, 0.0, surface, height_mm=tall)
        apart = [np.abs([x - p.x_mm, y - p.y_mm]) - np.add(size, [p.length_mm, p.width_mm]) / 2 for p in parts]
        parts += [part] if all(each.max() > 1.5 for each in apart) and len(parts) < wanted else []
    box = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    rows = cols * 3 // 4
    turn, scale = rng.normal(0, 0.1), min(cols / width, rows / height) * rng.uniform(0.6, 0.9)
    turned = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = (box - [width / 2, height / 2]) * scale @ turned
    corners[:2] *= rng.uniform(0.85, 1.0, 2)
    matrix = homography_from_corners(box, corners + np.array([cols, rows]) / 2)
    fine = np.full((4 * rows, 4 * cols), 23.0, np.float32)
    shapes = [(box, 28.0)] + [(part.corners_mm(), 28.0 + rng.choice([0, 1, 2, 4, 8, 15])) for part in parts]
    for shape_mm, temperature_c in shapes:
        at = np.round((4 * map_points(matrix, shape_mm) + 1.5) * 16).astype(np.int32)
        cv2.fillPoly(fine, [at], float(temperature_c), shift=4)
    seen = cv2.resize(cv2.GaussianBlur(fine, (0, 0), 2.4), (cols, rows), interpolation=cv2.INTER_AREA)
    frame = seen.astype(np.float64) + rng.normal(0, 0.05, (rows, cols))
    board = Board("sparse", None, box, 1.6, surface, tuple(parts))
    return ThermalImage(frame, 0.05, 1.0, (8.0, 14.0), 0.67), board, map_points(matrix, part_centres(board))


def _searched(image: ThermalImage, board: Board, there_px: np.ndarray | None, *, fov: float | None) -> list[Row]:
    evidence, edges, prior = prepare(image, fov_deg=fov), layout_edges(board), height_prior(board)
    search = start_search(evidence, board, edges, prior)
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts])
    rows: list[Row] = []
    for each in candidates(search)[:LIKELIEST]:
        place = settled(Job(evidence, board, edges, prior), search, each.corners_px, bends=True).place
        off_px = None
        if there_px is not None:
            apart = map_points(search.matrix(place.corners_px), centres) - search.small.from_frame(there_px)
            off_px = float(np.sqrt((apart**2).sum(axis=1).mean()))
        rows.append({"off_px": off_px, "told": [place.edges, place.outline, place.detail], "log_odds": place.log_odds})
    return rows


def fit(rows: list[Row]) -> None:
    """Weights, and how many of either sort they tell apart."""
    likeliest: dict[tuple[object, ...], Row] = {}
    for row in sorted(rows, key=lambda each: each["log_odds"]):  # type: ignore[arg-type,return-value]
        row["right"] = row["off_px"] is not None and row["off_px"] < RIGHT_PX  # type: ignore[operator]
        likeliest[row["maker"], row["seed"], row["off_px"] is None, row["right"]] = row
    rows = list(likeliest.values())
    stated = {name: np.array([row["log_odds"] for row in rows if row["right"] == name]) for name in (True, False)}
    lost, taken = (stated[True] < ENOUGH).sum(), (stated[False] >= ENOUGH).sum()
    print(f"as they are: {lost} of {len(stated[True])} right refused, {taken} of {len(stated[False])} wrong taken")
    told = sm.add_constant(np.array([witnesses(*row["told"]) for row in rows]))  # type: ignore[misc]
    right = np.array([row["right"] for row in rows], dtype=bool)
    weights = np.where(right, 1.0, right.sum() / (~right).sum())
    result = sm.GLM(right.astype(float), told, family=sm.families.Binomial(), freq_weights=weights).fit()
    odds = told @ result.params
    right_odds, wrong_odds = np.sort(odds[right]), np.sort(odds[~right])
    print(f"{result.params.round(2).tolist()}, deviance {result.deviance:.1f}")
    print(f"likeliest of {len(wrong_odds)} wrong: {wrong_odds[-5:].round(1)}")
    print(f"least likely of {len(right_odds)} right: {right_odds[:5].round(1)}")
    for enough in (0.0, 1.0, 2.0, 3.0):
        print(f"from {enough:g}: {(right_odds < enough).sum()} right lost, {(wrong_odds >= enough).sum()} wrong taken")


def main() -> int:
    """Collect candidates, or fit the weights to those that were."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--views", type=int, default=40, help="of each maker")
    parser.add_argument("--first", type=int, default=900)
    parser.add_argument("--out", type=Path, default=Path("odds.jsonl"))
    parser.add_argument("--makers", nargs="+", default=["scenes", "flat", "sparse"])
    parser.add_argument("--fit", type=Path, nargs="+")
    given = parser.parse_args()
    if given.fit:
        fit([json.loads(line) for path in given.fit for line in path.read_text().splitlines()])
        return 0
    for seed in range(given.first, given.first + given.views):
        for maker in given.makers:
            with given.out.open("a") as file:
                file.writelines(json.dumps(row) + "\n" for row in rows_of(maker, seed))
    return 0


if __name__ == "__main__":
    sys.exit(main())
