"""
Which small changes of the code no test notices: mutants of a room's modules, each put before that room's tests.

    python tests/benchmarks/mutate.py regions --count 30 --seed 1
    python tests/benchmarks/mutate.py heat --only thermscan/heat/fin.py:57

A mutant is one change of the parsed code: an operator or a comparison turned, a sign dropped, a number 20 % larger (a
whole number by 1), `and` for `or`, a condition taken for its contrary. Mutants are drawn evenly over the room's
lines. A mutant is killed where a test fails; those that live are printed with their line, to be looked at one by one.

The process imports the libraries once and forks for each mutant, which replaces the module as it is imported: no file
is touched. A first run notes which tests pass through which line (coverage.py), and how long they take: a mutant meets
only the tests that pass through its line, the quick ones first. `--tree` names another source tree (an older commit).
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.machinery import SourceFileLoader
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
TREE = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True)
class Room:
    """Where a room's code lies, and which tests are quick enough to be run for each mutant."""

    code: tuple[str, ...]
    tests: tuple[str, ...]
    modules: tuple[str, ...] = ()  # all of them where empty


ROOMS = {
    "regions": Room(("thermscan/regions",), ("tests/regions", "thermscan/regions")),
    "radiometry": Room(("thermscan/radiometry",), ("tests/radiometry", "tests/published", "thermscan/radiometry")),
    "heat": Room(("thermscan/heat",), ("tests/heat", "tests/published/test_heat_fin.py", "thermscan/heat")),
    "judge": Room(("thermscan/judge",), ("tests/judge", "tests/published/test_statistics.py", "thermscan/judge")),
    # What decides whether a place is believed.
    "placing": Room(
        ("thermscan/registration/placing", "thermscan/registration"),
        ("tests/registration", "thermscan/registration"),
        ("agreement", "standing", "decision", "evidence", "outline_doubt", "improvement", "plausible", "hidden_edges"),
    ),
}
TURNED: dict[type, type] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Lt: ast.GtE, ast.LtE: ast.Gt,
    ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.And: ast.Or, ast.Or: ast.And,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


class Mutator(ast.NodeTransformer):
    """Counts the places that can be changed, and changes the chosen one."""

    def __init__(self, chosen: int = -1) -> None:
        self.chosen, self.seen = chosen, 0
        self.places: list[tuple[int, str]] = []

    def _here(self, node: ast.AST, told: str) -> bool:
        self.places.append((getattr(node, "lineno", 0), told))
        self.seen += 1
        return self.seen - 1 == self.chosen

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        self.generic_visit(node)
        turned = TURNED.get(type(node.op))
        if turned and not _is_text(node) and self._here(node, f"{type(node.op).__name__} to {turned.__name__}"):
            node.op = turned()
        return node

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        self.generic_visit(node)
        turned = TURNED[type(node.op)]
        if self._here(node, f"{type(node.op).__name__} to {turned.__name__}"):
            node.op = turned()
        return node

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        self.generic_visit(node)
        turned = TURNED.get(type(node.ops[0]))
        if turned and self._here(node, f"{type(node.ops[0]).__name__} to {turned.__name__}"):
            node.ops[0] = turned()
        return node

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.AST:
        self.generic_visit(node)
        if self._here(node, f"{type(node.op).__name__} dropped"):
            return node.operand
        return node

    def visit_IfExp(self, node: ast.IfExp) -> ast.AST:
        self.generic_visit(node)
        if self._here(node, "condition contrary"):
            node.test = ast.UnaryOp(ast.Not(), node.test)
        return node

    def visit_If(self, node: ast.If) -> ast.AST:
        self.generic_visit(node)
        if self._here(node, "condition contrary"):
            node.test = ast.UnaryOp(ast.Not(), node.test)
        return node

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        value = node.value
        if isinstance(value, bool) or not isinstance(value, int | float):
            return node
        changed = value + 1 if isinstance(value, int) else (value * 1.2 if value else 0.1)
        if self._here(node, f"{value!r} to {changed!r}"):
            return ast.copy_location(ast.Constant(changed), node)
        return node

    def visit_Expr(self, node: ast.Expr) -> ast.AST:
        return node if isinstance(node.value, ast.Constant) else self.generic_visit(node)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        return node  # what is said is not what is counted

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        if node.value is not None:
            node.value = self.visit(node.value)
        return node

    def visit_arg(self, node: ast.arg) -> ast.AST:
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.body = [self.visit(part) for part in node.body]
        return node


def _is_text(node: ast.BinOp) -> bool:
    return any(isinstance(side, ast.Constant | ast.JoinedStr) and not isinstance(
        getattr(side, "value", ""), int | float) for side in (node.left, node.right))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change of one module."""

    path: Path
    number: int
    line: int
    told: str


def mutants(tree: Path, room: Room) -> Iterator[Mutant]:
    """All changes of a room's modules."""
    paths = [path for folder in room.code for path in sorted((tree / folder).glob("*.py"))]
    for path in paths:
        if not room.modules or path.stem in room.modules:
            found = Mutator()
            found.visit(ast.parse(path.read_text()))
            yield from (Mutant(path, number, *place) for number, place in enumerate(found.places))


@dataclass(slots=True)
class Passed:
    """Which tests pass through which lines, and how long they take."""

    by_line: dict[str, dict[int, list[str]]]
    seconds: dict[str, float]

    def meeting(self, mutant: Mutant) -> list[str]:
        """Tests that pass through the mutant's line, the quick ones first; for a constant, through its module."""
        lines = self.by_line.get(str(mutant.path), {})
        through = {test for test in lines.get(mutant.line, []) if test in self.seconds}
        if not through and "" in lines.get(mutant.line, []):
            through = {test for tests in lines.values() for test in tests if test in self.seconds}
        return sorted(through, key=lambda test: self.seconds.get(test, 0.0))


def watch(tree: Path, room: Room, tests: list[str]) -> Passed | None:
    """Run the tests on the code as it is; what fails there is left out, and said. None where they cannot be run."""
    with tempfile.TemporaryDirectory() as name:
        kept = Path(name) / "passed.json"
        child = os.fork()
        if child == 0:
            os._exit(_watched(tree, room, tests, kept))
        os.waitpid(child, 0)
        if not kept.exists():
            return None
        told = json.loads(kept.read_text())
    for test in told["failed"]:
        print(f"left out, since it fails on the code as it is: {test}", flush=True)
    by_line = {path: {int(line): found for line, found in lines.items()} for path, lines in told["lines"].items()}
    return Passed(by_line, told["seconds"])


def _watched(tree: Path, room: Room, tests: list[str], kept: Path) -> int:
    import coverage

    cover = coverage.Coverage(data_file=None, source=[str(tree / folder) for folder in room.code], config_file=False)

    class Watcher:
        """Tells the tests apart, and times them."""

        seconds: dict[str, float] = {}  # noqa: RUF012 - one watcher, one run
        failed: set[str] = set()  # noqa: RUF012

        def pytest_runtest_setup(self, item: Any) -> None:
            cover.switch_context(item.nodeid)

        def pytest_runtest_logreport(self, report: Any) -> None:
            self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration
            if report.failed:
                self.failed.add(report.nodeid)

    cover.start()
    status = _run(tree, None, [*tests, "--maxfail=1000"], Watcher())
    cover.stop()
    data = cover.get_data()
    lines = {path: data.contexts_by_lineno(path) for path in data.measured_files()}
    seconds = {test: value for test, value in Watcher.seconds.items() if test not in Watcher.failed}
    kept.write_text(json.dumps({"lines": lines, "seconds": seconds, "failed": sorted(Watcher.failed)}))
    return status


def drawn(found: list[Mutant], count: int, seed: int) -> list[Mutant]:
    """So many of them, no two of one line before each line has had its turn."""
    rng = random.Random(seed)
    rng.shuffle(found)
    rank: dict[tuple[Path, int], int] = {}
    turns = []
    for mutant in found:
        key = (mutant.path, mutant.line)
        rank[key] = rank.get(key, 0) + 1
        turns.append(rank[key])
    order = sorted(range(len(found)), key=lambda i: turns[i])
    return [found[i] for i in order[:count]]


def killed(tree: Path, mutant: Mutant, tests: list[str], *, timeout_s: float) -> str:
    """``failed``, ``timeout`` or ``lives``, told by a fork that runs the tests on the changed module."""
    if not tests:
        return "lives"
    child = os.fork()
    if child == 0:
        os.setsid()
        os._exit(_run(tree, mutant, tests))
    end = time.monotonic() + timeout_s
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "lives" if os.waitstatus_to_exitcode(status) == 0 else "failed"
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "timeout"


def _run(tree: Path, mutant: Mutant | None, tests: list[str], *plugins: object) -> int:
    import pytest

    if mutant is not None:
        _replace(mutant)
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    os.chdir(tree)
    # Plain assertions: pytest's own loader would read the module's file, and pass the mutant by.
    options = ["-q", "-x", "-n", "0", "-p", "no:cacheprovider", "--no-header", "--assert=plain"]
    return int(pytest.main([*options, *tests], plugins=list(plugins)))


def _replace(mutant: Mutant) -> None:
    """The loader compiles the mutant where it would compile the module."""
    usual = SourceFileLoader.get_code

    def get_code(self: SourceFileLoader, name: str) -> Any:
        if Path(self.path).resolve() != mutant.path.resolve():
            return usual(self, name)
        tree = Mutator(mutant.number).visit(ast.parse(mutant.path.read_text()))
        return compile(ast.fix_missing_locations(tree), str(mutant.path), "exec")

    SourceFileLoader.get_code = get_code  # type: ignore[method-assign,assignment]


def main() -> int:
    """Draw mutants, run, and print the score and who lives."""
    given = _arguments()
    room, tree = ROOMS[given.room], given.tree.resolve()
    sys.path.insert(0, str(tree))
    _load_libraries()
    tests = [test for test in room.tests if (tree / test).exists()]
    passed = watch(tree, room, tests)
    if passed is None:
        print("the tests fail on the code as it is")
        return 1
    found = list(mutants(tree, room))
    chosen = drawn(found, given.count, given.seed)
    if given.only:
        chosen = [m for m in found if f"{m.path.relative_to(tree)}:{m.line}" == given.only]
    lives = 0
    for mutant in chosen:
        meeting = passed.meeting(mutant)
        usual_s = sum(passed.seconds.get(test, 0.0) for test in meeting)
        if killed(tree, mutant, meeting, timeout_s=60 + 20 * usual_s) == "lives":
            lives += 1
            line = mutant.path.read_text().splitlines()[mutant.line - 1].strip()
            told = f"{mutant.path.relative_to(tree)}:{mutant.line} {mutant.told}: {line}"
            print(f"LIVES {told} ({len(meeting)} tests pass there)", flush=True)
    print(f"{given.room}: {len(chosen) - lives} of {len(chosen)} killed (of {len(found)} mutants; seed {given.seed})")
    return 0


def _load_libraries() -> None:
    """What every test needs, but nothing of our own: forks share it."""
    import cv2
    import pytest  # noqa: F401
    import scipy.ndimage
    import scipy.optimize
    import scipy.sparse.linalg
    import scipy.stats  # noqa: F401
    import skimage.draw
    import skimage.measure  # noqa: F401

    cv2.setNumThreads(1)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("room", choices=ROOMS)
    parser.add_argument("--count", type=int, default=30)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", help="all mutants of one line, as file:line")
    parser.add_argument("--tree", type=Path, default=TREE, help="source tree, tests included")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
