"""
Boards that come alone: no peers, no known-good runs, watts from a data sheet only.

    python tests/benchmarks/lone_boards.py --boards 40 --seed 7

Each part's data sheet is drawn about its true usual watts (typical 0.75 to 1.35 times as much, most 1.4 to 2.2 times
typical). Each board is judged good, with one part at three times its typical watts, and with one of 0.3 W or more dead;
with the supply's watts and without. Heat by finite elements, a good registration, heights known.
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from judging_looks import Look, Options, draw_look, draw_world
from judging_tables import share_text

from samples.simulator import sample_board, sample_powers
from thermscan.judge.finding import Judgement
from thermscan.judge.judging import judge_run
from thermscan.layout.board import Board

LEAST_DEAD_W = 0.3


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--boards", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cases", action="store_true")
    given = parser.parse_args()
    told: dict[tuple[str, bool], list[bool]] = {}
    for number in range(given.boards):
        for key, values in _board(np.random.default_rng([given.seed, number]), cases=given.cases).items():
            told.setdefault(key, []).extend(values)
    print(f"{given.boards} lone boards of seed {given.seed}, 320 x 240; shares with 95 % bounds")
    for (what, supply), values in sorted(told.items()):
        print(f"  {what:32}{'supply known' if supply else 'no supply':14}{len(values):6}  {share_text(values)}")
    return 0


def _board(rng: np.random.Generator, *, cases: bool) -> dict[tuple[str, bool], list[bool]]:
    options = Options()
    board = sample_board(rng)
    usual = sample_powers(rng, board)
    world = draw_world(rng, options)
    lone, typical = _data_sheets(rng, board, usual)
    drawn = [part.ref for part in board.parts if part.surface.emissivity > 0.5 and part.ref[0] == "U"]
    strong = [ref for ref in drawn if typical[ref] >= LEAST_DEAD_W and usual[ref] >= LEAST_DEAD_W]
    hot = str(rng.choice(drawn))
    dead = str(rng.choice(strong)) if strong else None
    found: dict[tuple[str, bool], list[bool]] = {}
    for kind, ref in (("good", None), ("at 3 x typical", hot), ("dead", dead)):
        if kind == "dead" and ref is None:
            continue
        watts = usual if ref is None else usual | {ref: 3.0 * typical[ref] if kind != "dead" else 0.0}
        thermal = world.solve(board, watts, world.ambient_c, None)
        look = draw_look(rng, lone, thermal, options, supply_w=sum(watts.values()), name=kind, shape=options.shape)
        for supply in (True, False):
            judgement = _judge(look, supply=supply)
            if ref is not None and not next(m for m in look.measurements if m.part.ref == ref).measurable:
                continue
            way = "cold" if kind == "dead" else "hot"
            mine = [f.level for f in judgement.findings if f.ref == ref and f.direction == way]
            wrong = [f for f in judgement.findings if f.level == "act" and f.ref != ref]
            if ref is not None:
                found.setdefault((f"{kind}: named", supply), []).append(bool(mine))
                found.setdefault((f"{kind}: act", supply), []).append("act" in mine)
            found.setdefault(("good" if ref is None else "faulty", supply), []).append(bool(wrong))
            if ref is None:
                found.setdefault(("good, watch", supply), []).append(
                    any(f.level == "watch" for f in judgement.findings)
                )
            if cases and (wrong or (ref is not None and not mine)):
                print(kind, ref, supply, [f.text[:150] for f in wrong], watts.get(ref or "", 0), typical.get(ref or ""))
    return {("wrong act, board " + k[0] if k[0] in ("good", "faulty") else k[0], k[1]): v for k, v in found.items()}


def _data_sheets(rng: np.random.Generator, board: Board, usual: dict[str, float]) -> tuple[Board, dict[str, float]]:
    typical, most = {}, {}
    drawn: dict[str, tuple[float, float]] = {}
    for part in board.parts:
        key = part.group or part.ref
        drawn.setdefault(key, (float(rng.uniform(0.75, 1.35)), float(rng.uniform(1.4, 2.2))))
        typical[part.ref] = usual[part.ref] * drawn[key][0]
        most[part.ref] = typical[part.ref] * drawn[key][1]
    parts = (
        replace(part, group=None, kind=None, max_c=None, watts=(typical[part.ref], most[part.ref]))
        for part in board.parts
    )
    return replace(board, parts=tuple(parts)), typical


def _judge(look: Look, *, supply: bool) -> Judgement:
    run = look.run if supply else replace(look.run, supply=())
    return judge_run(
        look.measurements,
        look.rectified,
        look.board,
        run,
        noise_k=look.noise_k,
        registration=look.registration,
        band_um=look.band_um,
    )


if __name__ == "__main__":
    sys.exit(main())
