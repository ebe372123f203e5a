"""
How well the parts' watts are told: mean error, bias and whether the stated uncertainty holds, by files.

    python tests/benchmarks/powers.py --boards 20 --seed 7 [--tree OLDER] [--keep FOLDER] [--ways clicked,blind,lone]

Each board is another type of the judging trials' worlds (judging_world.py: finite elements, copper smooth, in planes or
slotted, loss that grows with the rise on half of them, sockets and sinks that the layout does not tell), a good unit
of it, seen once by cameras of 160, 320 and 640 columns. Ways: "clicked", the supply read within 2 %, corners given
within a pixel; "blind", the same without corners; "lone", with corners and data sheets' watts but no supply and no
groups. Heights are never given. Judged by whichever tree is named.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
HERE = Path(__file__).resolve().parent
TREE = HERE.parents[1]

SHAPES = ((120, 160), (240, 320), (480, 640))
LEAST_W = 0.3
CLICK_PX = 0.5
Line = dict[str, Any]


def draw(folder: Path, seed: int, number: int) -> None:
    """One board's files; the truth last, which says that all is there."""
    import numpy as np
    from judging_camera import draw_camera, take
    from judging_draw import AMBIENT_K, GOOD_LOAD, SUPPLY_SHARE, THERMOMETER_K, write_layouts
    from judging_world import draw_duty, draw_type, draw_unit

    from samples.simulator import write_tiff

    if (folder / "truth.json").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, number, 5])
    kind = draw_type(rng)
    write_layouts(rng, folder, kind)
    watts = draw_duty(rng, kind, draw_unit(rng, kind), float(rng.uniform(*GOOD_LOAD)))
    field = kind.solve(watts, kind.ambient_c + float(rng.uniform(-AMBIENT_K, AMBIENT_K)))
    told_c = field.ambient_c + float(rng.normal(0.0, THERMOMETER_K))
    amps = field.lost_w / 5.0 * (1 + SUPPLY_SHARE * float(rng.normal()))
    for shape in SHAPES:
        shot = take(rng, draw_camera(rng, shape), kind.true, field, kind.emissivity)
        name = f"look-{shape[1]}"
        write_tiff(folder / f"{name}.tiff", [shot.apparent_c], unit="cK")
        clicked = shot.px(np.asarray(kind.told.corners_mm)) + rng.normal(0.0, CLICK_PX, (4, 2))
        corners = ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in clicked)
        plain = f'frames = ["{name}.tiff"]\nambient_c = {told_c:.1f}\nminutes_on = 40\n'
        supply = f'supply = [{{ rail = "+5 V", volts = 5.0, amps = {amps:.3f} }}]\n'
        for way, layout, more in (
            ("clicked", "board", f"corners_px = [{corners}]\n{supply}"),
            ("blind", "board", supply),
            ("lone", "lone", f"corners_px = [{corners}]\n"),
        ):
            (folder / f"{name}-{way}.toml").write_text(f'layout = "{layout}.toml"\n{plain}{more}')
    truth = {"watts": field.powers_w, "facts": kind.facts, "board": number}
    (folder / "truth.json").write_text(json.dumps(truth))


def judge(folder: Path, ways: list[str]) -> None:
    """One JSON line a look: each part's true and told watts."""
    from thermscan.errors import ThermscanError
    from thermscan.inspection import inspect_run
    from thermscan.report.results import results_document
    from thermscan.runs.reading import read_run

    truth = json.loads((folder / "truth.json").read_text())
    for shape in SHAPES:
        for way in ways:
            line: Line = {"columns": shape[1], "way": way, "board": truth["board"], "facts": truth["facts"]}
            try:
                inspection = inspect_run(read_run(folder / f"look-{shape[1]}-{way}.toml", overrides={}))
            except ThermscanError as error:
                print(json.dumps({**line, "refused": str(error)}), flush=True)
                continue
            document = results_document(inspection)
            told = {p["ref"]: (p["watts"], p["watts_u"]) for p in document["parts"] if p.get("watts") is not None}
            line["parts"] = [[ref, truth["watts"][ref], *pair] for ref, pair in told.items()]
            line["of"] = sum(watts >= LEAST_W for watts in truth["watts"].values())
            line["acts"] = [f["ref"] for f in document["findings"] if f["level"] == "act"]
            split = inspection.judgement.evidence.split
            if split is not None:
                line["split"] = [
                    split.decay_mm,
                    split.constant_k,
                    split.loss_w_per_m2k,
                    getattr(getattr(split, "fit", None), "growth", None),
                ]
            print(json.dumps(line), flush=True)


def table(lines: list[Line]) -> None:
    """Mean error of the larger parts by columns and by copper, and the share within two stated uncertainties."""
    import numpy as np

    boards = len({line["board"] for line in lines})
    print(f"{boards} independent boards; parts of {LEAST_W} W or more that were measured; error in % of the true watts")
    print(
        "way      columns copper   looks refused  parts of all   mean  median    bias   parts alike  within 2 u   'act'"
    )
    for way in dict.fromkeys(line["way"] for line in lines):
        for columns in (*(shape[1] for shape in SHAPES), "all"):
            for copper in ("all", "smooth", "planes", "slot"):
                mine = [
                    line
                    for line in lines
                    if line["way"] == way
                    and columns in ("all", line["columns"])
                    and copper in ("all", line["facts"]["copper"])
                ]
                seen = [line for line in mine if "parts" in line]
                large = [[(*p, i) for p in line["parts"] if p[1] >= LEAST_W] for i, line in enumerate(seen)]
                flat = np.array([p[1:] for parts in large for p in parts])
                if not len(flat):
                    continue
                off = flat[:, 1] / flat[:, 0] - 1
                held = np.abs(flat[:, 1] - flat[:, 0]) <= 2 * flat[:, 2]
                # Each board's error that all of its parts share taken out: what is left is each part's own.
                common = np.array([np.median(off[flat[:, 3] == i]) for i in flat[:, 3]])
                wrong = sum(bool(line["acts"]) for line in seen)
                errors = f"{100 * np.abs(off).mean():5.1f} {100 * np.median(np.abs(off)):6.1f} {100 * off.mean():+7.1f}"
                print(
                    f"{way:8} {columns!s:>7} {copper:8} {len(mine):5d} {len(mine) - len(seen):7d} {len(flat):6d} of"
                    f" {sum(line['of'] for line in seen):<4d} {errors} {100 * np.abs(off - common).mean():9.1f}"
                    f" {100 * held.mean():12.0f} %"
                    f" {wrong:4d}"
                )


def _process(command: list[str], tree: Path) -> str:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tree), str(HERE)])}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr.strip().splitlines()[-1] if done.stderr.strip() else "no reason given")
    return done.stdout


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--boards", type=int, default=20)
    options.add_argument("--first", type=int, default=0)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--tree", type=Path, default=TREE)
    options.add_argument("--keep", type=Path)
    options.add_argument("--ways", default="clicked,lone", help="clicked, blind, lone (no supply, data sheets' watts)")
    options.add_argument("--save", type=Path, help="add the lines to this file")
    options.add_argument("--judge", type=Path, help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.judge:
        judge(given.judge, given.ways.split(","))
        return
    lines: list[Line] = []
    with tempfile.TemporaryDirectory() as temporary:
        for number in range(given.first, given.first + given.boards):
            folder = (given.keep or Path(temporary)) / f"powers-{given.seed}-{number}"
            draw_it = f"draw(Path({str(folder)!r}), {given.seed}, {number})"
            made = f"from powers import draw; from pathlib import Path; {draw_it}"
            _process([sys.executable, "-c", made], TREE)
            text = _process(
                [sys.executable, str(HERE / "powers.py"), "--judge", str(folder), "--ways", given.ways], given.tree
            )
            lines += [json.loads(line) for line in text.splitlines()]
            if given.save:
                with given.save.open("a") as file:
                    file.write(text)
    table(lines)


if __name__ == "__main__":
    main()
