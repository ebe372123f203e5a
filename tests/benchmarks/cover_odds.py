"""
The weights by which evidence for a cover counts: a logistic regression on scenes of which the truth is known.

    python tests/benchmarks/cover_odds.py --views 144 --first 1000

    python tests/benchmarks/cover_odds.py --views 24 --first 60000 --parts 200 --held

Prints the weights as `thermscan.regions.lying_over` holds them, fitted to all scenes, and what they do on scenes that
they were not fitted to (four folds): parts more than a fifth hidden that are missed, and clear parts that are called
covered, with an inner body of nine pixels or more. The true place, off by an eighth of a pixel, and true heights, off
by as much as is said of them, stand for a placing: so that a scene costs a second. Labels and films are left out:
nothing in `lying_over` looks for what is not of one temperature. With ``--held`` nothing is fitted: the scenes are
judged by the weights that `lying_over` holds.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

from tests.benchmarks.scene_covers import HIDDEN, KINDS, CoverScene, cover_scene  # noqa: E402
from thermscan.coordinates import map_points  # noqa: E402
from thermscan.radiometry.thermal_image import ThermalImage  # noqa: E402
from thermscan.regions.alike import look_at_board, patches  # noqa: E402
from thermscan.regions.lying_over import ENOUGH, WEIGHTS, evidence  # noqa: E402
from thermscan.registration.registration import PartHeight, Registration  # noqa: E402

FloatArray = NDArray[np.float64]

COLS = (160, 320, 640)
EVERY = (*KINDS, "none", "none", "none")
LEFT_OUT = ("label", "film")
FOLDS, HARDLY, LEAST_PIXELS = 4, 0.03, 9
U_HEIGHTS_MM, OFF_PX = (0.3, 0.8, 2.0), 0.12


@dataclass(frozen=True)
class Rows:
    """Of one scene: evidence for each body of each patch, whether it is truly covered there, and which body it is."""

    kind: str
    evidence: FloatArray
    covered: FloatArray
    body: NDArray[np.intp]
    hidden: NDArray[np.bool_]
    clear: NDArray[np.bool_]


def rows_of(seed: int, parts: int | None = None) -> Rows | None:
    """One scene, of about so many parts where it is said; None where it is left out."""
    kind = EVERY[seed // len(COLS) % len(EVERY)]
    if kind in LEFT_OUT:
        return None
    view = cover_scene(seed, cols=COLS[seed % len(COLS)], kind=kind, parts=parts, bent=False)
    image = ThermalImage(view.frame_c, 0.07, 1.0, (8.0, 14.0), 0.65)
    focal = view.lens.focal_px
    fov_deg = float(np.degrees(2 * np.arctan(view.lens.shape[1] / 2 / focal)))
    look = look_at_board(image, _placed(seed, view), view.truth.layout, fov_deg=fov_deg)
    rows, cols = look.kinds.shape
    true = cv2.resize(view.cover_px.astype(np.float32), (cols, rows), interpolation=cv2.INTER_AREA) > 0.5
    found, labels, bodies = [], [], []
    for patch in patches(look):
        (row, col), (high, wide) = patch.corner, patch.pixels.shape
        kinds, under = look.kinds[row : row + high, col : col + wide], true[row : row + high, col : col + wide]
        own = patch.pixels & (kinds > 0)
        share = np.bincount(kinds[own], weights=under[own], minlength=len(look.sizes))[patch.bodies] / patch.counts
        found.append(evidence(look, patch))
        labels.append(share > 0.5)
        bodies.append(patch.bodies - 1)
    seen = look.sizes[1:] >= LEAST_PIXELS
    return Rows(
        kind, np.vstack(found), np.concatenate(labels).astype(float), np.concatenate(bodies),
        seen & (view.covered > HIDDEN), seen & (view.covered < HARDLY),
    )  # fmt: skip


def _placed(seed: int, view: CoverScene) -> Registration:
    rng = np.random.default_rng([seed, 7])
    shift = np.eye(3)
    shift[:2, 2] = rng.normal(0, OFF_PX, 2)
    px_from_mm = shift @ view.lens.px_from_mm
    px_from_mm /= px_from_mm[2, 2]
    box, board = view.lens.px(view.truth.outline_mm), view.truth.layout
    areas = [cv2.contourArea(each.astype(np.float32)) for each in (box, view.truth.outline_mm)]
    heights = {}
    for part in view.truth.parts:
        u_mm = float(rng.choice(U_HEIGHTS_MM))
        heights[part.ref] = PartHeight(max(float((part.height_mm or 0.0) + rng.normal(0, u_mm)), 0.2), u_mm, seen=True)
    corners_px = map_points(px_from_mm, board.corners_mm)
    u_place_mm = 1.25 * OFF_PX / float(np.sqrt(areas[0] / areas[1]))
    return Registration(
        "outline", px_from_mm, corners_px, 0.02 * np.eye(8), 0.2, u_place_mm, view.tilt_deg, heights=heights
    )


def fit(scenes: list[Rows]) -> FloatArray:
    """Weights by Newton's method, a scene's many patches of one body counting as their root."""
    x, y = np.vstack([each.evidence for each in scenes]), np.concatenate([each.covered for each in scenes])
    weight = np.concatenate([1 / np.sqrt(np.bincount(each.body)[each.body]) for each in scenes])
    middle, spread = x.mean(axis=0), x.std(axis=0)
    middle[0], spread[0] = 0.0, 1.0
    scaled, found = (x - middle) / spread, np.zeros(x.shape[1])
    for _ in range(60):
        chance = 1 / (1 + np.exp(-np.clip(scaled @ found, -30, 30)))
        slope = scaled.T @ (weight * (y - chance)) - found
        curve = scaled.T @ (scaled * (weight * chance * (1 - chance) + 1e-9)[:, None]) + np.eye(len(found))
        found += np.linalg.solve(curve, slope)
    result = found / spread
    result[0] -= float((found[1:] * middle[1:] / spread[1:]).sum())
    return np.asarray(result)


def main() -> None:
    """Fit and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--views", type=int, default=144)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--parts", type=int, help="how many parts a board is wished to have; else 14 to 110")
    parser.add_argument("--held", action="store_true", help="judge by the weights that are held")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    made = [rows_of(seed, given.parts) for seed in range(given.first, given.first + given.views)]
    scenes = [each for each in made if each is not None]
    print(f"{len(scenes)} scenes" + ("" if given.held else f"; weights {np.round(fit(scenes), 3).tolist()}"))
    by_kind: dict[str, Counter[str]] = {}
    for fold in range(FOLDS):
        weights = WEIGHTS if given.held else fit([each for k, each in enumerate(scenes) if k % FOLDS != fold])
        for each in scenes[fold::FOLDS]:
            likely = np.zeros(len(each.hidden))
            np.maximum.at(likely, each.body, 1 / (1 + np.exp(-each.evidence @ weights)))
            called = likely >= ENOUGH
            by_kind.setdefault(each.kind, Counter()).update(
                hidden=each.hidden.sum(), missed=(each.hidden & ~called).sum(),
                clear=each.clear.sum(), called=(each.clear & called).sum(),
            )  # fmt: skip
    for kind, total in sorted(by_kind.items()):
        print(f"{kind:12s} hidden {total['hidden']:4d} missed {total['missed']:4d}"
              f"   clear {total['clear']:5d} called covered {total['called']:3d}")  # fmt: skip


if __name__ == "__main__":
    main()
