"""
The weights of a place's log odds: a logistic regression of right places against wrong ones, on two scene makers.

    python tests/benchmarks/placing_odds.py --first 900 --views 40 --out odds.jsonl
    python tests/benchmarks/placing_odds.py --fit odds.jsonl

Every view is another board of one of two makers that share nothing (scenes.py: heights unknown, lenses that bend,
covers; registration_views.py: flat and warm boards); each is searched for its own layout and for another board's. The
candidates' edges, outline and detail are what is told; right is within 3 pixels of the search, wrong beyond 12 and
another's layout.
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
from thermscan.layout.board import Board  # noqa: E402
from thermscan.radiometry.thermal_image import ThermalImage  # noqa: E402
from thermscan.registration.evidence import prepare  # noqa: E402
from thermscan.registration.geometry.heights import height_prior  # noqa: E402
from thermscan.registration.placing.edges import layout_edges  # noqa: E402
from thermscan.registration.placing.search import candidates, start_search  # noqa: E402

COLS = (160, 320, 640)
RIGHT_PX, WRONG_PX, OTHER_BOARD = 3.0, 12.0, 500_000
CANDIDATES = 6
Row = dict[str, object]


def rows_of(maker: str, seed: int) -> list[Row]:
    """The candidates of one view, for its own layout and another's."""
    cv2.setNumThreads(1)
    cols = COLS[seed % len(COLS)]
    if maker == "scenes":
        view, other = scene(seed, cols=cols), scene(seed + OTHER_BOARD, cols=160)
        image, board, there, fov = view.image, view.board, view.centres_px(top=False), view.fov_deg
    else:
        flat, other_flat = benchmark_view(seed, cols=cols), benchmark_view(seed + OTHER_BOARD, cols=160)
        image, board, fov = flat.image, flat.board, None
        there, other = map_points(flat.px_from_mm, part_centres(board)), other_flat
    rows = _searched(image, board, there, fov=fov)
    rows += _searched(image, other.board, None, fov=fov)
    return [{"maker": maker, "seed": seed, "cols": cols, **row} for row in rows]


def _searched(image: ThermalImage, board: Board, there_px: np.ndarray | None, *, fov: float | None) -> list[Row]:
    search = start_search(prepare(image, fov_deg=fov), board, layout_edges(board), height_prior(board))
    rows: list[Row] = []
    for found in candidates(search)[:CANDIDATES]:
        away = None
        if there_px is not None:
            centres = np.array([[part.x_mm, part.y_mm] for part in board.parts])
            apart = map_points(search.matrix(found.corners_px), centres) - search.small.from_frame(there_px)
            away = float(np.sqrt((apart**2).sum(axis=1).mean()))
        told = [found.edges, found.outline, found.detail]
        rows.append({"away_px": away, "told": told, "log_odds": found.log_odds})
    return rows


def fit(rows: list[Row]) -> None:
    """Weights, and how many of either sort they tell apart."""
    judged = [(row, _right(row)) for row in rows if _right(row) is not None]
    told = np.array([row["told"] for row, _ in judged], dtype=float)
    right = np.array([good for _, good in judged], dtype=float)
    for most in (15.0, 25.0, 40.0):
        held = told.copy()
        held[:, 2] = np.minimum(held[:, 2], most)
        # One view's candidates are one view's: each view and layout counts once for either sort.
        model = sm.GLM(right, sm.add_constant(held), family=sm.families.Binomial(), freq_weights=_weights(judged))
        result = model.fit()
        odds = sm.add_constant(held) @ result.params
        wrong_best = sorted(odds[right == 0])[-5:]
        print(f"detail up to {most:g}: {result.params.round(2).tolist()}, deviance {result.deviance:.1f};")
        print(f"  likeliest wrong: {np.round(wrong_best, 1)}")
        for enough in (0.0, 1.0, 2.0, 3.0):
            lost, taken = int((odds[right == 1] < enough).sum()), int((odds[right == 0] >= enough).sum())
            good, bad = int(right.sum()), int((1 - right).sum())
            print(f"  from {enough:g}: {lost} of {good} right lost, {taken} of {bad} wrong taken")


def _right(row: Row) -> bool | None:
    away = row["away_px"]
    if away is None:
        return False
    assert isinstance(away, float)
    return True if away <= RIGHT_PX else False if away >= WRONG_PX else None


def _weights(judged: list[tuple[Row, bool | None]]) -> np.ndarray:
    keys = [(row["maker"], row["seed"], row["away_px"] is None, good) for row, good in judged]
    return np.array([1.0 / keys.count(key) for key in keys])


def main() -> int:
    """Collect candidates, or fit the weights to those that were."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--views", type=int, default=40, help="of each maker")
    parser.add_argument("--first", type=int, default=900)
    parser.add_argument("--out", type=Path, default=Path("odds.jsonl"))
    parser.add_argument("--fit", type=Path, nargs="+")
    given = parser.parse_args()
    if given.fit:
        fit([json.loads(line) for path in given.fit for line in path.read_text().splitlines()])
        return 0
    for seed in range(given.first, given.first + given.views):
        for maker in ("scenes", "flat"):
            with given.out.open("a") as file:
                file.writelines(json.dumps(row) + "\n" for row in rows_of(maker, seed))
    return 0


if __name__ == "__main__":
    sys.exit(main())
