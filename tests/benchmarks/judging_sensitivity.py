"""
What each threshold of heat and judge does to the answers: a fifth smaller and larger; and each special rule left out.

    python tests/benchmarks/judging_sensitivity.py FOLDER [--boards N] [--only WORD…] [--room judge|heat] [--save LINES]

FOLDER is what `judging.py --seen FOLDER` kept. One line a change: 'act' on the part at fault, wrong 'act', watches of
good looks about a part or a place, the mean loss of a look by the judge's own table (`thermscan.judge.deciding`), and
the mean surprise of a look by its suspicions (the negative logarithm of what was held probable and came true, summed
over its parts: the lower the better), as it is and with the change. What a change does not touch is done once: the
split of the heat, the comparison with good runs, what a part's comparisons say together. A threshold of the heat has
every look split anew, which takes ten times as long.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import pkgutil
import re
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from math import log
from multiprocessing import get_context
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE)]

import judging_looks  # noqa: E402
import judging_seen  # noqa: E402
from judging_lines import Line, acted, false_acts, false_watches, watched  # noqa: E402
from judging_looks import WAYS, judge_board  # noqa: E402
from judging_seen import FromSeen  # noqa: E402

import thermscan.judge as judge_room  # noqa: E402
from thermscan.judge import judging, weighing  # noqa: E402
from thermscan.judge.deciding import LOSSES  # noqa: E402

STEP = 0.2
# Figures that only tell an integral how fine it is, name a thing of physics or a text's length, are no thresholds.
NO_THRESHOLDS = {
    "SHARED_POINTS", "FAULT_POINTS", "NEAR_POINTS", "SHARED_STEP", "MM2_PER_M2", "MAD_TO_SIGMA", "MAD_EFFICIENCY",
    "COVERAGE", "MOST_NAMES", "LEAST_CHANCE", "RASTER_SAMPLE", "FEWEST_PEERS", "FEWEST_IN_COMMON", "FEWEST_FOR_SCALE",
    "SILENT", "LOUDEST", "MOST_DEGREES", "BAND_UM", "ROUNDING", "LEAST_WEIGHT", "GRIDS", "DISTANCES_MM", "WHOLLY",
    "REFERENCE_RISE_K", "ROOM_ABS_K", "CONVECTION_POWER", "FOUND_STEP", "LONGEST_STEP", "WIDEST_GAP_DEG",
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
    parser.add_argument("--room", choices=["judge", "heat"], nargs="*", default=["judge", "heat"])
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--save", type=Path, help="keep the lines there, and go on where they end")
    parser.add_argument("--moved", action="store_true", help="print only what changed something")
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    names = [name for name in _changes(given.room) if name == AS_IT_IS or _wanted(name, given.only)]
    done = {} if given.save is None or not given.save.exists() else _kept(given.save)
    missing = [name for name in names if name not in done]
    if missing:
        _keep_what_stays()
        _BOARDS.extend(FromSeen(path) for path in sorted(given.folder.glob("*.seen"))[: given.boards])
        # Once in this process, so that those forked from it hold each look's split.
        as_it_is = _count(_BOARDS)
        with ProcessPoolExecutor(given.workers, mp_context=get_context("fork")) as pool:
            for name, count in zip(missing, pool.map(_counted, missing), strict=True):
                done[name] = as_it_is if name == AS_IT_IS else count
                if given.save is not None:
                    with given.save.open("a") as file:
                        file.write(json.dumps([name, done[name]]) + "\n")
    print("right and wrong acts, watches of good looks, loss and surprise of a look")
    for name in names:
        if not given.moved or name == AS_IT_IS or _moved(done[name], done[AS_IT_IS]):
            print(f"{name:50}{_told(done[name])}")
    return 0


AS_IT_IS = "as it is"
_BOARDS: list[FromSeen] = []
# A loss that moves by less is no more than one watch among a hundred looks.
LEAST_MOVED = 0.01


def _kept(save: Path) -> dict[str, Count]:
    return dict(json.loads(line) for line in save.read_text().splitlines())


def _moved(count: Count, as_it_is: Count) -> bool:
    return list(count[:3]) != list(as_it_is[:3]) or abs(count[3] - as_it_is[3]) > LEAST_MOVED


def _changes(rooms: Sequence[str] = ("judge", "heat")) -> dict[str, Callable[[], Any]]:
    """Every change by its name: nothing, each special rule left out, each threshold a fifth smaller and larger."""
    changes: dict[str, Callable[[], Any]] = {AS_IT_IS: nullcontext}
    if "judge" in rooms:
        changes |= {f"without {name}": change for name, change in WITHOUT.items()}
    for room in rooms:
        for name, value in sorted(_thresholds(room).items()):
            for factor in (1 - STEP, 1 + STEP):
                changes[f"{room}: {name} x {factor:g}"] = _with(name, _scaled(value, factor), old=value)
    return changes


def _counted(name: str) -> Count:
    _ANEW[:] = [step for step, modules in RESTS_ON.items() if _rests_on(name, modules)]
    with _changes()[name]():
        return _count(_BOARDS)


def _wanted(name: str, only: Sequence[str]) -> bool:
    return not only or any(word.lower() in name.lower() for word in only)


def _keep_what_stays() -> None:
    """Keep what most changes do not touch: it is made anew while `_ANEW` holds its name."""
    judging.see_heat = _once("heat", judging.see_heat, _by_first)
    judging_looks._learn = _once("heat", judging_looks._learn, _by_first)
    judging.against_baseline = _once("good runs", judging.against_baseline, _by_first)
    weighing.put_together = _once("weighing", weighing.put_together, tuple)
    judging_seen.possible_leaning = _once("leaning", judging_seen.possible_leaning, lambda _, place, **__: id(place))


def _by_first(given: Any, *_: Any, **__: Any) -> int:
    """By the first argument; those live as long as the boards."""
    return id(given)


def _once(step: str, does: Callable[..., Any], key_of: Callable[..., Any]) -> Callable[..., Any]:
    """The same, told once for each key."""
    told: dict[Any, Any] = {}

    def once(*given: Any, **named: Any) -> Any:
        if step in _ANEW:
            return does(*given, **named)
        key = key_of(*given, **named)
        if key not in told:
            told[key] = does(*given, **named)
        return told[key]

    return once


_ANEW: list[str] = []
# Which files each step rests on; none of the special rules is asked in the first two.
RESTS_ON = {
    "heat": ("heat/*",),
    "good runs": (
        "heat/*",
        *(
            f"judge/{module}"
            for module in (
                "against_baseline",
                "baseline_rule",
                "board_wide",
                "expected",
                "heat_seen",
                "spread",
                "unmapped",
            )
        ),
    ),
    "weighing": ("judge/posterior", "judge/comparison"),
}


def _rests_on(name: str, modules: Sequence[str]) -> bool:
    """Whether a threshold is named in any of the files, or a special rule is one of them."""
    folder = Path(next(iter(judge_room.__path__))).parent
    named = re.compile(rf"\b{name.partition(': ')[2].partition(' x ')[0] or name.removeprefix('without ')}\b")
    written = (path for module in modules for path in folder.glob(f"{module}.py"))
    weighs = name in IN_THE_POSTERIOR and "judge/posterior" in modules
    return weighs or any(named.search(path.read_text(encoding="utf-8")) for path in written)


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


def _modules(room: str) -> list[Any]:
    package = importlib.import_module(f"thermscan.{room}")
    return [
        importlib.import_module(f"{package.__name__}.{each.name}") for each in pkgutil.iter_modules(package.__path__)
    ]


def _thresholds(room: str) -> dict[str, Any]:
    """Every named number of a room, or pair of numbers, but what it has from the other."""
    found: dict[str, Any] = {}
    for module in _modules(room):
        if module.__name__.rpartition(".")[2] in NOT_TRIED:
            continue
        text = Path(module.__file__).read_text(encoding="utf-8")
        for name, value in vars(module).items():
            numbers = value if isinstance(value, tuple) else (value,)
            own = re.search(rf"^(\w+, )*{name}\b.* = ", text, re.MULTILINE)
            named = name.isupper() and not name.startswith("_") and name not in NO_THRESHOLDS and own
            if named and numbers and all(isinstance(each, float) for each in numbers):
                found[name] = value
    return found


def _scaled(value: Any, factor: float) -> Any:
    return tuple(each * factor for each in value) if isinstance(value, tuple) else value * factor


@contextmanager
def _everywhere(name: str, value: Any, old: Any) -> Iterator[None]:
    """A constant with another value in every module that holds it under its name."""
    modules = [*_modules("heat"), *_modules("judge")]
    holders = [module for module in modules if hasattr(module, name) and old in (ANY, getattr(module, name))]
    before = [getattr(module, name) for module in holders]
    for module in holders:
        setattr(module, name, value)
    try:
        yield
    finally:
        for module, was in zip(holders, before, strict=True):
            setattr(module, name, was)


ANY = "any"


def _with(name: str, value: Any, *, old: Any = ANY) -> Callable[[], Any]:
    return lambda: _everywhere(name, value, old)


WITHOUT: dict[str, Callable[[], Any]] = {
    # The trials' groups are alike by nature: a part that always runs hotter than its like is in tests/judge only.
    "faults of whole groups": _with("WHOLE_GROUP", 1e-9),
    "what is opposed by its temperature": _with("_agrees", lambda _: True),
    "holding peers back": _with("held_back", lambda *_, **__: None),
    "holding back what may be hidden": _with("hold_hidden", lambda comparisons, *_, **__: list(comparisons)),
    "parts of no heat never being cold": _with("_never_cold", lambda weighed, _: weighed),
    "what a data sheet's parts have in common": _with("FEWEST_SHEETS", 10_000),
    "what else may make a part differ": _with("_harmless_density", lambda fault_k, *_: 0.0 * fault_k),
    "another duty of what nobody declared": _with("OTHER_DUTY", 1e-9),
    "naming what cannot be placed": _with("name_unplaced", lambda *_, **__: ()),
    "unusual rises": _with("check_usual", lambda *_, **__: []),
    "what a group's others show": _with("_shown_by_group", lambda _, fault_k: 0.0 * fault_k),
    "comparisons that are worth nothing": _with("WORTHLESS", 1e-12),
    "silent groups": _with("judge_silent_groups", lambda *_, **__: ()),
    "places' influence": _with("place_sd_k", lambda *_, **__: 0.0),
}
# Those that put_together asks.
IN_THE_POSTERIOR = {
    f"without {name}"
    for name in (
        "faults of whole groups", "what else may make a part differ", "another duty of what nobody declared",
        "what a group's others show", "comparisons that are worth nothing",
    )
}  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
