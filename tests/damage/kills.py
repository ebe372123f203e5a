"""
Kill -9 at random moments while something is written; run by hand for many, by the tests for a few.

    python -m tests.damage.kills --kills 200 --seed 1

After every kill: what was there before is as it was, and what carries a finished result's name is whole.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.archive.conftest import write_job
from tests.archive.small_records import small_record
from thermscan.archive.history import Filters, list_records
from thermscan.archive.index import open_index
from thermscan.archive.packing import PackOptions, pack_record
from thermscan.archive.verifying import verify_record
from thermscan.inspection import inspect_run
from thermscan.judge.baseline_file import read_baseline, write_baseline
from thermscan.judge.learning import learn_baseline
from thermscan.runs.reading import read_run


def digest_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def killed(work: Callable[[], object], after_s: float) -> bool:
    """Do the work in a forked process and kill it; whether it was still at work."""
    child = multiprocessing.get_context("fork").Process(target=work)
    child.start()
    child.join(after_s)
    alive = child.is_alive()
    if alive:
        assert child.pid is not None
        os.kill(child.pid, signal.SIGKILL)
    child.join()
    return alive


def leftovers(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir() if path.name.startswith(".thermscan-")]


def check_pack(folder: Path, rng: np.random.Generator, whole_s: float, ending: str) -> str:
    """A record killed while it was packed is not there, or whole; the job's files are as they were."""
    job, out = folder / "job", folder / f"record{ending}"
    before = digest_of(job)
    run = read_run(job / "run.toml", overrides={})
    alive = killed(lambda: pack_record(run, out, options=PackOptions(report=False)), float(rng.uniform(0.0, whole_s)))
    assert digest_of(job) == before
    if not out.exists():
        return "killed, nothing there"
    assert verify_record(out, derive=False).damage == ()
    if out.is_dir():
        for path in sorted(out.rglob("*"), reverse=True):
            path.rmdir() if path.is_dir() else path.unlink()
        out.rmdir()
    else:
        out.unlink()
    return "killed, whole" if alive else "done before the kill"


def check_baseline(folder: Path, rng: np.random.Generator, whole_s: float) -> str:
    """A baseline killed while it was learned is the former one or the new one."""
    job, out = folder / "job", folder / "good.json"

    def work() -> None:
        write_baseline(learn_baseline([inspect_run(read_run(job / "run.toml", overrides={}))]), out)

    before = digest_of(job)
    alive = killed(work, float(rng.uniform(0.0, whole_s)))
    assert digest_of(job) == before
    if out.exists():
        assert len(read_baseline(out).runs) == 1
    return "killed" if alive else "done before the kill"


def check_rebuild(folder: Path, rng: np.random.Generator, whole_s: float) -> str:
    """An index killed while it was rebuilt is the former one or the new one."""
    archive = folder / "archive"

    def work() -> None:
        with open_index(archive, rebuild=True):
            pass

    alive = killed(work, float(rng.uniform(0.0, whole_s)))
    with open_index(archive) as index:
        assert len(list_records(index, Filters())) == 40
    return "killed" if alive else "done before the kill"


def prepare(folder: Path) -> None:
    write_job(folder / "job")
    (folder / "archive").mkdir()
    for number in range(40):
        small_record(folder / "archive" / f"{number}.zip", {"U1": 9.0}, serial=str(number))


def timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    child = multiprocessing.get_context("fork").Process(target=work)
    child.start()
    child.join()
    return time.perf_counter() - start


def kill_many(folder: Path, kills: int, seed: int) -> Counter[str]:
    """Kill each kind of work at random moments; what came of it, counted."""
    rng = np.random.default_rng(seed)
    prepare(folder)
    run = read_run(folder / "job" / "run.toml", overrides={})
    whole_s = 1.1 * timed(lambda: pack_record(run, folder / "first", options=PackOptions(report=False)))
    checks = (
        lambda: "pack folder: " + check_pack(folder, rng, whole_s, ""),
        lambda: "pack zip: " + check_pack(folder, rng, whole_s, ".zip"),
        lambda: "baseline: " + check_baseline(folder, rng, whole_s),
        lambda: "rebuild: " + check_rebuild(folder, rng, 0.1 * whole_s),
    )
    counted = Counter(checks[number % len(checks)]() for number in range(kills))
    # The next one in the same folder clears up after those that are no more.
    pack_record(run, folder / "last", options=PackOptions(report=False))
    assert leftovers(folder) == []
    return counted


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for what, count in sorted(kill_many(Path(folder), given.kills, given.seed).items()):
            print(f"{what}: {count}")


if __name__ == "__main__":
    main()
