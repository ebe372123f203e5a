"""
The weights of a place's log odds: a conditional logistic regression of right places, on three scene makers.

    python tests/benchmarks/placing_odds.py --first 900 --views 40 --out odds.jsonl
    python tests/benchmarks/placing_odds.py --fit odds.jsonl

Every view is another board of one of three makers that share nothing (scenes.py: heights unknown, lenses that bend,
covers; registration_views.py: flat and warm boards; and boards of 2 to 16 parts, painted flat and clean, here); each is
searched for its own layout and for another board's. Told are edges, outline and detail of the likeliest three places
after their last fits; right is what lies within 1.5 pixels of the search. One place of a frame is right, or none of
those that were looked at: the likeliest right one is held against all others and against none [1]_.

References
----------
.. [1] D. McFadden, Conditional logit analysis of qualitative choice behavior, in P. Zarembka (ed.), Frontiers in
   Econometrics, Academic Press 1974, 105-142.
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
from statsmodels.discrete.conditional_models import ConditionalLogit  # noqa: E402

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
from thermscan.registration.placing.search import (  # noqa: E402
    CONSTANT,
    DETAIL_DOUBLING,
    DETAIL_WORTH,
    EDGES_DOUBLING,
    EDGES_WORTH,
    FEW,
    OUTLINE_WORTH,
    PRIOR_ODDS,
    candidates,
    start_search,
    witnesses,
)

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
        told = [place.edges, place.outline, place.detail]
        rows.append({"off_px": off_px, "own": there_px is not None, "parts": len(board.parts), "told": told})
    return rows


def frames_of(rows: list[Row]) -> list[list[Row]]:
    """The places of one frame and layout, right ones marked, all but the likeliest right one left out."""
    frames: dict[tuple[object, ...], list[Row]] = {}
    for row in rows:
        row["right"] = row["off_px"] is not None and row["off_px"] < RIGHT_PX  # type: ignore[operator]
        frames.setdefault((row["maker"], row["seed"], row["own"]), []).append(row)
    kept = []
    for places in frames.values():
        right = sorted((row for row in places if row["right"]), key=lambda row: -_log_odds([row], WEIGHTS)[0])
        kept.append([row for row in places if not row["right"]] + right[:1])
    return kept


WEIGHTS = np.array([CONSTANT, EDGES_WORTH, OUTLINE_WORTH, DETAIL_WORTH])
# Form: bodies that are few, and the deviations that double the density, of edges and of detail.
AS_IT_IS = (float(FEW), EDGES_DOUBLING, DETAIL_DOUBLING)
FORMS = [AS_IT_IS] + [
    tuple(value if k == at else each for k, each in enumerate(AS_IT_IS))
    for at, values in enumerate(((0.0, 10.0, 20.0), (1.5, 3.0, 5.0), (1.5, 5.0)))
    for value in values
]


def _told(places: list[Row], form: tuple[float, ...] = AS_IT_IS) -> np.ndarray:
    """A constant and the witnesses of places; shape (k, 4)."""
    few, *doubling = form
    told = []
    for row in places:
        edges, outline, detail = row["told"]  # type: ignore[misc]
        other = np.sqrt((1 + FEW / row["parts"]) / (1 + few / row["parts"]))  # type: ignore[operator]
        edges, detail = other * edges * EDGES_DOUBLING / doubling[0], other * detail * DETAIL_DOUBLING / doubling[1]
        told.append([1.0, *witnesses(edges, outline, detail)])
    return np.array(told).reshape(-1, 4)


def _log_odds(places: list[Row], weights: np.ndarray, form: tuple[float, ...] = AS_IT_IS) -> np.ndarray:
    return _told(places, form) @ weights


def weights_of(frames: list[list[Row]], form: tuple[float, ...] = AS_IT_IS) -> np.ndarray:
    """Of a constant and the three witnesses."""
    told, chosen, group = [], [], []
    for k, places in enumerate(frames):
        told += [np.zeros((1, 4)), _told(places, form)]
        right = [bool(row["right"]) for row in places]
        chosen += [not any(right), *right]
        group += [k] * (1 + len(places))
    model = ConditionalLogit(np.array(chosen, dtype=float), np.concatenate(told), groups=np.array(group))
    return np.asarray(model.fit(disp=False).params)


def loss(frames: list[list[Row]], weights: np.ndarray, form: tuple[float, ...] = AS_IT_IS) -> float:
    """Mean logarithm of what the right answer's probability is short of one."""
    missing = []
    for places in frames:
        odds = np.append(_log_odds(places, weights, form), 0.0)
        right = [bool(row["right"]) for row in places]
        missing.append(np.logaddexp.reduce(odds) - odds[np.argmax([*right, not any(right)])])
    return float(np.mean(missing))


def fit(rows: list[Row]) -> None:
    """Weights, how many of either sort they tell apart, and what other forms lose in cross-validation."""
    frames = frames_of(rows)
    own, weights = [places for places in frames if places[0]["own"]], weights_of(frames)
    print(f"{len(frames)} frames and layouts, {len(own)} of them their own layout")
    print("constant, edges, outline, detail:", weights.round(2).tolist(), "in use:", WEIGHTS.tolist())
    for name, which in (("in use", WEIGHTS), ("fitted", weights)):
        lost = taken = 0
        for places in frames:
            odds = _log_odds(places, which) + PRIOR_ODDS - CONSTANT
            likely = odds.max() - np.logaddexp(np.logaddexp.reduce(odds), 0.0)
            if likely < -np.log1p(np.exp(-ENOUGH)):
                lost += any(row["right"] for row in places)
            else:
                taken += not places[int(odds.argmax())]["right"]
        print(f"{name}: {lost} right places refused, {taken} wrong ones taken; loss {loss(frames, which):.4f}")
    for form in FORMS:
        fifths = [[places for places in frames if int(str(places[0]["seed"])) // 3 % 5 == k] for k in range(5)]
        left = [
            loss(fifth, weights_of([each for other in fifths if other is not fifth for each in other], form), form)
            for fifth in fifths
        ]
        print(f"few {form[0]:g}, doubling {form[1]:g} and {form[2]:g}: loss {np.mean(left):.4f} in cross-validation")


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
