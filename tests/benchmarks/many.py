"""
Many runs: one after the other, side by side, and on a cluster of which a worker is killed on the way.

    python tests/benchmarks/many.py [--runs 1000] [--boards 10] [--parts 54] [--single 30]

Boards by the simulator, each with many run files; every fiftieth run names a frame that is not there. All lines of
`inspect --json` must be there once, in order, byte for byte those of the other ways. The cost of one run alone is that
of the first `--single` runs in one process; aim: side by side within 1.2 times half of it. Wall clock needs a quiet
machine; processor time is told beside it. Status 1 if a line is lost, double or different.
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
from pathlib import Path
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
HERE = Path(__file__).resolve().parent
TREE = HERE.parents[1]
sys.path[:0] = [str(TREE), str(HERE)]
os.environ["PYTHONPATH"] = str(TREE)

from scale import write_board  # noqa: E402

BAD_EVERY = 50


def write_runs(folder: Path, *, runs: int, boards: int, parts: int) -> list[str]:
    """Run files, board by board in turns."""
    sources = [write_board(folder / f"board-{k}", parts, seed=k) for k in range(boards)]
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
) -> tuple[list[str], float, float]:
    """What `inspect --json` prints, seconds by the wall and of processor; `meanwhile` is told how many lines came."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    with told.open("wb") as out, told.with_suffix(".err").open("wb") as faults:
        command = [sys.executable, "-m", "thermscan", "inspect", *runs, "--json", *options]
        process = subprocess.Popen(command, stdout=out, stderr=faults)
        while process.poll() is None:
            time.sleep(0.2)
            meanwhile(told.read_bytes().count(b"\n"))
    if process.returncode not in (0, 1, 2, 3):
        raise RuntimeError(told.with_suffix(".err").read_text()[-500:])
    wall, after = time.monotonic() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return told.read_text().splitlines(), wall, spent


def on_cluster(runs: Sequence[str], told: Path) -> tuple[list[str], float, float, int]:
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

        lines, wall, _ = lines_of(runs, ["--cluster", cluster.scheduler_address], told, kill)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return lines, wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, len(killed)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--runs", type=int, default=1000)
    options.add_argument("--boards", type=int, default=10)
    options.add_argument("--parts", type=int, default=54)
    options.add_argument("--single", type=int, default=30)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        runs = write_runs(folder, runs=given.runs, boards=given.boards, parts=given.parts)
        first = runs[: given.single]
        alone, wall, spent = lines_of(first, [], folder / "alone.txt")
        each_wall, each = wall / len(first), spent / len(first)
        print(f"{'':34} {'runs':>6} {'wall, s':>9} {'CPU, s':>9} {'CPU/run':>8} {'wall/run over half of alone':>28}")
        print(f"{'one after the other':34} {len(first):6d} {wall:9.1f} {spent:9.1f} {each:8.2f}", flush=True)
        side, wall, spent = lines_of(runs, ["--jobs", "2"], folder / "side.txt")
        share = wall / len(runs) / (each_wall / 2)
        print(
            f"{'--jobs 2':34} {len(runs):6d} {wall:9.1f} {spent:9.1f} {spent / len(runs):8.2f} {share:28.2f}",
            flush=True,
        )
        there, wall, spent, killed = on_cluster(runs, folder / "cluster.txt")
        share = wall / len(runs) / (each_wall / 2)
        name = f"--cluster, {killed} of 2 workers killed"
        print(f"{name:34} {len(runs):6d} {wall:9.1f} {spent:9.1f} {spent / len(runs):8.2f} {share:28.2f}")
    wrong = {
        "lost or double, or out of order": sum(
            [json.loads(line)["run"] for line in told] != runs for told in (side, there)
        ),
        "other than one after the other": sum(one != other for one, other in zip(alone, side, strict=False)),
        "other on the cluster": sum(one != other for one, other in zip(side, there, strict=False)),
        "kills that did not happen": 1 - killed,
        "bad runs not told": sum(not json.loads(line)["faults"] for line in side[BAD_EVERY - 1 :: BAD_EVERY]),
    }
    print("; ".join(f"{what}: {count}" for what, count in wrong.items()))
    return int(any(wrong.values()))


if __name__ == "__main__":
    sys.exit(main())
