"""
What each threshold of the judge does to its answers: taken a fifth smaller and larger; and each special rule left out.

    python tests/benchmarks/judging_sensitivity.py FOLDER [--boards N] [--only WORD…]

FOLDER is what `judging.py --seen FOLDER` kept. One line a change: 'act' on the part at fault, wrong 'act', watches of
good looks about a part or a place, the mean loss of a look by the judge's own table (`thermscan.judge.deciding`), and
the mean surprise of a look by its suspicions (the negative logarithm of what was held probable and came true, summed
over its parts: the lower the better), as it is and with the change. The split of the heat is done once a look.
"""

from __future__ import annotations

import argparse
import importlib
import os
import pkgutil
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from math import log
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]

from judging_lines import Line, acted, false_acts, false_watches, watched  # noqa: E402
from judging_looks import WAYS, judge_board  # noqa: E402
from judging_seen import FromSeen  # noqa: E402

import thermscan.judge as judge_room  # noqa: E402
from thermscan.judge import judging  # noqa: E402
from thermscan.judge.deciding import LOSSES  # noqa: E402

STEP = 0.2
# Figures that only tell an integral how fine it is, name a thing of physics or a text's length, are no thresholds.
NO_THRESHOLDS = {
    "SHARED_POINTS", "FAULT_POINTS", "NEAR_POINTS", "SHARED_STEP", "MM2_PER_M2", "MAD_TO_SIGMA", "MAD_EFFICIENCY",
    "COVERAGE", "MOST_NAMES", "LEAST_CHANCE", "RASTER_SAMPLE", "FEWEST_PEERS", "FEWEST_IN_COMMON", "FEWEST_FOR_SCALE",
    "SILENT", "LOUDEST", "MOST_DEGREES",
}  # fmt: skip
# Rooms of the judge that the trials do not enter, or that only word what is found.
NOT_TRIED = (
    "before_after",
    "wording",
    "explain",
    "baseline_file",
    "baseline_view",
    "handling",
    "like_sized",
    "junction",
)
Count = tuple[int, int, int, float, float]


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--boards", type=int, default=5, help="of those kept, the first by name")
    parser.add_argument("--only", nargs="*", default=[], help="thresholds whose name holds one of these words")
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    _split_once()
    boards = [FromSeen(path) for path in sorted(given.folder.glob("*.seen"))[: given.boards]]
    print(f"{len(boards)} independent boards; right and wrong acts, watches of good looks, loss and surprise of a look")
    print(f"{'as it is':44}{_told(_count(boards))}", flush=True)
    for name, change in WITHOUT.items():
        if _wanted(name, given.only):
            with change():
                print(f"{'without ' + name:44}{_told(_count(boards))}", flush=True)
    for name, value in sorted(_thresholds().items()):
        for factor in (1 - STEP, 1 + STEP) if _wanted(name, given.only) else ():
            with _everywhere(name, _scaled(value, factor)):
                print(f"{f'{name} x {factor:g}':44}{_told(_count(boards))}", flush=True)
    return 0


def _wanted(name: str, only: Sequence[str]) -> bool:
    return not only or any(word.lower() in name.lower() for word in only)


def _split_once() -> None:
    """Keep each look's split: no threshold of the judge changes it."""
    see, seen = judging.see_heat, {}

    def once(measurements: Any, *given: Any, **named: Any) -> Any:
        if id(measurements) not in seen:
            seen[id(measurements)] = see(measurements, *given, **named)
        return seen[id(measurements)]

    judging.see_heat = once


def _count(boards: Sequence[FromSeen]) -> Count:
    lines = [line for board in boards for line in judge_board(board, board.truth, WAYS)]
    judged = [line for line in lines if line["said"]["refused"] is None]
    right = sum(acted(line) for line in judged)
    wrong = sum(len(false_acts(line)) for line in judged)
    watches = sum(any(f["rule"] != "board" for f in false_watches(line)) for line in judged if line["kind"] == "good")
    looks = max(len(judged), 1)
    return right, wrong, watches, sum(map(_loss, judged)) / looks, sum(map(_surprise, judged)) / looks


def _surprise(line: Line) -> float:
    at_fault = line["fault"]["ref"] if line["fault"] is not None else None
    stated = [(part[8], part[0] == at_fault) for part in line["said"]["parts"] if part[8] is not None]
    return -sum(log(chance if faulty else 1.0 - chance) for chance, faulty in stated)


def _loss(line: Line) -> float:
    """By the judge's own table: of the part at fault, and of each that is accused or watched besides."""
    besides = [f for f in (*false_acts(line), *false_watches(line)) if f["rule"] != "board"]
    loss = sum(LOSSES[f["level"]][0] for f in besides)
    if line["fault"] is not None:
        loss += LOSSES["act" if acted(line) else "watch" if watched(line) else None][2]
    return loss


def _told(count: Count) -> str:
    return f"{count[0]:5}{count[1]:5}{count[2]:5}{count[3]:9.3f}{count[4]:9.3f}"


def _modules() -> list[Any]:
    names = [each.name for each in pkgutil.iter_modules(judge_room.__path__)]
    return [importlib.import_module(f"thermscan.judge.{name}") for name in names]


def _thresholds() -> dict[str, Any]:
    """Every named number of the judge's rooms, or pair of numbers."""
    found: dict[str, Any] = {}
    for module in _modules():
        if module.__name__.rpartition(".")[2] in NOT_TRIED:
            continue
        for name, value in vars(module).items():
            numbers = value if isinstance(value, tuple) else (value,)
            named = name.isupper() and not name.startswith("_") and name not in NO_THRESHOLDS
            if named and numbers and all(isinstance(each, float) for each in numbers):
                found[name] = value
    return found


def _scaled(value: Any, factor: float) -> Any:
    return tuple(each * factor for each in value) if isinstance(value, tuple) else value * factor


@contextmanager
def _everywhere(name: str, value: Any) -> Iterator[None]:
    """A constant with another value in every module that holds it under its name."""
    holders = [(module, getattr(module, name)) for module in _modules() if hasattr(module, name)]
    for module, _ in holders:
        setattr(module, name, value)
    try:
        yield
    finally:
        for module, old in holders:
            setattr(module, name, old)


def _with(name: str, value: Any) -> Callable[[], Any]:
    return lambda: _everywhere(name, value)


WITHOUT: dict[str, Callable[[], Any]] = {
    "good runs outweighing peers": _with("_heard", list),
    "faults of whole groups": _with("WHOLE_GROUP", 1e-9),
    "what is opposed by its temperature": _with("_opposed", lambda comparison: comparison),
    "holding peers back": _with("held_back", lambda *_, **__: None),
    "holding back what may be hidden": _with("hold_hidden", lambda comparisons, *_, **__: list(comparisons)),
    "parts of no heat never being cold": _with("_never_cold", lambda weighed, _: weighed),
    "what a data sheet's parts have in common": _with("FEWEST_FOR_SCALE", 10_000),
    "silent groups": _with("judge_silent_groups", lambda *_, **__: ()),
    "places' influence": _with("place_sd_k", lambda *_, **__: 0.0),
}


if __name__ == "__main__":
    sys.exit(main())
