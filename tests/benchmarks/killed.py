"""
Commands killed (SIGKILL) at random moments: is what they leave whole or absent, and is every input as it was?

    python -m tests.benchmarks.killed [--kills 200] [--seed 1]

Each command first runs to its end, to learn how long it takes; the moments are then spread evenly over a little more
than that. After each kill the folder is looked at, and at the end one more run must clean up and be whole.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from tests.archive.small_records import small_record
from thermscan.archive.index import INDEX_FILE
from thermscan.resources import data_path

# Read in about as long as the rest of the command takes.
_RECORDS = 1000


def digests(folder: Path) -> dict[str, str]:
    """Of every file below a folder."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def report_state(out: Path) -> str:
    """Whole, absent, or what is wrong; a report says in its list what belongs to it."""
    if not (out / "results.json").exists():
        return "absent"
    json.loads((out / "results.json").read_text(encoding="utf-8"))
    listed: dict[str, set[str]] = {}
    for line in (out / "report.sha256").read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            digest, name = line.split("  ", 1)
            listed.setdefault(name, set()).add(digest)
    found = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in out.iterdir() if path.name in listed}
    # Files of one run carry its mark: the run's note stands in the document and on the pages.
    mark = json.loads((out / "results.json").read_text(encoding="utf-8"))["run"]["note"]
    if any(found.get(name) not in digests for name, digests in listed.items() if name in found):
        return "WRONG: a file that is not in the list"
    if mark not in (out / "report.html").read_text(encoding="utf-8"):
        return "WRONG: results.json and report.html are of different runs"
    return "whole"


def baseline_state(out: Path) -> str:
    """Whole, absent, or what is wrong."""
    if not out.exists():
        return "absent"
    try:
        document = json.loads(out.read_text(encoding="utf-8"))
    except ValueError:
        return "WRONG: half a file"
    return "whole" if document["schema"] == "thermscan.baseline/1" else "WRONG: not a baseline"


def bag_state(out: Path) -> str:
    """Whole, absent, or what is wrong."""
    if not out.exists():
        return "absent"
    done = subprocess.run([sys.executable, "-m", "bagit", "--validate", "--quiet", str(out)], check=False, timeout=300)
    return "whole" if done.returncode == 0 else "WRONG: a bag that is not valid"


def zip_state(out: Path) -> str:
    """Whole, absent, or what is wrong."""
    if not out.exists():
        return "absent"
    done = subprocess.run([sys.executable, "-m", "zipfile", "-t", str(out)], check=False, capture_output=True)
    return "whole" if done.returncode == 0 else "WRONG: half a zip"


def index_state(out: Path) -> str:
    """Whole, absent, or what is wrong: an index that is there names every record of the folder, and is sound."""
    if not (out / INDEX_FILE).exists():
        return "absent"
    with closing(sqlite3.connect(out / INDEX_FILE)) as database:
        sound = database.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        count = database.execute("SELECT count(*) FROM records WHERE fault IS NULL").fetchone()[0]
    return "whole" if sound and count == _RECORDS else f"WRONG: an index of {count} records"


def kill_often(
    name: str,
    arguments: Callable[[int], list[str]],
    out: Callable[[int], Path],
    state: Callable[[Path], str],
    *,
    job: Path,
    kills: int,
    moments: random.Random,
    took: float | None,
) -> bool:
    """Run, kill, look; print one line of a table. True where nothing was wrong."""
    begin = time.monotonic()
    run(arguments(0), job).wait()
    took = took or time.monotonic() - begin
    inputs = {name: digest for name, digest in digests(job).items() if _is_input(name)}
    seen: Counter[str] = Counter()
    # Most of the time goes into the work: half of the moments go into the end of it, where it is written.
    for number in range(1, kills + 1):
        at = moments.uniform(0.0, 1.05) if number % 2 else moments.uniform(0.8, 1.05)
        way = run(arguments(number), job)
        try:
            way.wait(at * took)
            seen["(ended before)"] += 1
        except subprocess.TimeoutExpired:
            way.kill()
            way.wait()
        seen[state(out(number))] += 1
    # What the killed ones left is under hidden names, and is nobody's input.
    lost = {name: digest for name, digest in digests(job).items() if _is_input(name)} != inputs
    run(arguments(kills + 1), job).wait()
    last = state(out(kills + 1))
    left = [path.name for path in [*job.glob(".thermscan-*"), *job.glob("*/.thermscan-*")]]
    wrong = sum(count for what, count in seen.items() if what.startswith("WRONG"))
    told = ", ".join(f"{what} {count}" for what, count in sorted(seen.items()))
    kept, rest = "CHANGED" if lost else "as they were", left or "none"
    print(f"| {name} | {took:.1f} s | {kills} | {told} | {kept} | {last} | {rest} |", flush=True)
    return not wrong and not lost and last == "whole" and not left


def _is_input(name: str) -> bool:
    return not name.startswith("out") and INDEX_FILE not in name and ".thermscan-" not in name


# Writes reports of a usual size one after the other and does nothing else, so that every kill falls into the writing.
WRITER = """
import json, os, sys
from pathlib import Path
from thermscan.writing import reserved_folder
print("ready", flush=True)
number, picture = 0, os.urandom(150_000).hex().encode()
while True:
    number += 1
    mark = f"{sys.argv[2]}-{number}|"
    contents = {"results.json": json.dumps({"mark": mark}).encode()}
    contents |= {f"{i}.png": mark.encode() + picture for i in range(10)}
    with reserved_folder(Path(sys.argv[1]), inputs=[]) as folder:
        folder.put(contents, last="results.json")
"""


def kill_writer(folder: Path, *, kills: int, moments: random.Random) -> bool:
    """Kill a process that only writes reports; print one line of the table. True where none was mixed."""
    seen: Counter[str] = Counter()
    for number in range(kills):
        arguments = [sys.executable, "-c", WRITER, str(folder), str(number)]
        way = subprocess.Popen(arguments, stdout=subprocess.PIPE)
        assert way.stdout is not None
        way.stdout.readline()
        time.sleep(moments.uniform(0.0, 0.3))
        way.kill()
        way.communicate()
        if not (folder / "results.json").exists():
            seen["absent"] += 1
            continue
        mark = json.loads((folder / "results.json").read_text(encoding="utf-8"))["mark"].encode()
        mixed = any(not (folder / f"{i}.png").read_bytes().startswith(mark) for i in range(10))
        seen["WRONG: of different runs" if mixed else "whole"] += 1
    told = ", ".join(f"{what} {count}" for what, count in sorted(seen.items()))
    print(f"| writing alone | 0 to 0.3 s | {kills} | {told} | none | - | - |", flush=True)
    return not any(what.startswith("WRONG") for what in seen)


def run(arguments: list[str], job: Path) -> subprocess.Popen[bytes]:
    """The real command in the job's folder."""
    quiet = subprocess.DEVNULL
    return subprocess.Popen([sys.executable, "-m", "thermscan", *arguments], cwd=job, stdout=quiet, stderr=quiet)


def main() -> int:
    """Kill each command and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200, help="of each command")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--took", type=float, help="seconds that the command takes, where the first run would mislead")
    parser.add_argument("--only", help="one of: writing, report, baseline, bag, zip, index")
    given = parser.parse_args()
    moments = random.Random(given.seed)
    print("| command | takes | kills | found after them | inputs | one more run | left over |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    good = True
    if given.only in {None, "writing"}:
        with tempfile.TemporaryDirectory() as folder:
            good &= kill_writer(Path(folder) / "report", kills=given.kills, moments=moments)
    inspect = ["inspect", "shorted-latch.toml", "--out", "out-report", "--note"]
    pack = ["record", "pack", "shorted-latch.toml", "--out"]
    for name, arguments, out, state in (
        ("report", lambda n: [*inspect, f"run number {n}."], lambda _: Path("out-report"), report_state),
        (
            "baseline",
            lambda _: ["baseline", "good-1.toml", "--out", "out.json"],
            lambda _: Path("out.json"),
            baseline_state,
        ),
        ("bag", lambda n: [*pack, f"out-bag-{n}"], lambda n: Path(f"out-bag-{n}"), bag_state),
        ("zip", lambda n: [*pack, f"out-{n}.zip"], lambda n: Path(f"out-{n}.zip"), zip_state),
        (
            "index",
            lambda _: ["record", "list", "archive", "--rebuild", "--json"],
            lambda _: Path("archive"),
            index_state,
        ),
    ):
        if given.only not in {None, name}:
            continue
        with tempfile.TemporaryDirectory() as folder:
            job = Path(folder) / "job"
            shutil.copytree(data_path("samples", "departure_display"), job)
            if name == "index":
                (job / "archive").mkdir()
                for number in range(_RECORDS):
                    small_record(job / "archive" / f"{number}.zip", {"U1": 9.0}, serial=str(number))
            good &= kill_often(
                name, arguments, lambda n, out=out, job=job: job / out(n), state,
                job=job, kills=given.kills, moments=moments, took=given.took,
            )  # fmt: skip
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
