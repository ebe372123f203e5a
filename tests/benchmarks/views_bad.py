"""
One bad view among five: what it changes in the verdicts that four good ones give.

    python tests/benchmarks/views.py --bad --frames /tmp/bad --seed 1501 --boards 20 --save bad.jsonl
    python tests/benchmarks/views.py --bad --tables bad.jsonl

Half of the boards have a part that runs hot. The fifth view is a good one (what any further view changes), one with a
hand over a third of the board, one out of focus, one of another board, one of the same board 5 K warmer in the mean,
or of a lens cap; it stands first among the frames on every second board, last on the others. Each board has the hand,
the blur and the warmth, and one of the others in turn.
"""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from judging_camera import SHAPES, Camera, bend_picture, draw_camera, sense
from judging_draw import write_layouts
from judging_world import BoardType, break_board, draw_duty, draw_type, draw_unit
from numpy.typing import NDArray
from views_scenes import DRIFT_K, PARTS, REFLECTED_K, poses_around

from samples.simulator import IDEAL, Background, BoardField, Pose, render_frame, write_tiff
from samples.simulator.scene import WarmThing
from samples.simulator.shapes import inside_polygon
from thermscan.errors import CannotJudge
from thermscan.inspection import Inspection, inspect_run
from thermscan.registration.recordings import averaging
from thermscan.runs.reading import read_run
from thermscan.views import seen as seeing

Array = NDArray[np.float64]
Line = dict[str, Any]

GOOD = 4
BAD = ("hand", "soft", "warmer", "good", "other", "cap")
# These on every board; of the others one, in turn: they cost a look, and hardly change one.
ALWAYS = 3
HAND_C, HAND_SHARE = 33.0, 1 / 3
# Of the optics, as a standard deviation: a part of ten pixels is a blot.
SOFT_PX = (3.0, 6.0)
WARMER_K = 5.0


@dataclass(frozen=True)
class _Shots:
    """What takes the pictures."""

    kind: BoardType
    camera: Camera

    def take(
        self,
        rng: np.random.Generator,
        field: BoardField,
        pose: Pose,
        *,
        background: Background | None = None,
        blur_px: float | None = None,
    ) -> Array:
        drifted = replace(self.camera, offset_k=self.camera.offset_k + float(rng.normal(0, DRIFT_K)))
        picture = render_frame(
            field,
            self.kind.true,
            pose,
            rng=rng,
            netd_k=0.0,
            sensor=IDEAL,
            blur_px=self.camera.blur_px if blur_px is None else blur_px,
            reflected_c=field.ambient_c + float(rng.normal(0.0, REFLECTED_K)),
            emissivity=self.kind.emissivity,
            background=background or Background(),
            heights=True,
        )
        return sense(rng, bend_picture(picture.apparent_c, drifted), drifted)


def draw_bad(seed: int, number: int, folder: Path, *, cols: int) -> None:
    """Four good views of a board, and a fifth of each sort; the truth is written last."""
    if (folder / "truth.json").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, number])
    kind = draw_type(rng, parts=int(rng.integers(*PARTS)))
    watts = draw_duty(rng, kind, draw_unit(rng, kind), 1.0)
    broken = break_board(rng, kind, watts, what="hot", ambient_c=kind.ambient_c) if number % 2 else None
    watts = broken.watts if broken else watts
    field = kind.solve(watts, kind.ambient_c)
    write_layouts(rng, folder, kind)
    shots = _Shots(kind, draw_camera(rng, next(shape for shape in SHAPES if shape[1] == cols)))
    poses = poses_around(rng, kind.true, shots.camera.shape, GOOD + 1)
    for k in range(GOOD):
        _write(folder / f"view-{k}.tiff", shots.take(rng, field, poses[k]))
    last = poses[GOOD]
    hand = Background(things=_hand(rng, kind, last))
    rise_k = np.mean([field.truth(part).mean_c - kind.ambient_c for part in kind.true.parts])
    more = 1 + WARMER_K / rise_k
    warmer = kind.solve({ref: w * more for ref, w in watts.items()}, kind.ambient_c)
    other = draw_type(rng, parts=int(rng.integers(*PARTS)))
    other_field = other.solve(draw_duty(rng, other, draw_unit(rng, other), 1.0), kind.ambient_c)
    other_pose = poses_around(rng, other.true, shots.camera.shape, 1)[0]
    _write(folder / "good.tiff", shots.take(rng, field, last))
    _write(folder / "hand.tiff", shots.take(rng, field, last, background=hand))
    _write(folder / "soft.tiff", shots.take(rng, field, last, blur_px=float(rng.uniform(*SOFT_PX))))
    _write(folder / "warmer.tiff", shots.take(rng, warmer, last))
    _write(folder / "other.tiff", replace(shots, kind=other).take(rng, other_field, other_pose))
    _write(folder / "cap.tiff", sense(rng, np.full(shots.camera.shape, kind.ambient_c), shots.camera))
    truth = {"seed": seed, "board": number, "cols": cols, "ambient_c": kind.ambient_c, "warmer": more}
    truth |= {"hot": broken.fault.ref if broken else None, "hot_z": broken.z if broken else None}
    truth["parts"] = {part.ref: field.truth(part).mean_c for part in kind.true.parts}
    (folder / "truth.json").write_text(json.dumps(truth))


def _write(path: Path, picture_c: Array) -> None:
    write_tiff(path, [picture_c], unit="cK")


def _hand(rng: np.random.Generator, kind: BoardType, pose: Pose) -> tuple[WarmThing, ...]:
    """An ellipse over a third of what the view shows of the board, from a drawn place on it."""
    outline_px = pose.px(np.asarray(kind.true.outline_mm))
    rows, cols = pose.shape
    y, x = np.indices(pose.shape, dtype=float)
    points = np.column_stack([x.ravel(), y.ravel()])
    board = points[inside_polygon(points, outline_px)]
    at = board[rng.integers(len(board))]
    size = 1.0
    while np.mean(np.hypot(*((board - at) / [1.3, 1.0]).T) <= size) < HAND_SHARE and size < cols + rows:
        size += 1.0
    return (WarmThing(*at, 1.3 * size, size, HAND_C, in_front=True),)


def look_at_bad(folder: Path) -> Line:
    """What the four good views tell, and what they tell with each of the fifths."""
    truth = json.loads((folder / "truth.json").read_text())
    line: Line = {key: truth[key] for key in ("seed", "board", "cols", "hot", "hot_z")} | {"looks": {}}
    good = [f"view-{k}.tiff" for k in range(GOOD)]
    started = time.process_time()
    with _seen_once():
        in_turn = BAD[ALWAYS + truth["board"] % (len(BAD) - ALWAYS)]
        for name in ("four", *BAD[:ALWAYS], in_turn):
            fifth = [] if name == "four" else [f"{name}.tiff"]
            frames = [*fifth, *good] if truth["board"] % 2 else [*good, *fifth]
            given = {"layout": str(folder / "board.toml"), "ambient_c": truth["ambient_c"]}
            run = read_run(None, overrides={**given, "frames": [str(folder / frame) for frame in frames]})
            try:
                line["looks"][name] = _told(inspect_run(run), truth["parts"])
            except CannotJudge as error:
                line["looks"][name] = {"refused": str(error)}
    return line | {"cpu_s": round(time.process_time() - started, 1)}


@contextmanager
def _seen_once() -> Iterator[None]:
    """Each frame is placed and read once, however many runs hold it; sides are not compared: all differ."""
    motions, averaging._motions = averaging._motions, lambda *_: {}
    whole, known = seeing.see_view, dict[Any, Any]()

    def see(view: Any, board: Any, **named: Any) -> Any:
        key = (view.first.apparent_c.tobytes(), len(view.others), named["given"].raster is None)
        if key not in known:
            try:
                known[key] = whole(view, board, **named)
            except CannotJudge as error:
                known[key] = error
        if isinstance(known[key], CannotJudge):
            raise known[key]
        return replace(known[key], aligned=view)

    seeing.see_view = see
    try:
        yield
    finally:
        seeing.see_view, averaging._motions = whole, motions


def _told(inspection: Inspection, true_c: dict[str, float]) -> Line:
    judgement = inspection.judgement
    measured = {m.part.ref: m.mean_c for m in inspection.measurements if m.mean_c is not None}
    return {
        "overall": judgement.overall,
        "verdicts": {each.measurement.part.ref: each.verdict for each in judgement.parts},
        "findings": sorted([f.ref or "", f.rule, f.level] for f in judgement.findings),
        "errors_k": {ref: round(mean_c - true_c[ref], 3) for ref, mean_c in measured.items()},
        "views": sum(isinstance(view, seeing.SeenView) for view in inspection.views),
        "remarks": list(inspection.remarks),
    }


def print_bad(lines: list[Line]) -> None:
    """What each sort of a fifth view changes, part by part and board by board."""
    looks = [line for line in lines if "refused" not in line["looks"]["four"]]
    print(f"{len(looks)} boards of {len(lines)}, {np.median([line['cpu_s'] for line in looks]):.0f} s each; four good"
          f" views: {dict(Counter(line['looks']['four']['overall'] for line in looks))},"
          f" {sum(bool(line['hot']) for line in looks)} with a hot part")  # fmt: skip
    for name in BAD:
        told = [(line["looks"]["four"], line["looks"][name], line["board"]) for line in looks if name in line["looks"]]
        if not told:
            continue
        refused = [number for _, with_it, number in told if "refused" in with_it]
        told = [each for each in told if "refused" not in each[1]]
        used = sum(with_it["views"] > four["views"] for four, with_it, _ in told)
        overall = [(four["overall"], with_it["overall"], n) for four, with_it, n in told]
        changed = [each for each in overall if each[0] != each[1]]
        parts = [(a, b, f"{n}:{ref}") for four, with_it, n in told for ref, a in four["verdicts"].items()
                 if (b := with_it["verdicts"][ref]) != a]  # fmt: skip
        acts = [[[ref, rule] for ref, rule, level in look["findings"] if level == "act"] for look in (
            each for four, with_it, _ in told for each in (four, with_it))]  # fmt: skip
        new = sum(
            len([f for f in after if f not in before]) for before, after in zip(acts[::2], acts[1::2], strict=True)
        )
        gone = sum(
            len([f for f in before if f not in after]) for before, after in zip(acts[::2], acts[1::2], strict=True)
        )
        rms = [np.sqrt(np.mean([_spread(look["errors_k"]) ** 2 for look in side]))
               for side in zip(*[(four, with_it) for four, with_it, _ in told], strict=True)]  # fmt: skip
        print(f"{name:7s} used {used} of {len(told)}, refused {refused}; overall changed {len(changed)} {changed};"
              f" parts {len(parts)} of {sum(len(four['verdicts']) for four, _, _ in told)}:"
              f" {dict(Counter((a, b) for a, b, _ in parts))} {[where for *_, where in parts][:12]};"
              f" 'act' new {new}, gone {gone}; error {rms[0]:.3f} -> {rms[1]:.3f} K")  # fmt: skip


def _spread(errors_k: dict[str, float]) -> float:
    values = np.array(list(errors_k.values()))
    return float(np.sqrt(np.mean((values - np.median(values)) ** 2))) if len(values) else 0.0
