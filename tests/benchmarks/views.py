"""
Several views against one, on boards that nobody has seen, through files as a user has them.

    python tests/benchmarks/views.py --first 1000 --boards 40 --save views.jsonl
    python tests/benchmarks/views.py --tables views.jsonl

Each board is another type (judging_world.py: tall parts of which the layout states no height), seen by one camera with
a real sensor's faults (judging_camera.py) in three views from 20 to 45 degrees, 120 degrees apart, its offset moving a
little from view to view. ``--mirror``: every part has emissivity 0.85, as the layout says, and a face of 34 °C is
mirrored in each view, at another place of the board each time; the board is good, so that whoever is accused is
innocent. Corners, heights and supply are not given. One JSON line a board.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]

import numpy as np  # noqa: E402
from judging_camera import SHAPES, bend_picture, draw_camera, sense  # noqa: E402
from judging_draw import write_layouts  # noqa: E402
from judging_world import BoardType, draw_duty, draw_type, draw_unit  # noqa: E402

from samples.simulator import IDEAL, Background, BoardField, place_camera, render_frame, write_tiff  # noqa: E402
from samples.simulator.boards import SURFACES  # noqa: E402
from thermscan.errors import CannotJudge  # noqa: E402
from thermscan.inspection import Inspection, inspect_run  # noqa: E402
from thermscan.layout.board import Board  # noqa: E402
from thermscan.runs.reading import read_run  # noqa: E402

VIEWS, TILT_DEG = 3, (20.0, 45.0)
DRIFT_K = 0.2
FACE_C, MIRROR_EMISSIVITY = 34.0, 0.85


def run_board(seed: int, number: int, *, mirror: bool) -> dict[str, object]:
    """One board in three views, each alone and all together; what was read, and what was true."""
    rng = np.random.default_rng([seed, number])
    kind = draw_type(rng)
    if mirror:
        kind = replace(kind, told=_shiny(kind.told), true=_shiny(kind.true))
    field = kind.solve(draw_duty(rng, kind, draw_unit(rng, kind), 1.0), kind.ambient_c)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_layouts(rng, folder, kind)
        cols = _take_views(rng, folder, kind, field, shape=SHAPES[1 + number % 3], mirror=mirror)
        looks = {
            which: _inspect(folder, frames, kind)
            for which, frames in [*((str(k), [k]) for k in range(VIEWS)), ("all", list(range(VIEWS)))]
        }
    truth = {part.ref: field.truth(part).mean_c for part in kind.true.parts}
    return {"seed": seed, "board": number, "cols": cols, "mirror": mirror, "parts": len(truth)} | {
        "looks": {which: _told(look, truth) for which, look in looks.items()}
    }


def _shiny(board: Board) -> Board:
    """Every part that is measured has a surface of emissivity 0.85."""
    surface = replace(SURFACES["anodised"], emissivity=MIRROR_EMISSIVITY)
    return replace(board, parts=tuple(replace(p, surface=surface) if p.ref[0] == "U" else p for p in board.parts))


def _take_views(
    rng: np.random.Generator, folder: Path, kind: BoardType, field: BoardField, *, shape: tuple[int, int], mirror: bool
) -> int:
    camera = draw_camera(rng, shape)
    first_deg = float(rng.uniform(0, 360))
    emissivity = {ref: MIRROR_EMISSIVITY if mirror and ref[:1] == "U" else e for ref, e in kind.emissivity.items()}
    for view in range(VIEWS):
        pose = place_camera(
            kind.true,
            shape,
            tilt_deg=float(rng.uniform(*TILT_DEG)),
            azimuth_deg=first_deg + 120 * view + float(rng.uniform(-25, 25)),
            turn_deg=float(rng.uniform(-25, 25)),
            fill=float(rng.uniform(0.65, 0.9)),
            fov_deg=float(rng.uniform(30, 50)),
        )
        seen = render_frame(
            field,
            kind.true,
            pose,
            rng=rng,
            netd_k=0.0,
            sensor=IDEAL,
            blur_px=camera.blur_px,
            emissivity=emissivity,
            background=Background(operator_c=FACE_C if mirror else None),
            heights=True,
        )
        drifted = replace(camera, offset_k=camera.offset_k + float(rng.normal(0, DRIFT_K)))
        write_tiff(folder / f"view-{view}.tiff", [sense(rng, bend_picture(seen.apparent_c, drifted), drifted)])
    return shape[1]


def _inspect(folder: Path, frames: list[int], kind: BoardType) -> Inspection | None:
    names = [str(folder / f"view-{k}.tiff") for k in frames]
    try:
        return inspect_run(
            read_run(
                None,
                overrides={"layout": str(folder / "board.toml"), "frames": names, "ambient_c": kind.ambient_c},
            )
        )
    except CannotJudge:
        return None


def _told(look: Inspection | None, truth: dict[str, float]) -> dict[str, object] | None:
    if look is None:
        return None
    errors = {m.part.ref: m.mean_c - truth[m.part.ref] for m in look.measurements if m.mean_c is not None}
    return {
        "errors": {ref: round(error, 3) for ref, error in errors.items()},
        "reasons": {m.part.ref: m.reason.code for m in look.measurements if m.reason},
        "acts": [f.ref for f in look.judgement.findings if f.level == "act"],
        "views": len(look.views),
    }


def print_tables(lines: list[dict[str, object]]) -> None:
    """What several views bring, from the lines of the boards."""
    for cols in sorted({line["cols"] for line in lines}):  # type: ignore[type-var]
        some = [line for line in lines if line["cols"] == cols]
        print(f"{cols} columns, {len(some)} boards{', a face mirrored in each view' if some[0]['mirror'] else ''}")
        _print_one([line["looks"] for line in some])  # type: ignore[misc]


def _print_one(looks: list[dict[str, dict[str, dict[str, object]] | None]]) -> None:
    singles = [str(k) for k in range(VIEWS)]
    visible = seen = 0
    spread: dict[str, list[float]] = {which: [] for which in ("best", "usual", "all")}
    refused = {which: sum(look[which] is None for look in looks) for which in (*singles, "all")}
    accused = {which: sum(bool(look[which] and look[which]["acts"]) for look in looks) for which in refused}
    for look in looks:
        alone = [look[k]["errors"] for k in singles if look[k]]
        if not look["all"] or len(alone) < VIEWS:
            continue
        together = look["all"]["errors"]
        visible += len(set().union(*alone))
        seen += len(set().union(*alone) & set(together))
        common = set.intersection(set(together), *(set(each) for each in alone))
        if len(common) > 1:
            each_alone = [_spread(each, common) for each in alone]
            spread["best"].append(min(each_alone))
            spread["usual"].append(float(np.sqrt(np.mean(np.square(each_alone)))))
            spread["all"].append(_spread(together, common))
    print(f"  not placed, view by view: {[refused[k] for k in singles]}; together: {refused['all']}")
    print(f"  parts that any one view measures: {visible}; of these measured together: {seen}")
    usual, best, both = (float(np.sqrt(np.mean(np.square(spread[which])))) for which in ("usual", "best", "all"))
    print(
        f"  error after the board's common offset, rms: a single view {usual:.3f} K, the best of three (by the truth)"
        f" {best:.3f} K, together {both:.3f} K"
    )
    print(f"  boards with an 'act', view by view: {[accused[k] for k in singles]}; together: {accused['all']}")


def _spread(errors: dict[str, float], refs: set[str]) -> float:
    values = np.array([errors[ref] for ref in sorted(refs)])
    return float((values - np.median(values)).std())


def main() -> int:
    """Run the boards that are missing, or print the tables of those that are there."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=12)
    parser.add_argument("--mirror", action="store_true", help="a face mirrored in each view")
    parser.add_argument("--save", type=Path, default=Path("views.jsonl"))
    parser.add_argument("--tables", type=Path, help="print the tables of these lines, run nothing")
    given = parser.parse_args()
    if given.tables:
        print_tables([json.loads(line) for line in given.tables.read_text().splitlines()])
        return 0
    for number in range(given.first, given.first + given.boards):
        line = run_board(given.seed, number, mirror=given.mirror)
        with given.save.open("a") as file:
            file.write(json.dumps(line) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
