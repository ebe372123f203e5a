"""
How often a part that something lies over is measured all the same, and how often a clear one is called covered.

    python tests/benchmarks/covers.py --views 200 --first 40000 --out covers.jsonl
    python tests/benchmarks/covers.py --tables covers.jsonl

Every view is another board of `scene_covers`, written as files and read by `inspect_run` as a user would: no corners,
no camera, no heights. A quarter of the views are controls with nothing over them. Seeds count up through columns and
kinds. Left out are parts that the tool calls too small, too oblique, metal or out of the frame. Hidden: by more than a
fifth of its top; clear: by less than 3 %. Of the hidden ones that are measured those are told that are more than half
hidden, and those that are read wrong by more than 1 K against what their tops show with nothing over them; of all those
that the cover changes so little that nobody could tell. Of the clear ones that are called those are told of whose top
other parts hide more than half: what lies over that is no clear view either. Refused views are counted by themselves,
as are wrong places.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from scipy.stats import beta  # noqa: E402

from tests.benchmarks.line_files import view_options, write_lines  # noqa: E402
from tests.benchmarks.scene_covers import HIDDEN, KINDS, CoverScene, cover_scene, write_files  # noqa: E402
from thermscan.errors import ThermscanError  # noqa: E402
from thermscan.inspection import Inspection, inspect_run  # noqa: E402
from thermscan.radiometry.lens import bend_points  # noqa: E402
from thermscan.runs.reading import read_run  # noqa: E402

COLS = (160, 320, 640)
COUNTS = (
    "hidden", "hidden_measured", "half", "half_measured", "wrong", "faint", "faint_measured",
    "clear", "clear_called", "behind_called",
)  # fmt: skip
# Nine covers and three controls.
EVERY = (*KINDS, "none", "none", "none")
HARDLY, WRONG_PX = 0.03, 1.5
# A third of the least that the judge acts on.
WRONG_K = 1.0
# As much as hands and cables are uneven by: a cover that changes less is seen by nobody, were its border told.
FAINT_K = 0.2
# What no cover changes.
SMALL = ("too-few-pixels", "low-emissivity", "out-of-frame", "too-oblique")
# What lies over the board as one temperature; labels and films do not.
EVEN = ("cable", "warm cable", "ribbon", "fingers", "hand", "clip")


def run_view(seed: int, clicked: bool) -> dict[str, object]:
    """One view, scored."""
    cv2.setNumThreads(1)
    warnings.simplefilter("ignore")
    cols, kind = COLS[seed % len(COLS)], EVERY[seed // len(COLS) % len(EVERY)]
    view = cover_scene(seed, cols=cols, kind=kind)
    scored: dict[str, object] = {"seed": seed, "cols": cols, "kind": kind, "tilt": view.tilt_deg}
    start = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        run = write_files(view, Path(folder))
        clicks = view.lens.px(view.truth.layout.corners_mm) + np.random.default_rng(seed).normal(0, 0.7, (4, 2))
        try:
            found = inspect_run(read_run(run, overrides={"corners_px": clicks.tolist()} if clicked else {}))
        except ThermscanError as error:
            return scored | {"refused": str(error)[:120]}
    return scored | {"seconds": time.process_time() - start} | _scored(view, found)


def place_error_px(view: CoverScene, found: Inspection) -> float:
    """How far parts lie from where they are, root mean square."""
    centres = np.array([[part.x_mm, part.y_mm] for part in view.truth.layout.parts])
    seen = found.registration.px(centres)
    if found.registration.lens is not None:
        seen = bend_points(seen, found.registration.lens)
    return float(np.sqrt(((seen - view.lens.px(centres)) ** 2).sum(axis=1).mean()))


def _scored(view: CoverScene, found: Inspection) -> dict[str, object]:
    why = [each.reason.code if each.reason else "" for each in found.measurements]
    asked = np.array([code not in SMALL for code in why])
    measured, called = (np.array([code == name for code in why]) for name in ("", "covered"))
    hidden, clear = asked & (view.covered > HIDDEN), asked & (view.covered < HARDLY)
    read_c = np.array([np.nan if each.apparent_mean_c is None else each.apparent_mean_c for each in found.measurements])
    off_k = read_c - view.tops_c
    if (measured & clear).any():  # the camera's own error, which all share
        off_k -= np.median(off_k[measured & clear])
    return {
        "error_px": place_error_px(view, found),
        "hidden": int(hidden.sum()),
        "hidden_measured": int((hidden & measured).sum()),
        "half": int((asked & (view.covered > 0.5)).sum()),
        "half_measured": int((measured & (view.covered > 0.5)).sum()),
        "faint": int((hidden & (view.change_k < FAINT_K)).sum()),
        "faint_measured": int((hidden & measured & (view.change_k < FAINT_K)).sum()),
        "wrong": int((hidden & measured & (np.abs(off_k) > WRONG_K)).sum()),
        "misses": [
            [round(float(each[k]), 2) for each in (view.covered, off_k)] for k in np.flatnonzero(hidden & measured)
        ],
        "clear": int(clear.sum()),
        "clear_called": int((clear & called).sum()),
        "behind_called": int((clear & called & (view.behind > 0.5)).sum()),
        "remarks": [each for each in found.registration.remarks if "over" in each],
    }


def tables(path: Path) -> None:
    """Print what a run found."""
    rows = [json.loads(line) for line in path.read_text().splitlines()]
    placed = [row for row in rows if row.get("error_px", np.inf) <= WRONG_PX]
    wrong = sum(row.get("error_px", 0.0) > WRONG_PX for row in rows)
    print(f"{len(rows)} views, each of another board: {len(placed)} placed, {wrong} wrong, "
          f"{len(rows) - len(placed) - wrong} refused")  # fmt: skip
    heads = (
        "views",
        "hidden but measured",
        "> half hidden",
        "> 1 K wrong",
        "clear but called covered",
        "behind",
        "views",
    )
    print(f"{'':29s}{heads[0]}   {heads[1]:26s} {heads[2]} {heads[3]}   {heads[4]:30s} {heads[5]} {heads[6]:>12s}")
    groups = [(f"{cols} columns", [row for row in placed if row["cols"] == cols]) for cols in COLS]
    groups += [(kind, [row for row in placed if row["kind"] == kind]) for kind in (*KINDS, "none")]
    even = [row for row in placed if row["kind"] in EVEN]
    groups += [("cables, hands, clips, ribbons", even), ("all", placed)]
    for name, chosen in groups:
        if not chosen:
            continue
        total: Counter[str] = Counter()
        for row in chosen:
            total.update({key: row[key] for key in COUNTS})
        called = sum(row["clear_called"] > 0 for row in chosen)
        half = f"{total['half_measured']} of {total['half']}"
        print(
            f"{name:29s} {len(chosen):4d}   {_share(total['hidden_measured'], total['hidden']):26s}{half:>12s}"
            f" {total['wrong']:12d}   {_share(total['clear_called'], total['clear']):30s} {total['behind_called']:6d}"
            f" {called:12d}"
        )
    faint, of = (sum(row[key] for row in even) for key in ("faint", "hidden"))
    missed = sum(row["faint_measured"] for row in even)
    print(
        f"of {of} under cables, hands, clips, ribbons {faint} are changed by less than {FAINT_K} K, {missed} measured"
    )
    seconds = [row["seconds"] for row in placed if "seconds" in row]
    print(f"median {np.median(seconds):.2f} s of processor time an inspection")


def _share(count: int, of: int) -> str:
    """With the 95 % bound from above, were the parts independent."""
    if not of:
        return "none"
    bound = float(beta.ppf(0.95, count + 1, of - count)) if count < of else 1.0
    return f"{100 * count / of:5.1f} % of {of} (< {100 * bound:.1f} %)"


def main() -> None:
    """Run views, or print tables."""
    parser = view_options(__doc__, views=36, out="/tmp/covers.jsonl")
    parser.add_argument("--clicked", action="store_true", help="give corners, to 0.7 px")
    given = parser.parse_args()
    if given.tables:
        tables(given.tables)
        return
    seeds = range(given.first, given.first + given.views)
    write_lines(given.out, run_view, seeds, [given.clicked] * given.views, workers=given.workers)
    tables(given.out)


if __name__ == "__main__":
    main()
