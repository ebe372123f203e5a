"""The judging trials in one line a seed: whom it accuses wrongly, whom rightly, and how well temperatures come out."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from judging_lines import Line, acted, compared, false_acts, false_watches, judged, part_of, watched, z_of
from judging_tables import NORMAL_95, WATTS_FROM, WAYS

HEAD = (
    "seed", "boards", "wrong 'act': peers, good runs, lone", "watched good looks", "hot, z 4 to 8", "hot, z above 8",
    "dead, lone", "three times, lone: acted, told", "watts with supply", "differences K RMS, in 95 %",
)  # fmt: skip


def print_short(lines: Sequence[Line]) -> None:
    """A table in Markdown; of a pair 'a of b (of c)' b looks are measured and compared, c are all."""
    print(f"| {' | '.join(HEAD)} |\n|{' --- |' * len(HEAD)}")
    for seed in dict.fromkeys(line["seed"] for line in lines):
        print(f"| {' | '.join(_row([line for line in lines if line['seed'] == seed]))} |")


def _row(lines: Sequence[Line]) -> list[str]:
    by_way = {way: [line for line in lines if line["way"] == way] for way in WAYS}
    seen = {way: judged(here) for way, here in by_way.items()}
    good = {way: [line for line in here if line["kind"] == "good"] for way, here in seen.items()}
    beside = [line for way in ("peers", "baseline") for line in by_way[way] if line["kind"] == "hot"]
    tripled = [line for line in by_way["lone"] if line["kind"] == "tripled"]
    return [
        str(lines[0]["seed"]),
        str(len({line["board"] for line in lines})),
        ", ".join(f"{sum(bool(false_acts(line)) for line in here)} of {len(here)}" for here in seen.values()),
        ", ".join(f"{sum(bool(false_watches(line)) for line in here)} of {len(here)}" for here in good.values()),
        _share([line for line in beside if 4 <= z_of(line) <= 8], acted),
        _share([line for line in beside if z_of(line) > 8], acted),
        _share([line for line in by_way["lone"] if line["kind"] == "dead alone"], acted),
        f"{_share(tripled, acted)}; {_share(tripled, watched)}",
        _watts(seen["peers"]),
        _differences(seen["peers"]),
    ]


def _share(lines: Sequence[Line], holds: Callable[[Line], bool]) -> str:
    usable = [
        line
        for line in judged(lines)
        if part_of(line, line["fault"]["ref"])[6] != "not-measurable" and compared(line, line["fault"]["ref"])
    ]
    return f"{sum(map(holds, usable))} of {len(usable)} ({sum(map(holds, lines))} of {len(lines)})"


def _watts(lines: Sequence[Line]) -> str:
    rows = [row for line in lines if line["supply_known"] for row in line["said"].get("watts", [])]
    off = [abs(told / true - 1) for _, true, told, _ in rows if true >= WATTS_FROM]
    return f"{np.mean(off):.1%} of {len(off)}" if off else "none"


def _differences(lines: Sequence[Line]) -> str:
    off, u = np.array([pair for line in lines for pair in line["said"].get("peers", [])]).reshape(-1, 2).T
    if not len(off):
        return "none"
    return f"{np.sqrt(np.mean(off**2)):.2f}, {np.mean(np.abs(off) <= NORMAL_95 * u):.1%} of {len(off)}"
