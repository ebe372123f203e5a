"""
The weights by which evidence for a cover counts: a logistic regression on scenes of which the truth is known.

    python tests/benchmarks/cover_odds.py --views 144 --first 1000

    python tests/benchmarks/cover_odds.py --views 24 --first 60000 --parts 200 --held

Prints the weights as `thermscan.regions.lying_over` holds them, fitted to all scenes, and what they do on scenes that
they were not fitted to (four folds): parts more than a fifth hidden that are missed, and clear parts that are called
covered, of those that are not too small, oblique or metal. Place and heights are as `inspect_run` finds them from
files; what is refused or placed wrong is left out. Labels and films are left out: nothing in `lying_over` looks for
what is not of one temperature. With ``--held`` nothing is fitted: the scenes are judged by the weights that
`lying_over` holds.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import warnings
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

from tests.benchmarks.covers import COLS, EVERY, HARDLY, SMALL, WRONG_PX, place_error_px  # noqa: E402
from tests.benchmarks.scene_covers import HIDDEN, CoverScene, cover_scene, write_files  # noqa: E402
from thermscan.errors import CannotJudge  # noqa: E402
from thermscan.inspection import Inspection, inspect_run  # noqa: E402
from thermscan.radiometry.lens import straighten_image  # noqa: E402
from thermscan.regions.alike import look_at_board, patches  # noqa: E402
from thermscan.regions.lying_over import ENOUGH, WEIGHTS, evidence  # noqa: E402
from thermscan.runs.reading import read_run  # noqa: E402

FloatArray = NDArray[np.float64]

LEFT_OUT = ("label", "film")
FOLDS = 4


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
    view = cover_scene(seed, cols=COLS[seed % len(COLS)], kind=kind, parts=parts)
    with tempfile.TemporaryDirectory() as folder:
        try:
            seen = inspect_run(read_run(write_files(view, Path(folder))))
        except CannotJudge:
            return None
    if place_error_px(view, seen) > WRONG_PX:
        return None
    look = look_at_board(seen.image, seen.registration, view.truth.layout)
    rows, cols = look.kinds.shape
    true = cv2.resize(_share_covered(view, seen), (cols, rows), interpolation=cv2.INTER_AREA) > 0.5
    asked = np.array([each.reason is None or each.reason.code not in SMALL for each in seen.measurements])
    found, labels, bodies = [], [], []
    for patch in patches(look):
        kinds, under = look.kinds[patch.window], true[patch.window]
        own = patch.pixels & (kinds > 0)
        share = np.bincount(kinds[own], weights=under[own], minlength=len(look.sizes))[patch.bodies] / patch.counts
        kept = asked[patch.bodies - 1]
        found.append(evidence(look, patch)[kept])
        labels.append(share[kept] > 0.5)
        bodies.append(patch.bodies[kept] - 1)
    return Rows(
        kind, np.vstack(found), np.concatenate(labels).astype(float), np.concatenate(bodies),
        asked & (view.covered > HIDDEN), asked & (view.covered < HARDLY),
    )  # fmt: skip


def _share_covered(view: CoverScene, seen: Inspection) -> NDArray[np.float32]:
    """How much of each pixel of the image that was looked at shows the cover."""
    share = view.cover_share.astype(np.float64)
    if seen.registration.lens is not None:
        share = straighten_image(replace(seen.image, apparent_c=share), seen.registration.lens).apparent_c
    return np.nan_to_num(share).astype(np.float32)


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
    warnings.simplefilter("ignore")
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
