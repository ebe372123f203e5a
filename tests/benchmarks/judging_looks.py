"""
What the tool says about the looks at one board, as a user calls it, beside the truth: one JSON line a look and way.

    PYTHONPATH=TREE python tests/benchmarks/judging_looks.py FOLDER|SEEN [--ways peers,baseline,lone] [--seen SEEN]

Runs with whichever thermscan is on the path, so that one set of frames can be put before two versions of the code:
everything goes through files, `read_run`, `inspect_run`, `learn_baseline` and results.json. With `--seen` what the
judge was given is kept as well (`judging_seen`); where that file is named instead of a folder, its looks are judged
again without being read and placed anew.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from judging_seen import FromFiles, FromSeen  # noqa: E402

from thermscan.errors import ThermscanError  # noqa: E402
from thermscan.judge.baseline_file import read_baseline, write_baseline  # noqa: E402
from thermscan.judge.learning import learn_baseline  # noqa: E402
from thermscan.radiometry.lens import bend_points  # noqa: E402
from thermscan.report.results import results_document  # noqa: E402

CALLERS = ("thermscan.inspection", "thermscan.views.seen")
WAYS = ("peers", "baseline", "lone")
# A lone board is looked at twice: as it is, and with its first fault.
LONE_LOOKS = ("look-0", "look-1")
# Faults of which only a data sheet tells: judged as a lone board only.
LONE_KINDS = ("tripled", "dead alone")
Source = FromFiles | FromSeen


def main() -> int:
    """Judge every look in a folder and print the lines."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("board", type=Path, help="a folder of files, or what an earlier judge was given")
    parser.add_argument("--ways", default=",".join(WAYS))
    parser.add_argument("--seen", type=Path, help="keep there what the judge is given")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    warnings.simplefilter("ignore")
    ways = given.ways.split(",")
    if given.board.is_file():
        again = FromSeen(given.board)
        _print_lines(again, again.truth, ways)
        return 0
    find_places_once()
    files = FromFiles(given.board, keep=given.seen is not None)
    truth = json.loads((given.board / "truth.json").read_text())
    _print_lines(files, truth, ways)
    if given.seen is not None:
        files.write(given.seen, truth)
    return 0


def _print_lines(source: Source, truth: dict[str, Any], ways: Sequence[str]) -> None:
    for line in judge_board(source, truth, ways):
        print(json.dumps(line, allow_nan=False), flush=True)


def find_places_once() -> None:
    """
    Take a place over from one way of judging to the next: it costs most, and no way of judging changes it.

    A look whose board is not found is registered again, since good runs may find it.
    """
    # Wherever this version of the code calls it from.
    callers = [module for name, module in sys.modules.items() if name in CALLERS and hasattr(module, "register_board")]
    register, places = callers[0].register_board, {}

    def once(image: Any, *given: Any, **named: Any) -> Any:
        key = hashlib.sha256(image.apparent_c.tobytes()).digest()
        if key not in places:
            places[key] = register(image, *given, **named)
        return places[key]

    for module in callers:
        module.register_board = once  # type: ignore[attr-defined]


def judge_board(source: Source, truth: dict[str, Any], ways: Sequence[str]) -> list[dict[str, Any]]:
    """All looks at a board in each way of judging: by peers, by known-good runs, as a lone board."""
    baseline, learned = _learn(source) if "baseline" in ways else (None, [])
    said: list[tuple[str, str, dict[str, Any]]] = []
    looks = {look["name"]: look for look in truth["looks"]}
    for name, look in looks.items():
        alone = look["kind"] in LONE_KINDS
        if "peers" in ways and not alone:
            said.append((name, "peers", _inspect(source, name, None, deep=True)))
        if "baseline" in ways and baseline is not None and not alone:
            said.append((name, "baseline", _inspect(source, name, baseline)))
        if "lone" in ways and (alone or name in LONE_LOOKS):
            said.append((name, "lone", _inspect_lone(source, name)))
    about = {key: value for key, value in truth.items() if key != "looks"}
    return [
        {
            **{**about, "good_runs": learned, "way": way, **looks[name], "parts": None},
            **{"watts": sum(part[1] for part in true.values()), "drawn_w": _drawn_w(looks[name]["fault"], true)},
            "said": _beside(answer, true),
        }
        for name, way, answer in said
        if (true := looks[name]["parts"])
    ]


def _drawn_w(fault: dict[str, Any] | None, true: dict[str, list[float]]) -> float | None:
    """The most that the faulty part draws, of before and now."""
    if fault is None or fault["ref"] is None:
        return None
    now_w = true[fault["ref"]][1]
    return float(max(now_w, now_w - fault["watts"]))


def _learn(source: Source) -> tuple[Any, list[str]]:
    """From the good runs that could be inspected, through the file that the command writes; and what became of each."""
    inspections, learned = [], []
    for name in source.names():
        if not name.startswith("good-"):
            continue
        try:
            inspections.append(source.inspect(name, None))
            learned.append("learned")
        except ThermscanError as error:
            learned.append(str(error))
    try:
        baseline = learn_baseline(inspections)
    except ThermscanError as error:
        return None, [*learned, str(error)]
    with tempfile.TemporaryDirectory() as temporary:
        target = Path(temporary) / "good.json"
        write_baseline(baseline, target)
        return read_baseline(target), learned


def _inspect_lone(source: Source, name: str) -> dict[str, Any]:
    """Without groups; with the watts of data sheets where this version of the layout knows them."""
    answer = _inspect(source, f"{name}-lone", None, deep=True)
    if "watts" in (answer["refused"] or ""):
        return {**_inspect(source, f"{name}-lone-plain", None), "watts_stated": False}
    return {**answer, "watts_stated": True}


def _inspect(source: Source, name: str, baseline: Any, *, deep: bool = False) -> dict[str, Any]:
    started = time.process_time()
    try:
        inspection = source.inspect(name, baseline)
        document = json.loads(json.dumps(results_document(inspection), allow_nan=False))
    except ThermscanError as error:
        return {"refused": str(error), "seconds": round(time.process_time() - started, 2)}
    except Exception:
        return {"refused": "internal fault", "fault": traceback.format_exc(), "seconds": 0.0}
    answer: dict[str, Any] = {"refused": None, "seconds": round(time.process_time() - started, 2)}
    keys = ("overall", "findings", "unmapped", "parts", "registration", "not_compared", "remarks")
    answer |= {key: document.get(key) for key in keys}
    places = _in_frame(inspection, np.array([[part.x_mm, part.y_mm] for part in inspection.board.parts]))
    answer["places"] = {part.ref: xy.round(3).tolist() for part, xy in zip(inspection.board.parts, places, strict=True)}
    if deep:
        answer["watts"] = _told_watts(document)
        answer["peers"] = _peer_differences(inspection)
    return answer


def _in_frame(inspection: Any, points_mm: np.ndarray) -> np.ndarray:
    """Where points are told to be seen in the frame as it was saved; a place may be told in the straightened frame."""
    places = inspection.registration.px(points_mm)
    lens = getattr(inspection.registration, "lens", None)
    if lens is None:
        return places
    return np.asarray(bend_points(places, lens))


def _told_watts(document: dict[str, Any]) -> dict[str, list[float]]:
    """Watts by part with their u, where they are told."""
    return {p["ref"]: [p["watts"], p["watts_u"]] for p in document["parts"] if p.get("watts") is not None}


def _peer_differences(inspection: Any) -> list[list[Any]]:
    """Each member against the mean of the others of its group: ref, others' refs, difference, its stated u."""
    from thermscan.judge.comparison import difference_u_k

    groups: dict[str, list[Any]] = {}
    for m in inspection.measurements:
        if m.part.group and m.measurable:
            groups.setdefault(m.part.group, []).append(m)
    rows: list[list[Any]] = []
    for members in groups.values():
        for one in members if len(members) > 2 else []:
            others = [other for other in members if other is not one]
            difference = one.mean_c - float(np.mean([other.mean_c for other in others]))
            rows.append([one.part.ref, [o.part.ref for o in others], difference, float(difference_u_k(one, others))])
    return rows


def _beside(answer: dict[str, Any], true: dict[str, list[float]]) -> dict[str, Any]:
    """The answer in few words, each figure beside its truth."""
    if answer["refused"] is not None:
        return answer
    registration = answer.pop("registration")
    places = answer.pop("places")
    off = np.array([np.subtract(places[ref], true[ref][2:4]) for ref in true])
    answer["method"] = registration["method"]
    answer["uncertainty_mm"] = registration["uncertainty_mm"]
    answer["off_px"] = round(float(np.sqrt((off**2).sum(axis=1).mean())), 3)
    answer["worst_off_px"] = round(float(np.hypot(*off.T).max()), 3)
    answer["px_per_mm"] = round(
        _px_per_mm(np.array(registration["px_from_mm"]), at_px=next(iter(true.values()))[2:4]), 3
    )
    answer["parts"] = [_part_line(part, true[part["ref"]]) for part in answer["parts"]]
    answer["findings"] = [
        {key: finding.get(key) for key in ("ref", "rule", "level", "direction", "excess_k", "u_k", "score", "text")}
        for finding in answer["findings"]
    ]
    answer["unmapped"] = [[u["x_mm"], u["y_mm"], u["rise_k"]] for u in answer["unmapped"]]
    if "watts" in answer:
        answer["watts"] = [[ref, true[ref][1], *told] for ref, told in answer["watts"].items() if ref in true]
        answer["peers"] = [
            [difference - (true[ref][0] - float(np.mean([true[o][0] for o in others]))), u]
            for ref, others, difference, u in answer["peers"]
        ]
    return answer


def _px_per_mm(px_from_mm: np.ndarray, *, at_px: list[float]) -> float:
    """Scale of the picture at a point of it: the root of the determinant of the map's derivative there."""
    inverse = np.linalg.inv(px_from_mm)

    def mm(x_px: float, y_px: float) -> np.ndarray:
        point = inverse @ [x_px, y_px, 1.0]
        return point[:2] / point[2]

    x, y = at_px
    steps = np.column_stack([mm(x + 0.5, y) - mm(x - 0.5, y), mm(x, y + 0.5) - mm(x, y - 0.5)])
    return float(abs(np.linalg.det(steps)) ** -0.5)


def _part_line(part: dict[str, Any], true: list[float]) -> list[Any]:
    """ref, true mean, mean, u, pixels, reason's code, verdict, what it was compared by, suspicion."""
    return [
        part["ref"],
        true[0],
        part["mean_c"],
        part["u_c"],
        part["pixels"],
        part.get("reason_code") or part["reason"],
        part["verdict"],
        part.get("compared_by"),
        part.get("suspicion"),
    ]


if __name__ == "__main__":
    sys.exit(main())
