"""
Two processes that write the same thing at the same moment: one result, whole, and each is told what became of its own.

    python -m tests.benchmarks.two_at_once [--rounds 10]
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from tests.archive.conftest import write_job
from tests.archive.small_records import small_record
from tests.benchmarks.killed import bag_state, baseline_state, digests, zip_state
from thermscan.archive.history import Filters, list_records
from thermscan.archive.index import open_index

_RECORDS = 200


def report_state(out: Path) -> str:
    """Whole where every file is the one in the list."""
    if not (out / "results.json").exists():
        return "absent"
    done = subprocess.run(["sha256sum", "-c", "--quiet", "report.sha256"], cwd=out, check=False, capture_output=True)
    return "whole" if done.returncode == 0 else "WRONG: not the files in the list"


def index_state(archive: Path) -> str:
    """Whole where it lists every record."""
    with open_index(archive) as index:
        return "whole" if len(list_records(index, Filters())) == _RECORDS else "WRONG: records are missing"


def pair(name: str, arguments: list[str], out: str, state: Callable[[Path], str], *, job: Path, rounds: int) -> bool:
    """Start two at once, again and again; print one line of a table."""
    seen: Counter[str] = Counter()
    mine = ("board", "run", "frame", "parts")
    inputs = {name: digest for name, digest in digests(job).items() if name.startswith(mine)}
    for _ in range(rounds):
        if name != "index" and (job / out).exists():
            shutil.rmtree(job / out) if (job / out).is_dir() else (job / out).unlink()
        command = [sys.executable, "-m", "thermscan", *arguments]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE}
        ways = [subprocess.Popen(command, cwd=job, text=True, **quiet) for _ in range(2)]
        said = [way.communicate()[1] for way in ways]
        codes = "+".join(str(code) for code in sorted(way.returncode for way in ways))
        trouble = "WRONG: a traceback, " if any("Traceback" in each for each in said) else ""
        seen[f"{trouble}exit {codes}, {state(job / out)}"] += 1
    kept = all(digests(job)[name] == digest for name, digest in inputs.items())
    left = [path.name for path in [*job.glob(".thermscan-*"), *job.glob("*/.thermscan-*")]]
    told = ", ".join(f"{what} {count}" for what, count in sorted(seen.items()))
    print(f"| {name} | {rounds} | {told} | {'as they were' if kept else 'CHANGED'} | {left or 'none'} |", flush=True)
    return kept and not left and not any("WRONG" in what for what in seen)


def main() -> int:
    """Every command that writes, twice at once."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=10)
    rounds = parser.parse_args().rounds
    print("| command | pairs | exit statuses, what was found | inputs | left over |\n| --- | --- | --- | --- | --- |")
    good = True
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "job"
        write_job(job)
        (job / "archive").mkdir()
        for number in range(_RECORDS):
            small_record(job / "archive" / f"{number}.zip", {"U1": 9.0}, serial=str(number))
        pack = ["record", "pack", "run.toml", "--no-report", "--out"]
        for name, arguments, out, state in (
            ("index", ["record", "list", "archive", "--rebuild", "--json"], "archive", index_state),
            ("bag", [*pack, "bag"], "bag", bag_state),
            ("zip", [*pack, "record.zip"], "record.zip", zip_state),
            ("baseline", ["baseline", "run.toml", "--out", "good.json"], "good.json", baseline_state),
            ("report", ["inspect", "run.toml", "--out", "report"], "report", report_state),
        ):
            good &= pair(name, arguments, out, state, job=job, rounds=rounds)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
