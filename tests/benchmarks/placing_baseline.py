"""
What a baseline buys where a board is looked for: looks placed with its picture and without.

    python tests/benchmarks/placing_baseline.py --views 60 --first 32000 --out baseline.jsonl
    python tests/benchmarks/placing_baseline.py --views 60 --first 32100 --listed 5 --out few.jsonl
    python tests/benchmarks/placing_baseline.py --tables baseline.jsonl

Every number is another board of `scenes.py`, heights not stated. Its baseline is learnt by `learn_baseline` from one
look at each of two good specimens, from places of their own, with corners clicked to 1 px. Then a third specimen, in
which one to three parts run otherwise, is looked at four times, with no help but the baseline: as it comes; with
something over it; so near that the frame does not hold it; on a bench as warm as the board's rim. Every second board's
camera states its field of view. ``--listed``: the layout has only so many of the parts, the largest, as
someone writes it who is in a hurry. Right: within 1.5 px RMS over part centres.
"""

from __future__ import annotations

import json
import os
import sys
import warnings
from dataclasses import dataclass, replace
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import cv2  # noqa: E402
import numpy as np  # noqa: E402

from tests.benchmarks.line_files import view_options, write_lines  # noqa: E402
from tests.benchmarks.placing import COLS, WRONG_PX, attempt  # noqa: E402
from tests.benchmarks.scene_boards import TrueBoard, true_board  # noqa: E402
from tests.benchmarks.scenes import SHAPES, Scene, Temps, pose_at, taken  # noqa: E402
from thermscan.errors import ThermscanError  # noqa: E402
from thermscan.frames.frame import Frame  # noqa: E402
from thermscan.judge.learning import learn_baseline  # noqa: E402
from thermscan.radiometry.lens import straighten_image  # noqa: E402
from thermscan.regions.measure import measure_parts  # noqa: E402
from thermscan.regions.measurement import PartMeasurement, Rectified  # noqa: E402
from thermscan.regions.rectify import rectify_frame  # noqa: E402
from thermscan.registration import BaselineRaster, register_board  # noqa: E402
from thermscan.runs.run import Run  # noqa: E402

LOOKS = ("as it comes", "something over it", "beyond the frame", "bench as warm")
AMBIENT_C = 22.0


@dataclass(frozen=True)
class _Good:
    """What `learn_baseline` reads of an inspection."""

    run: Run
    board: object
    frames: tuple[Frame, ...]
    rectified: Rectified
    measurements: tuple[PartMeasurement, ...]


def looks(seed: int, listed: int) -> tuple[BaselineRaster, list[Scene]]:
    """The baseline's picture of a board, and the third specimen's looks in the order of `LOOKS`."""
    cols = COLS[seed % len(COLS)]
    rng = np.random.default_rng([seed, cols, 551])
    kind = true_board(rng, heights="unstated")
    bend = float(rng.uniform(0.005, 0.02) * rng.choice([-1, -1, 1])) if rng.random() < 0.4 else 0.0
    cool = bool(rng.random() < 0.5)
    good = []
    for number in range(2):
        truth = _specimen(rng, kind)
        times = rng.lognormal(0, 0.1, len(truth.parts))
        good.append(_look(rng, truth, _temps(seed, truth, cool, times), bend, seed=seed, max_tilt_deg=40.0))
        good[-1] = replace(good[-1], seed=10 * seed + number)
    truth = _specimen(rng, kind)
    times = rng.lognormal(0, 0.1, len(truth.parts))
    times[rng.choice(len(times), int(rng.integers(1, 4)), replace=False)] *= rng.choice([0.0, 4.0])
    fresh = []
    for name in LOOKS:
        temps = _temps(seed, truth, cool, times)
        temps.bench = float(rng.normal(0, 0.7))
        if name == "bench as warm":
            rim = np.hstack([temps.board[0], temps.board[-1], temps.board[:, 0], temps.board[:, -1]])
            temps.bench = float(np.median(rim))
        fresh.append(_look(rng, truth, temps, bend, seed=seed, covers=name == "something over it",
                           near=name == "beyond the frame"))  # fmt: skip
    area = np.array([part.length_mm * part.width_mm for part in kind.parts])
    kept = np.sort(np.argsort(-area)[:listed])
    learnt = learn_baseline([_seen(_listed(view, kept)) for view in good])
    return BaselineRaster(learnt.rise_raster_k, learnt.mm_per_px), [_listed(view, kept) for view in fresh]


def _listed(view: Scene, kept: np.ndarray) -> Scene:
    """With a layout that knows of some parts only."""
    drawn, real = ([parts[k] for k in kept] for parts in (view.truth.layout.parts, view.truth.parts))
    layout = replace(view.truth.layout, parts=tuple(drawn))
    return replace(view, truth=replace(view.truth, layout=layout, parts=tuple(real)))


def _specimen(rng: np.random.Generator, kind: TrueBoard) -> TrueBoard:
    """Another of the kind: its parts sit where they were soldered, a little higher or lower."""
    parts = tuple(
        replace(part, x_mm=drawn.x_mm + rng.normal(0, 0.12), y_mm=drawn.y_mm + rng.normal(0, 0.12),
                rotation_deg=drawn.rotation_deg + rng.normal(0, 0.4), height_mm=part.height_mm * rng.normal(1, 0.03))
        for part, drawn in zip(kind.parts, kind.layout.parts, strict=True)
    )  # fmt: skip
    return replace(kind, parts=parts)


def _temps(seed: int, truth: TrueBoard, cool: bool, times: np.ndarray) -> Temps:
    """The kind's temperatures, with its parts' powers so many times what they usually are."""
    return Temps(np.random.default_rng([seed, 552]), truth, cool=cool, times=times)


def _look(
    rng: np.random.Generator, truth: TrueBoard, temps: Temps, bend: float, *, seed: int, max_tilt_deg: float = 55.0,
    covers: bool = False, near: bool = False,
) -> Scene:  # fmt: skip
    shape = SHAPES[COLS[seed % len(COLS)]]
    beyond = {"extent": (1.05, 1.6), "margin_px": -0.4 * shape[1]} if near else {}
    lens, tilt = pose_at(rng, truth, shape, bend, max_tilt_deg, **beyond)  # type: ignore[arg-type]
    view = taken(rng, truth, lens, temps, seed=seed, tilt_deg=tilt, covers=covers)
    return replace(view, image=replace(view.image, apparent_c=view.image.apparent_c + AMBIENT_C))


def _seen(view: Scene) -> _Good:
    """A good look, as `inspect_run` reads it where corners were clicked."""
    clicks = view.corners_px() + np.random.default_rng(view.seed).normal(0, 1.0, (4, 2))
    found = register_board(view.image, view.board, corners_px=clicks, straighten=True)
    image = straighten_image(view.image, found.lens) if found.lens is not None else view.image
    measured = measure_parts(image, found, view.board, ambient_c=AMBIENT_C, reflected_c=AMBIENT_C)
    run = Run(frames=(), ambient_c=AMBIENT_C, reflected_c=AMBIENT_C)
    return _Good(run, view.board, (), rectify_frame(image, found, view.board), tuple(measured))


def run_board(seed: int, listed: int) -> dict[str, object]:
    """Each look at one board, with and without."""
    cv2.setNumThreads(1)
    warnings.simplefilter("ignore")
    try:
        raster, views = looks(seed, listed)
    except ThermscanError as error:
        return {"looks": [], "not learnt": str(error)}
    fov = seed // len(COLS) % 2 == 0
    told: list[dict[str, object]] = []
    for name, view in zip(LOOKS, views, strict=True):
        without = attempt(view, view, fov=fov, measure=False)
        given = attempt(view, view, fov=fov, measure=False, baseline_raster=raster)
        about = {"seed": seed, "cols": view.image.shape[1], "tilt": view.tilt_deg, "look": name}
        told.append(about | {"without": without, "given": given})
    return {"looks": told}


def tables(path: Path) -> None:
    """Print what a run found."""
    rows = [row for line in path.read_text().splitlines() for row in json.loads(line)["looks"]]
    print(f"{len({row['seed'] for row in rows})} boards, {len(rows)} looks")
    print(f"{'':22s} looks  without: right wrong refused   baseline: right wrong refused   of the refused: right wrong"
          "   ms without/with, of the refused")  # fmt: skip
    groups = [(f"{cols} columns", [row for row in rows if row["cols"] == cols]) for cols in COLS]
    groups += [(name, [row for row in rows if row["look"] == name]) for name in LOOKS]
    groups = [each for each in [*groups, ("all", rows)] if each[1]]
    for name, chosen in groups:
        plain, given = ([_outcome(row[key]) for row in chosen] for key in ("without", "given"))
        lost = [row for row in chosen if _outcome(row["without"]) == "refused"]
        rescued = [_outcome(row["given"]) for row in lost]
        counts = [
            f"{each.count('right'):5d} {each.count('wrong'):5d} {each.count('refused'):5d}" for each in (plain, given)
        ]
        print(f"{name:22s} {len(chosen):5d}        {counts[0]}                {counts[1]}"
              f"                {rescued.count('right'):5d} {rescued.count('wrong'):5d}"
              f"        {_ms(chosen)}, {_ms(lost)}")  # fmt: skip
    print("placed rightly both ways:         looks  RMS px  mm   corner px   covered %  stated px | with the baseline")
    for name, chosen in groups:
        both = [row for row in chosen if _outcome(row["without"]) == _outcome(row["given"]) == "right"]
        if both:
            print(
                f"{name:33s} {len(both):5d}  "
                + "  | ".join(_figures([row[key] for row in both]) for key in ("without", "given"))
            )


def _outcome(tried: dict[str, float]) -> str:
    return "refused" if "error_px" not in tried else "right" if tried["error_px"] <= WRONG_PX else "wrong"


def _ms(rows: list[dict]) -> str:
    if not rows:
        return "none"
    return " / ".join(f"{1e3 * np.mean([row[key]['seconds'] for row in rows]):.0f}" for key in ("without", "given"))


def _figures(tried: list[dict[str, float]]) -> str:
    rms = [np.sqrt(np.mean([each[key] ** 2 for each in tried])) for key in ("error_px", "error_mm", "corner_px")]
    covered = 100 * np.mean([each["covered"] for each in tried])
    stated = np.sqrt(np.mean([each["stated_px"] ** 2 for each in tried]))
    return f"{rms[0]:6.3f} {rms[1]:6.3f} {rms[2]:6.3f} {covered:8.1f} {stated:10.3f}"


def main() -> None:
    """Run boards, or print tables."""
    parser = view_options(__doc__, views=24, out="/tmp/placing-baseline.jsonl")
    parser.add_argument("--listed", type=int, default=1000, help="so many parts at most are in the layout")
    given = parser.parse_args()
    if given.tables:
        tables(given.tables)
        return
    seeds = range(given.first, given.first + given.views)
    write_lines(given.out, run_board, seeds, [given.listed] * given.views, workers=given.workers)
    tables(given.out)


if __name__ == "__main__":
    main()
