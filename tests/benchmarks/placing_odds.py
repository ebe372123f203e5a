"""
The weights of a place's log odds: a conditional logistic regression of right places, on three scene makers.

    python tests/benchmarks/placing_odds.py --first 900 --views 40 --out odds.jsonl
    python tests/benchmarks/placing_odds.py --fit odds.jsonl

Every view is another board of one of three makers that share nothing (scenes.py: heights unknown, lenses that bend,
covers; registration_views.py: flat and warm boards; and boards of 2 to 16 parts, painted flat and clean, here); each is
searched for its own layout and for another board's. Told are edges, outline and detail of the likeliest three places
and of the likeliest beside them, after their last fits; right is what lies within 1.5 pixels of the search. One place
of a frame is right, or none of those that were looked at: the likeliest right one is held against all others and
against none [1]_. None is right of another board's layout, and of its own where the right place was not looked at: such
frames are made of all others by leaving the right one out, and weigh as much as they are common.

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
from dataclasses import dataclass
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from scipy.optimize import minimize  # noqa: E402

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
from thermscan.registration.placing.found_alone import beside, settled  # noqa: E402
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
    job = Job(evidence, board, edges, prior)
    places = [settled(job, search, each.corners_px, bends=True).place for each in candidates(search)[:LIKELIEST]]
    other = beside(search, max(places, key=lambda each: each.log_odds)) if places else None
    if other is not None:
        places.append(settled(job, search, other.corners_px, bends=True).place)
    for place in places:
        off_px = None
        if there_px is not None:
            apart = map_points(search.matrix(place.corners_px), centres) - search.small.from_frame(there_px)
            off_px = float(np.sqrt((apart**2).sum(axis=1).mean()))
        told = [place.edges, place.outline, place.detail]
        rows.append({"off_px": off_px, "own": there_px is not None, "parts": len(board.parts), "told": told})
    return rows


@dataclass(frozen=True)
class Places:
    """What was looked at in a frame: the witnesses of each place, which of them is right (0: none), and its weight."""

    rows: list[Row]
    right: int
    weight: float


def frames_of(rows: list[Row]) -> list[Places]:
    """The places of each frame and layout, the likeliest right one last and no other of them; and those without it."""
    frames: dict[tuple[object, ...], list[Row]] = {}
    for row in rows:
        row["right"] = row["off_px"] is not None and row["off_px"] < RIGHT_PX  # type: ignore[operator]
        frames.setdefault((row["maker"], row["seed"], row["own"]), []).append(row)
    own = sum(bool(key[2]) for key in frames)
    others = max(len(frames) - own, 1)
    kept = []
    for key, places in frames.items():
        right = sorted((row for row in places if row["right"]), key=lambda row: _log_odds([row], WEIGHTS)[0])[-1:]
        wrong = [row for row in places if not row["right"]]
        if right:
            kept.append(Places(wrong + right, len(wrong) + 1, 1 / own))
        weight = NOT_LOOKED_AT / own if key[2] else (1 - NOT_LOOKED_AT) / others
        kept.append(Places(wrong, 0, weight))
    return kept


# Of frames of which no place that was looked at is right so many show the layout's own board (nine layouts in ten are
# the right one, whose place was looked at in 93 % of 520 frames), the others another's.
NOT_LOOKED_AT = 0.9 * 0.07 / (0.9 * 0.07 + 0.1)
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


def weights_of(frames: list[Places], form: tuple[float, ...] = AS_IT_IS) -> np.ndarray:
    """Of a constant and the three witnesses."""
    told = [np.concatenate([np.zeros((1, 4)), _told(places.rows, form)]) for places in frames]

    def missing(weights: np.ndarray) -> tuple[float, np.ndarray]:
        total, slope = 0.0, np.zeros(4)
        for each, places in zip(told, frames, strict=True):
            odds = each @ weights
            share = np.exp(odds - np.logaddexp.reduce(odds))
            total -= places.weight * float(np.log(share[places.right]))
            slope += places.weight * (share @ each - each[places.right])
        return total, slope

    return np.asarray(minimize(missing, WEIGHTS, jac=True, method="BFGS").x)


def loss(frames: list[Places], weights: np.ndarray, form: tuple[float, ...] = AS_IT_IS) -> float:
    """Mean logarithm of what the right answer's probability is short of one."""
    short = 0.0
    for places in frames:
        odds = np.append(0.0, _log_odds(places.rows, weights, form))
        short += places.weight * (np.logaddexp.reduce(odds) - odds[places.right])
    return short / sum(places.weight for places in frames)


def fit(rows: list[Row]) -> None:
    """Weights, how many of either sort they tell apart, and what other forms lose in cross-validation."""
    frames = frames_of(rows)
    weights = weights_of(frames)
    told = [places for places in frames if places.rows and (places.right or not places.rows[0]["own"])]
    right = sum(places.right > 0 for places in told)
    print(f"{right} right places, and frames of {len(told) - right} other layouts")
    print("constant, edges, outline, detail:", weights.round(2).tolist(), "in use:", WEIGHTS.tolist())
    for name, which in (("in use", WEIGHTS), ("fitted", weights)):
        lost, taken, short_of = 0, [], loss(frames, which)
        for places in frames:
            odds = np.append(0.0, _log_odds(places.rows, which) + PRIOR_ODDS - CONSTANT)
            best = int(odds.argmax())
            sure = best > 0 and odds[best] - np.logaddexp.reduce(np.delete(odds, best)) >= ENOUGH
            lost += places.right > 0 and not (sure and best == places.right)
            if sure and best != places.right:
                row = places.rows[best - 1]
                taken.append(f"{row['maker']} {row['seed']}{' (right one left out)' if row['own'] else ''}")
        print(
            f"{name}: {lost} right places refused, loss {short_of:.4f}; wrong ones taken: {', '.join(taken) or 'none'}"
        )
    for form in FORMS:
        left = 0.0
        for k in range(5):
            fifth = [each for each in frames if each.rows and int(str(each.rows[0]["seed"])) // 3 % 5 == k]
            others = [each for each in frames if each.rows and int(str(each.rows[0]["seed"])) // 3 % 5 != k]
            left += loss(fifth, weights_of(others, form), form) / 5
        print(f"few {form[0]:g}, doubling {form[1]:g} and {form[2]:g}: loss {left:.4f} in cross-validation")


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
