"""
What each rule of placing buys, switched off; and what each constant's being a fifth larger or smaller does.

    python tests/benchmarks/placing_rules.py --views 60 --first 3400
    python tests/benchmarks/placing_rules.py --views 60 --first 3400 --constants
    python tests/benchmarks/placing_rules.py --views 60 --first 3400 --only proposed closer --own

Views as in placing.py (one board each, heights unstated, no help but the field of view every second time); every view
is searched for its own layout and, as a check of refusals and unless `--own`, every second one for another board's.
Which views a rule gains, and which it loses, is told by their seeds.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402

from tests.benchmarks.placing import COLS, WRONG_PX, attempt  # noqa: E402
from tests.benchmarks.scenes import Scene, scene  # noqa: E402
from thermscan.registration import evidence  # noqa: E402
from thermscan.registration.placing import (  # noqa: E402
    bodies,
    body_proposals,
    closer,
    decision,
    detail,
    edge_odds,
    edges,
    found_alone,
    joint_fit,
    last_fit,
    own_heights,
    proposals,
    search,
    tops,
    variance_components,
)

FIFTH = 0.2


@contextmanager
def switched(module: object, name: str, value: object) -> Iterator[None]:
    """A name of a module set to something else for a while."""
    before = getattr(module, name)
    setattr(module, name, value)
    try:
        yield
    finally:
        setattr(module, name, before)


def _nothing(*_: object, **__: object) -> np.ndarray:
    return np.zeros((0, 4, 2))


def _no_edges(support: Callable[..., tuple[np.ndarray, np.ndarray]]) -> Callable[..., tuple[np.ndarray, np.ndarray]]:
    def edge_support(*given: object) -> tuple[np.ndarray, np.ndarray]:
        outline, _ = support(*given)
        return outline, np.zeros(len(outline))

    return edge_support


def _flat(picture: np.ndarray, bodies: tops.Tops, matrix: np.ndarray, shift_mm: np.ndarray) -> tops.Told:
    return tops.tops_stand_out(picture, bodies, matrix, np.zeros_like(shift_mm))


def _as_ranked(started: search.Search, places_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    ranked = started.ranked(places_px)
    return ranked, started.odds_by_edges(ranked)


RULES: tuple[tuple[str, object, str, object], ...] = (
    ("outlines are proposed", search, "proposals", _nothing),
    ("bodies are proposed by themselves", body_proposals, "body_proposals", _nothing),
    ("bodies' edges rank places", search, "edge_support", _no_edges(search.edge_support)),
    ("places are moved closer", search, "stepped", lambda _, place: place),
    ("proposed places are moved roughly", search.Search, "rough", _as_ranked),
    ("the last fit looks near and far", found_alone, "NEAR", joint_fit.FAR),
    ("sensor's stripes left out", evidence, "without_stripes", lambda apparent: apparent),
    ("faint edges as a whole", edges, "faint_edges", lambda sites, *_, **__: sites),
    ("bodies' edges as evidence", search, "EDGES_WORTH", 0.0),
    ("detail as evidence", search, "DETAIL_WORTH", 0.0),
    ("outline as evidence", search, "OUTLINE_WORTH", 0.0),
    ("tops seen at their heights", search, "tops_stand_out", _flat),
    ("what is beside the likeliest is asked", found_alone, "beside", lambda *_: None),
    ("a fit that moved far begins afresh", last_fit, "AFRESH_PX", np.inf),
    ("the lens's bend is fitted", last_fit, "BENT_DEVIATIONS", np.inf),
    ("a lift common to all bodies", joint_fit, "COMMON", 1e-6),
    ("pictures that show no heights", own_heights, "FLAT_ODDS", np.inf),
)
CONSTANTS: tuple[tuple[ModuleType, str], ...] = (
    (decision, "ENOUGH"),
    (decision, "SAME_PLACE_PX"),
    (search, "PRIOR_ODDS"),
    (search, "EDGES_WORTH"),
    (search, "OUTLINE_WORTH"),
    (search, "DETAIL_WORTH"),
    (search, "LIKELY"),
    (search, "EDGES_DOUBLING"),
    (search, "DETAIL_DOUBLING"),
    (search, "FEW"),
    (tops, "SAMPLES"),
    (tops, "CLIP"),
    (detail, "TOLERANCE"),
    (detail, "BROAD"),
    (bodies, "STRAY"),
    (bodies, "BELIEVED"),
    (edge_odds, "MOST_ODDS"),
    (edge_odds, "BESIDE_PX"),
    (edges, "SIGNIFICANT"),
    (own_heights, "BELIEVED"),
    (found_alone, "FIT_GAINS"),
    (joint_fit, "U_SWELL_PX"),
    (search, "TRIED"),
    (search, "ROUGH_PX"),
    (closer, "TRIED_ROUGHLY"),
    (found_alone, "SURE"),
    (found_alone, "BESIDE_PX"),
    (found_alone, "BESIDE_TRIED"),
    (search, "TURNED_DEG"),
    (closer, "REACH"),
    (closer, "HELD_PX"),
    (closer, "TRIED"),
    (proposals, "MOST"),
    (proposals, "APART_PX"),
    (proposals, "SQUARE"),
    (body_proposals, "NEAR"),
    (body_proposals, "STEP"),
    (body_proposals, "BROAD"),
    (body_proposals, "MOST"),
    (body_proposals, "MOST_THEN"),
    (bodies, "LOOKED_UP"),
    (joint_fit, "AT_REST"),
    (variance_components, "AT_REST"),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Of every view how far off its place is (None where it is refused); how often others' layouts were taken; time."""

    errors_px: list[float | None]
    foreign: int
    seconds: float

    def row(self) -> str:
        """Right, wrong, refused, foreign; root mean square of the right ones; processor time a view."""
        right = [each for each in self.errors_px if each is not None and each <= WRONG_PX]
        refused = self.errors_px.count(None)
        rms = float(np.sqrt(np.mean(np.square(right)))) if right else float("nan")
        wrong = len(self.errors_px) - len(right) - refused
        ms = 1e3 * self.seconds / len(self.errors_px)
        return f"{len(right):5d} {wrong:5d} {refused:7d} {self.foreign:7d} {rms:8.3f} {ms:7.0f}"

    def states(self) -> list[str]:
        """What became of each view."""
        return ["refused" if e is None else "right" if e <= WRONG_PX else "wrong" for e in self.errors_px]


def outcome(views: list[Scene], *, own: bool) -> Outcome:
    """Every view searched for its own layout, and unless ``own`` every second one for another's."""
    errors: list[float | None] = []
    foreign, start = 0, time.process_time()
    for k, view in enumerate(views):
        fov = k % 2 == 0
        error = attempt(view, view, fov=fov, measure=False).get("error_px")
        errors.append(error if isinstance(error, float) else None)
        if k % 2 and not own:
            foreign += "error_px" in attempt(view, views[k - 1], fov=fov, measure=False)
    return Outcome(errors, foreign, time.process_time() - start)


def changes(first: int, before: Outcome, after: Outcome) -> str:
    """Seeds of the views whose outcome differs."""
    pairs = enumerate(zip(before.states(), after.states(), strict=True), first)
    return ", ".join(f"{seed} {one} -> {other}" for seed, (one, other) in pairs if one != other)


def main() -> int:
    """Print a line for each rule, or for each constant."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--views", type=int, default=60)
    parser.add_argument("--first", type=int, default=3400)
    parser.add_argument("--constants", action="store_true")
    parser.add_argument(
        "--only", nargs="+", default=[], help="rules or constants with one of these words in their name"
    )
    parser.add_argument("--own", action="store_true", help="no other boards' layouts")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    views = [scene(seed, cols=COLS[seed % 3]) for seed in range(given.first, given.first + given.views)]
    others = 0 if given.own else len(views) // 2
    print(f"{len(views)} views, each of another board; {others} of them searched for another board's layout as well")
    print(f"{'':46s} right wrong refused foreign   RMS px   CPU ms   views that differ")
    as_it_is = outcome(views, own=given.own)
    print(f"{'as it is':46s} {as_it_is.row()}", flush=True)
    for what, module, name, value in _constants(given.only) if given.constants else _rules(given.only):
        with switched(module, name, value):
            found = outcome(views, own=given.own)
        print(f"{what:46s} {found.row()}   {changes(given.first, as_it_is, found)}", flush=True)
    return 0


def _rules(only: list[str]) -> Iterator[tuple[str, object, str, object]]:
    for what, module, name, value in RULES:
        if not only or any(word in what for word in only):
            yield f"without: {what}", module, name, value


def _constants(only: list[str]) -> Iterator[tuple[str, object, str, object]]:
    """Each a fifth smaller and larger."""
    for module, name in CONSTANTS:
        before = getattr(module, name)
        for factor in (1 - FIFTH, 1 + FIFTH):
            value = max(round(before * factor), 1) if isinstance(before, int) else before * factor
            if (not only or name in only) and value != before:
                yield f"{module.__name__.rpartition('.')[2]}.{name} = {value:.3g}", module, name, value


if __name__ == "__main__":
    sys.exit(main())
