"""
How the cost of `inspect` grows with the number of parts: boards of one density, corners given, through files.

    python tests/benchmarks/scale.py [--parts 100 300 1000] [--seed 1] [--stages] [--folder DIR]

Processor time of one look in a process of its own after one warm-up of a small board (libraries loaded, tables made);
the last column is the exponent from one size to the next. Boards grow with the number of parts, the frame is 640 x 480.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
TREE = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(TREE))

import numpy as np  # noqa: E402

SHAPE = (480, 640)
PITCH_MM = 9.0
BODIES_MM = ((6.0, 5.0), (7.0, 4.0), (5.0, 5.0), (6.5, 6.0))
GROUP = 25
AMBIENT_C = 22.0
MEAN_RISE_K = 8.0
# (module, function): what of the judging is told by itself with --stages.
WATCHED = (
    ("thermscan.inspection", "view_of"),
    ("thermscan.inspection", "see_views"),
    ("thermscan.inspection", "put_together"),
    ("thermscan.inspection", "judge_run"),
    ("thermscan.judge.heat_seen", "split_heat"),
    ("thermscan.judge.heat_seen", "find_warm_spots"),
    ("thermscan.judge.judging", "compare_peers"),
)


def seen_board(parts: int, *, seed: int, shape: tuple[int, int] = SHAPE) -> tuple[Any, Any, Any, float]:
    """A board of so many parts in groups, one of them too hot; its frame, the camera's place, and its watts."""
    from samples.simulator import place_camera, render_frame, solve_board
    from samples.simulator.boards import SURFACES
    from thermscan.layout.board import Board, Part

    rng = np.random.default_rng([seed, parts])
    cols = round(np.sqrt(parts * 4 / 3))
    rows = int(np.ceil(parts / cols))
    width, height = (cols + 1) * PITCH_MM, (rows + 1) * PITCH_MM
    made, watts = [], {}
    for number in range(parts):
        group = number // GROUP
        length, across = BODIES_MM[group % len(BODIES_MM)]
        ref = f"U{number + 1}"
        made.append(
            Part(
                ref, length, across, (number % cols + 1) * PITCH_MM, (number // cols + 1) * PITCH_MM,
                0.0, SURFACES["plastic"], kind=f"kind {group}", group=f"group {group}", height_mm=2.0,
            )
        )  # fmt: skip
        usual = 0.3 + 0.7 * np.random.default_rng([seed, group]).random()
        watts[ref] = float(usual * (1 + 0.06 * rng.normal()))
    outline = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    board = Board("scale", "A", outline, 1.6, SURFACES["solder-mask"], tuple(made))
    scale = MEAN_RISE_K * 20.0 * width * height * 1e-6 / sum(watts.values())
    watts = {ref: w * scale for ref, w in watts.items()}
    watts[made[parts // 2].ref] *= 4.0
    field = solve_board(board, watts, ambient_c=AMBIENT_C)
    pose = place_camera(board, shape, tilt_deg=12.0, fill=0.9)
    seen = render_frame(field, board, pose, rng=rng, netd_k=0.05, blur_px=0.5, reflected_c=AMBIENT_C, heights=True)
    return board, seen, pose, sum(watts.values())


def write_board(folder: Path, parts: int, *, seed: int, shape: tuple[int, int] = SHAPE) -> Path:
    """The same as files; the run's path."""
    from samples.simulator import write_layout, write_tiff

    board, seen, pose, watts = seen_board(parts, seed=seed, shape=shape)
    folder.mkdir(parents=True, exist_ok=True)
    write_layout(folder, board)
    write_tiff(folder / "look.tiff", [seen.apparent_c])
    corners = ", ".join(f"[{x:.2f}, {y:.2f}]" for x, y in pose.px(board.outline_mm))
    run = folder / "run.toml"
    run.write_text(
        f'layout = "board.toml"\nframes = ["look.tiff"]\nambient_c = {AMBIENT_C}\nminutes_on = 40\n'
        f"corners_px = [{corners}]\n"
        f'supply = [{{ rail = "+5 V", volts = 5.0, amps = {watts / 5.0:.3f} }}]\n'
    )
    return run


@contextmanager
def watched(spent: dict[str, float]) -> Iterator[None]:
    """Processor time of some functions, wherever they are called from."""
    from importlib import import_module

    kept = []
    for module_name, name in WATCHED:
        module = import_module(module_name)
        function = getattr(module, name)
        kept.append((module, name, function))
        setattr(module, name, _timed(function, name, spent))
    yield
    for module, name, function in kept:
        setattr(module, name, function)


def _timed(function: Callable[..., Any], name: str, spent: dict[str, float]) -> Callable[..., Any]:
    def call(*given: Any, **named: Any) -> Any:
        start = time.process_time()
        try:
            return function(*given, **named)
        finally:
            spent[name] = spent.get(name, 0.0) + time.process_time() - start

    return call


def one_look(run: Path, warm: Path) -> None:
    """Print the seconds of one look, and what its stages took."""
    from thermscan.inspection import inspect_run
    from thermscan.runs.reading import read_run

    inspect_run(read_run(warm, overrides={}))
    spent: dict[str, float] = {}
    with watched(spent):
        start = time.process_time()
        inspection = inspect_run(read_run(run, overrides={}))
        total = time.process_time() - start
    said = sum(m.measurable for m in inspection.measurements)
    accused = ",".join(str(f.ref) for f in inspection.judgement.findings if f.level == "act")
    print(f"{total:.3f} {said} {accused or '-'} " + " ".join(f"{name}={s:.2f}" for name, s in spent.items()))


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--parts", type=int, nargs="+", default=[100, 300, 1000])
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--stages", action="store_true")
    options.add_argument("--folder", type=Path)
    options.add_argument("--look", type=Path, nargs=2, help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.look:
        one_look(*given.look)
        return
    with tempfile.TemporaryDirectory() as temporary:
        base = given.folder or Path(temporary)
        warm = base / "warm" / "run.toml"
        if not warm.exists():
            write_board(warm.parent, 20, seed=given.seed)
        print("parts   measured   seconds   exponent   accused")
        before: tuple[int, float] | None = None
        for parts in given.parts:
            run = base / str(parts) / "run.toml"
            if not run.exists():
                write_board(run.parent, parts, seed=given.seed)
            call = [sys.executable, __file__, "--look", str(run), str(warm)]
            environment = {**os.environ, "PYTHONPATH": os.pathsep.join([os.environ.get("PYTHONPATH", ""), str(TREE)])}
            done = subprocess.run(call, env=environment, capture_output=True, text=True, check=True)
            total, said, accused, *stages = done.stdout.split()
            seconds = float(total)
            power = f"{np.log(seconds / before[1]) / np.log(parts / before[0]):.2f}" if before else ""
            print(f"{parts:5d} {said:>10} {seconds:9.2f} {power:>10}   {accused}", flush=True)
            if given.stages:
                print("        " + ", ".join(stages), flush=True)
            before = parts, seconds


if __name__ == "__main__":
    main()
