"""
Several views against one, on boards that nobody has seen, through files as a user has them.

    python tests/benchmarks/views.py --frames /tmp/views --seed 1300 --boards 100 --save views.jsonl
    python tests/benchmarks/views.py --frames /tmp/faces --seed 1301 --boards 200 --mirror --save faces.jsonl
    python tests/benchmarks/views.py --tables views.jsonl

Boards, cameras and views are drawn by views_scenes.py and kept under ``--frames``, so that another version of the code
looks at the same ones. Corners, heights, lens and supply are not given. Every view is judged alone as well: placed with
the others, then read, put together and judged by itself. One JSON line a board.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from views_bad import draw_bad, look_at_bad, print_bad  # noqa: E402
from views_scenes import draw_scene  # noqa: E402

from thermscan import inspection as pipeline  # noqa: E402
from thermscan.errors import CannotJudge  # noqa: E402
from thermscan.inspection import Inspection, inspect_run  # noqa: E402
from thermscan.judge.judging import judge_run  # noqa: E402
from thermscan.registration.registration import PartHeight  # noqa: E402
from thermscan.runs.reading import read_run  # noqa: E402
from thermscan.views.seen import Bench, LostView, SeenView, see_views  # noqa: E402
from thermscan.views.together import Together, put_together  # noqa: E402

# Of a part's top, in pixels of the frame, and the share of it that nothing hides: such a part can be read.
WIDE_PX, CLEAR = 6.5, 0.9
TALL_MM = 3.0

Line = dict[str, Any]


def look_at(folder: Path) -> Line:
    """One board: what each view alone and all together tell, beside what is true."""
    truth = json.loads((folder / "truth.json").read_text())
    line = {key: truth[key] for key in ("seed", "board", "cols", "mirror", "load")}
    started = time.process_time()
    line["looks"] = _looks(folder, "view", truth)
    line["cpu_s"] = round(time.process_time() - started, 2)
    if truth["mirror"] and any(look and look["accused"] for look in line["looks"].values()):
        # Who is accused without the face, too, is accused for another reason.
        line["plain"] = _looks(folder, "plain", truth)
    line["truth"] = {
        ref: [part["mean_c"], part["height_mm"], [_readable(part, each) for each in part["seen"]]]
        for ref, part in truth["parts"].items()
    }
    return line


def _readable(part: Line, seen: Line) -> bool:
    return not part["metal"] and seen["width_px"] >= WIDE_PX and seen["share"] >= CLEAR


def _looks(folder: Path, name: str, truth: Line) -> dict[str, Line | None]:
    views = range(truth["views"])
    inspection, found = _inspect([folder / f"{name}-{k}.tiff" for k in views], folder, truth)
    looks: dict[str, Line | None] = {str(k): None for k in views} | {"all": None}
    if inspection is None:
        return looks
    for view in found:
        if isinstance(view, SeenView):
            looks[str(view.numbers[0])] = _alone(view, inspection)
    heights = inspection.registration.heights
    looks["all"] = _told(inspection.measurements, inspection.judgement, heights, inspection.remarks)
    looks["all"]["lost"] = sum(isinstance(view, LostView) for view in inspection.views)
    return looks


def _inspect(
    frames: Sequence[Path], folder: Path, truth: Line
) -> tuple[Inspection | None, tuple[SeenView | LostView, ...]]:
    """The command's own way; and the views as they were before they were fitted together."""
    given = {"layout": str(folder / "board.toml"), "ambient_c": truth["ambient_c"]}
    run = read_run(None, overrides={**given, "frames": [str(frame) for frame in frames]})
    kept: list[SeenView | LostView] = []

    def see_and_keep(*args: Any, **named: Any) -> tuple[SeenView | LostView, ...]:
        kept.extend(see_views(*args, **named))
        return tuple(kept)

    pipeline.see_views = see_and_keep
    try:
        return inspect_run(run), tuple(kept)
    except CannotJudge:
        return None, ()


def _alone(view: SeenView, inspection: Inspection) -> Line:
    """What one view says by itself."""
    run, board = inspection.run, inspection.board
    together = put_together([view], board, camera=inspection.camera, bench=Bench(run.ambient_c, run.reflected_c))
    judgement = _judged(together, inspection)
    return _told(together.measurements, judgement, view.registration.heights, ()) | {
        "method": view.registration.method,
        "tilt_deg": round(view.registration.view_angle_deg, 1),
    }


def _judged(together: Together, inspection: Inspection) -> Any:
    first = together.views[0]
    return judge_run(
        together.measurements,
        together.rectified,
        inspection.board,
        inspection.run,
        noise_k=first.image.noise_k,
        registration=first.registration,
        band_um=first.image.band,
        leaning=together.leaning,
    )


def _told(measurements: Sequence[Any], judgement: Any, heights: Any, remarks: Sequence[str]) -> Line:
    return {
        "parts": {m.part.ref: [round(m.mean_c, 4), round(m.u_c, 4), _own_k(m)] for m in measurements if m.measurable},
        "reasons": {m.part.ref: m.reason.code for m in measurements if m.reason},
        "accused": [[f.ref, f.rule, f.level] for f in judgement.findings],
        "heights": {ref: _height(known) for ref, known in heights.items()},
        "remarks": list(remarks),
    }


def _own_k(measured: Any) -> dict[str, float]:
    """The budget by source."""
    return {line.source: round(line.u_k, 4) for line in measured.budget}


def _height(known: PartHeight) -> list[float | bool]:
    return [round(known.height_mm, 3), round(known.u_mm, 3), known.seen]


def print_tables(lines: list[Line]) -> None:
    """What several views bring, from the lines of the boards."""
    for cols in sorted({line["cols"] for line in lines}):
        some = [line for line in lines if line["cols"] == cols]
        cpu = np.median([line["cpu_s"] for line in some])
        print(f"{cols} columns, {len(some)} boards{_mirrored(some[0]['mirror'])},"
              f" {cpu:.1f} s of processor time each")  # fmt: skip
        _print_places(some)
        _print_visible(some)
        _print_errors(some)
        _print_heights(some)
        _print_accused(some)


def _mirrored(what: str | bool) -> str:
    return f", a {what if isinstance(what, str) else 'face'} mirrored in each view" if what else ""


def _print_places(lines: list[Line]) -> None:
    lost = sum(look is None for line in lines for which, look in line["looks"].items() if which != "all")
    helped = sum(bool(look) and look.get("method") == "baseline" for line in lines for look in line["looks"].values())
    total = sum(len(line["looks"]) - 1 for line in lines)
    print(f"  views placed: {total - lost} of {total} ({helped} with another's help)")


def _print_visible(lines: list[Line]) -> None:
    """Parts that some view shows, by the truth; and that are measured."""
    for which in ("0", "all"):
        could = got = 0
        missed: dict[str, int] = {}
        for line in lines:
            look = line["looks"][which]
            if look is None:
                continue
            views = [int(which)] if which != "all" else [k for k in range(9) if line["looks"].get(str(k))]
            able = {ref for ref, (_, _, seen) in line["truth"].items() if any(seen[k] for k in views)}
            could += len(able)
            got += len(able & set(look["parts"]))
            for ref in able - set(look["parts"]):
                missed[look["reasons"][ref]] = missed.get(look["reasons"][ref], 0) + 1
        why = ", ".join(f"{code} {count}" for code, count in sorted(missed.items(), key=lambda each: -each[1]))
        name = "all views" if which == "all" else "the first view"
        print(f"  visible in {name}: {could}; measured: {got}, {100 * got / max(could, 1):.1f} % ({why})")


def _print_errors(lines: list[Line]) -> None:
    """Errors over parts that all looks measured: absolute, against each other, and against each part's own mean."""
    kinds: dict[str, Callable[[np.ndarray], np.ndarray]] = {
        "absolute": lambda e: e,
        "after the board's common offset": lambda e: e - np.median(e),
    }
    table: dict[str, dict[str, list[float]]] = {
        kind: {} for kind in (*kinds, "each view's own", "the same from all sides", "weighted by the truth")
    }
    gains = []
    for line in lines:
        singles = [k for k in line["looks"] if k != "all" and line["looks"][k]]
        if line["looks"]["all"] is None or len(singles) < 2:
            continue
        parts = {k: line["looks"][k]["parts"] for k in (*singles, "all")}
        common = sorted(set.intersection(*(set(each) for each in parts.values())))
        if len(common) < 4:
            continue
        errors = {k: np.array([parts[k][ref][0] - line["truth"][ref][0] for ref in common]) for k in parts}
        for kind, after in kinds.items():
            rms = {k: _rms(after(e)) for k, e in errors.items()}
            _add(table[kind], [rms[k] for k in singles], rms["all"])
        # What all views share is not theirs: the views' median error of each part, taken off.
        alone = np.stack([errors[k] - np.median(errors[k]) for k in singles])
        own = alone - alone.mean(axis=0)
        freed = np.sqrt(len(singles) / (len(singles) - 1))
        table["each view's own"].setdefault("a view", []).append(_rms(own) * freed)
        left = max(_rms(alone.mean(axis=0)) ** 2 - (_rms(own) * freed) ** 2 / len(singles), 0.0)
        table["the same from all sides"].setdefault("left by any weighting", []).append(float(np.sqrt(left)))
        by_truth = [_rms(mean - np.median(mean)) for mean in _simplex(len(singles)) @ alone]
        table["weighted by the truth"].setdefault("best weights of a board's views", []).append(min(by_truth))
        together = table["after the board's common offset"]
        gains.append(1 - together["together"][-1] / together["best"][-1])
    for kind, columns in table.items():
        print(f"  {kind}, K rms: " + ", ".join(f"{name} {_rms(np.array(v)):.3f}" for name, v in columns.items()))
    if gains:
        own, left = (_rms(np.array(next(iter(table[kind].values())))) for kind in
                     ("each view's own", "the same from all sides"))  # fmt: skip
        if own > left:
            rest = _rms(np.array(table["after the board's common offset"]["together"])) ** 2 - left**2
            gone = 100 * (1 - rest / own**2)
            print(f"  of the variance that is each view's own, gone together: {gone:.0f} % (a plain mean of"
                  f" {len(singles)} equally good ones: {100 * (1 - 1 / len(singles)):.0f} %)")  # fmt: skip
        print(f"  boards: {len(gains)}; below the best view by {100 * np.median(gains):.0f} % (median)")


def _simplex(views: int) -> np.ndarray:
    """Weights of so many views that add to one, in steps of a tenth; shape (n, views)."""
    steps = np.array(np.meshgrid(*[np.arange(11)] * views)).reshape(views, -1).T
    return steps[steps.sum(axis=1) == 10] / 10


def _add(columns: dict[str, list[float]], singles: list[float], together: float) -> None:
    columns.setdefault("a view", []).append(_rms(np.array(singles)))
    columns.setdefault("best", []).append(min(singles))
    columns.setdefault("together", []).append(together)


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else float("nan")


def _print_heights(lines: list[Line]) -> None:
    for which in ("a single view", "all views"):
        off, u, seen = [], [], []
        for line in lines:
            names = ["all"] if which == "all views" else [k for k in line["looks"] if k != "all"]
            for look in (line["looks"][k] for k in names):
                for ref, (said, doubt, told) in (look["heights"] if look else {}).items():
                    true = line["truth"][ref][1]
                    if true > TALL_MM:
                        off.append(said - true)
                        u.append(doubt)
                        seen.append(told)
        if off:
            miss, doubts = np.array(off), np.array(u)
            print(f"  heights over {TALL_MM:g} mm, {which}: {len(off)}, {_rms(miss):.2f} mm rms, median"
                  f" {np.median(np.abs(miss)):.2f}, 68 % within {np.quantile(np.abs(miss), 0.683):.2f};"
                  f" truth within 2u {100 * np.mean(np.abs(miss) <= 2 * doubts):.1f} %; told by the frames"
                  f" {100 * np.mean(seen):.0f} %")  # fmt: skip


def _print_accused(lines: list[Line]) -> None:
    """Boards on which somebody is accused; with a face, of those whom the same views without it do not accuse."""
    for level in ("act", "watch"):
        counts: dict[str, int] = {}
        looks: dict[str, int] = {}
        for line in lines:
            for which, look in line["looks"].items():
                if look is None:
                    continue
                plain = line.get("plain", {}).get(which)
                before = {(ref, rule) for ref, rule, _ in plain["accused"]} if plain else set()
                named = [ref for ref, rule, at in look["accused"] if at == level and (ref, rule) not in before]
                name = "together" if which == "all" else "alone"
                looks[name] = looks.get(name, 0) + 1
                counts[name] = counts.get(name, 0) + bool(named)
        print(f"  looks with a '{level}': " + ", ".join(f"{name} {counts[name]} of {looks[name]}" for name in counts))


def main() -> int:
    """Draw and look at the boards that are missing, or print the tables of those that are there."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=40)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=12)
    parser.add_argument("--cols", type=int, default=320)
    parser.add_argument("--mirror", nargs="?", const="face", default="", choices=("face", "lamp"), help="in each view")
    parser.add_argument("--bad", action="store_true", help="one bad view among five (views_bad.py)")
    parser.add_argument("--frames", type=Path, default=Path("/tmp/views"), help="where the frames are kept")
    parser.add_argument("--save", type=Path, default=Path("views.jsonl"))
    parser.add_argument("--tables", type=Path, help="print the tables of these lines, run nothing")
    given = parser.parse_args()
    if given.tables:
        lines = [json.loads(line) for line in given.tables.read_text().splitlines()]
        (print_bad if given.bad else print_tables)(lines)
        return 0
    cv2.setNumThreads(1)
    sort = "-bad" if given.bad else f"-{given.mirror}" if given.mirror else ""
    for number in range(given.first, given.first + given.boards):
        folder = given.frames / f"{given.seed}-{number}-{given.cols}{sort}"
        if given.bad:
            draw_bad(given.seed, number, folder, cols=given.cols)
        else:
            draw_scene(given.seed, number, folder, cols=given.cols, mirror=given.mirror)
        with given.save.open("a", encoding="utf-8") as file:
            file.write(json.dumps((look_at_bad if given.bad else look_at)(folder)) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
