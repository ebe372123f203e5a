"""
Many runs: one after the other, side by side, and on a cluster of which a worker is killed on the way.

    python tests/benchmarks/many.py [--runs 1000] [--boards 10] [--parts 54] [--single 30] [--columns 640]

Boards by the simulator, each with many run files; every fiftieth run names a frame that is not there. All lines of
`inspect --json` must be there once, in order, byte for byte those of the other ways. The cost of one run alone is that
of the first `--single` runs in one process; aim: side by side within 1.2 times half of it. The wall clock needs a quiet
machine. What does not hang on it is the processor time of the busier of two processes, or half of all if that is more:
so long it takes where both cores are free. Status 1 if a line is lost, double or different.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
HERE = Path(__file__).resolve().parent
TREE = HERE.parents[1]
sys.path[:0] = [str(TREE), str(HERE)]
os.environ["PYTHONPATH"] = str(TREE)

import psutil  # noqa: E402 - comes with distributed
from scale import write_board  # noqa: E402

BAD_EVERY = 50


@dataclass(frozen=True, slots=True)
class Told:
    """What `inspect --json` printed, seconds by the wall, of processor, and of the busiest process's processor."""

    lines: list[str]
    wall_s: float
    spent_s: float
    busiest_s: float

    def row(self, name: str, alone: Told) -> str:
        """One line of the table, against half of what the same runs cost alone."""
        half = len(self.lines) / len(alone.lines) / 2
        wall, free = self.wall_s / (half * alone.wall_s), max(self.busiest_s, self.spent_s / 2) / (half * alone.spent_s)
        each = self.spent_s / len(self.lines)
        return (
            f"{name:34} {len(self.lines):6d} {self.wall_s:9.1f} {self.spent_s:9.1f} {each:8.3f} {wall:8.2f} {free:8.2f}"
        )


def write_runs(folder: Path, *, runs: int, boards: int, parts: int, columns: int) -> list[str]:
    """Run files, board by board in turns."""
    shape = (3 * columns // 4, columns)
    sources = [write_board(folder / f"board-{k}", parts, seed=k, shape=shape) for k in range(boards)]
    made = []
    for number in range(runs):
        source = sources[number % boards]
        run = source.with_name(f"run-{number:05d}.toml")
        frame = "lost.tiff" if number % BAD_EVERY == BAD_EVERY - 1 else "look.tiff"
        run.write_text(source.read_text().replace("look.tiff", frame))
        made.append(str(run))
    return made


def lines_of(
    runs: Sequence[str], options: Sequence[str], told: Path, meanwhile: Callable[[int], None] = lambda _: None
) -> Told:
    """All of it from a process of its own; `meanwhile` is told how many lines came."""
    busy: dict[int, float] = {}
    count = 0
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    with told.open("wb") as out, told.open("rb") as so_far, told.with_suffix(".err").open("wb") as faults:
        command = [sys.executable, "-m", "thermscan", "inspect", *runs, "--json", *options]
        process = subprocess.Popen(command, stdout=out, stderr=faults)
        while process.poll() is None:
            time.sleep(0.2)
            count += so_far.read().count(b"\n")
            meanwhile(count)
            busy.update(_processor_s(process.pid))
    if process.returncode not in (0, 1, 2, 3):
        raise RuntimeError(told.with_suffix(".err").read_text()[-500:])
    wall, after = time.monotonic() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Told(told.read_text().splitlines(), wall, spent, max(busy.values(), default=0.0))


def _processor_s(pid: int) -> dict[int, float]:
    """So far, of a process and all that it started, each by its number."""
    found = {}
    with suppress(psutil.NoSuchProcess):
        first = psutil.Process(pid)
        for each in (first, *first.children(recursive=True)):
            with suppress(psutil.NoSuchProcess):
                times = each.cpu_times()
                found[each.pid] = times.user + times.system
    return found


def on_cluster(runs: Sequence[str], told: Path) -> tuple[Told, int]:
    """The same on a cluster of two workers, of which one is killed after a third of the runs; and how many were."""
    from distributed import LocalCluster

    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    killed: list[int] = []
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:

        def kill(lines: int) -> None:
            if not killed and lines >= len(runs) // 3:
                worker: Any = next(iter(cluster.workers.values()))
                killed.append(worker.pid)
                os.kill(worker.pid, signal.SIGKILL)

        found = lines_of(runs, ["--cluster", cluster.scheduler_address], told, kill)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return replace(found, spent_s=spent), len(killed)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--runs", type=int, default=1000)
    options.add_argument("--boards", type=int, default=10)
    options.add_argument("--parts", type=int, default=54)
    options.add_argument("--single", type=int, default=30)
    options.add_argument("--columns", type=int, default=640)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        given_runs = {"runs": given.runs, "boards": given.boards, "parts": given.parts, "columns": given.columns}
        runs = write_runs(folder, **given_runs)
        alone = lines_of(runs[: given.single], [], folder / "alone.txt")
        print(f"{'':64} {'':8} over half of alone")
        print(f"{'':34} {'runs':>6} {'wall, s':>9} {'CPU, s':>9} {'CPU/run':>8} {'wall':>8} {'free':>8}")
        print(alone.row("one after the other", alone), flush=True)
        side = lines_of(runs, ["--jobs", "2"], folder / "side.txt")
        print(side.row("--jobs 2", alone), flush=True)
        there, killed = on_cluster(runs, folder / "cluster.txt")
        print(there.row(f"--cluster, {killed} of 2 workers killed", alone))
    wrong = {
        "lost or double, or out of order": sum(
            [json.loads(line)["run"] for line in told.lines] != runs for told in (side, there)
        ),
        "other than one after the other": sum(
            one != other for one, other in zip(alone.lines, side.lines, strict=False)
        ),
        "other on the cluster": sum(one != other for one, other in zip(side.lines, there.lines, strict=False)),
        "kills that did not happen": 1 - killed,
        "bad runs not told": sum(not json.loads(line)["faults"] for line in side.lines[BAD_EVERY - 1 :: BAD_EVERY]),
    }
    print("; ".join(f"{what}: {count}" for what, count in wrong.items()))
    return int(any(wrong.values()))


if __name__ == "__main__":
    sys.exit(main())
