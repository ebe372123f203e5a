"""
Commands on a disk that fills up under them, with more or less left: is what they leave whole or absent?

    sudo python -m tests.benchmarks.full_disk [--only report,baseline,bag,zip,index]

Mounts a small disk in memory for each trial, so it wants Linux and root. A report of before may lie there already, and
must then be whole, the former or the new one. A refusal must be one line.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.archive.small_records import small_record
from tests.benchmarks.killed import bag_state, baseline_state, index_state, report_state, zip_state
from thermscan.resources import data_path

_DISK = 12_000_000
_RECORDS = 1000
# Of what a command needs at most: from nothing to nearly enough.
_SHARES = (0.0, 0.001, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)


@contextmanager
def small_disk(place: Path) -> Iterator[Path]:
    """A disk in memory."""
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={_DISK}", "none", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)
        place.rmdir()


def fill(disk: Path, left: int) -> None:
    """Use up the disk until so many bytes are left."""
    with (disk / "filler").open("wb", buffering=0) as file:
        file.write(bytes(max(shutil.disk_usage(disk).free - left, 0)))


def run(arguments: list[str], job: Path) -> subprocess.CompletedProcess[str]:
    """The real command in the job's folder."""
    command = [sys.executable, "-m", "thermscan", *arguments]
    return subprocess.run(command, cwd=job, capture_output=True, text=True, check=False)


def used_by(disk: Path, before: int) -> int:
    return shutil.disk_usage(disk).used - before


def trials(
    name: str, arguments: Callable[[Path], list[str]], out: str, state: Callable[[Path], str], *, job: Path, again: bool
) -> bool:
    """Run with ever more left; print one line of a table. True where nothing was wrong."""
    place = job.parent / "disk"
    with small_disk(place) as disk:
        before = shutil.disk_usage(disk).used
        prepare(name, disk)
        whole = run(arguments(disk), job)
        assert whole.returncode in {0, 1}, whole.stderr
        # Written beside its place before it is renamed, and a zip's payload before that.
        need = 2 * used_by(disk, before)
    seen: Counter[str] = Counter()
    for share in _SHARES:
        with small_disk(place) as disk:
            prepare(name, disk)
            if again:
                run(arguments(disk), job)
            was = state(disk / out) if again else "absent"
            fill(disk, int(share * need))
            done = run(arguments(disk), job)
            found = state(disk / out)
            (disk / "filler").unlink()
            lines = [line for line in done.stderr.splitlines() if line.strip()]
            if "Traceback" in done.stderr or "internal fault" in done.stderr:
                seen[f"WRONG: {lines[-1][:80]}"] += 1
            elif done.returncode == 2 and found != was:
                seen[f"WRONG: refused, and {was} became {found}"] += 1
            elif done.returncode == 2 and len(lines) != 1:
                seen[f"WRONG: {len(lines)} lines"] += 1
            elif found.startswith("WRONG"):
                seen[found] += 1
            else:
                seen[f"exit {done.returncode}, {found}"] += 1
            left = [each.name for each in disk.rglob(".thermscan-*")]
            if left:
                seen[f"left over: {left[0]}"] += 1
    told = ", ".join(f"{what} {count}" for what, count in sorted(seen.items()))
    print(f"| {name}{', over a former one' if again else ''} | {len(_SHARES)} | {told} |", flush=True)
    return not any(what.startswith(("WRONG", "left")) for what in seen)


def prepare(name: str, disk: Path) -> None:
    """What lies on the disk before."""
    if name == "index":
        (disk / "archive").mkdir()
        for number in range(_RECORDS):
            small_record(disk / "archive" / f"{number}.zip", {"U1": 9.0}, serial=str(number))


def main() -> int:
    """Every command on filling disks."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", help="some of: report, baseline, bag, zip, index")
    given = parser.parse_args()
    only = given.only.split(",") if given.only else None
    pack = ["record", "pack", "shorted-latch.toml", "--out"]
    inspect = ["inspect", "shorted-latch.toml", "--note", "run number 1.", "--out"]
    learn = ["baseline", "good-1.toml", "--out"]
    print("| command | disks | exit status, what was found |\n| --- | --- | --- |")
    good = True
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "job"
        shutil.copytree(data_path("samples", "departure_display"), job)
        for name, arguments, out, state in (
            ("report", lambda disk: [*inspect, str(disk / "out")], "out", report_state),
            (
                "baseline",
                lambda disk: [*learn, str(disk / "b.json")],
                "b.json",
                baseline_state,
            ),
            ("bag", lambda disk: [*pack, str(disk / "bag")], "bag", bag_state),
            ("zip", lambda disk: [*pack, str(disk / "r.zip")], "r.zip", zip_state),
            ("index", lambda disk: ["record", "list", str(disk / "archive"), "--rebuild"], "archive", index_state),
        ):
            if only and name not in only:
                continue
            good &= trials(name, arguments, out, state, job=job, again=False)
            if name == "report":
                good &= trials(name, arguments, out, state, job=job, again=True)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
