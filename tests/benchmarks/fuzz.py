"""
Spoilt files by the thousand through every reader, in memory and time that are bounded.

    python tests/benchmarks/fuzz.py --cases 100000 [--first 0] [--readers tiff,csv] [--keep]

Only errors of ours may come of a file, each within 2 s and all within 1 GB. What ends otherwise is printed with its
number, and with --keep written to tests/fuzz_cases/, where the tests run it from then on. Status 1 if anything did.
Interrupted, or after --seconds of processor time, it tells how many cases it came to.
"""

from __future__ import annotations

import argparse
import resource
import signal
import sys
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.fuzzing import KEPT, READERS, attempt, spoilt

SLOW_S = 2.0
MOST_MEMORY_MB = 1000
ADDRESS_SPACE_BYTES = 4_000_000_000


def one(reader: str, number: int) -> str | None:
    """What is wrong with one case, or None."""
    data = spoilt(reader, number)
    start = time.process_time()
    try:
        attempt(reader, data)
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        place = traceback.extract_tb(error.__traceback__)[-1]
        return f"{type(error).__name__}: {str(error)[:100]} ({Path(place.filename).name}:{place.lineno})"
    seconds = time.process_time() - start
    return f"slow: {seconds:.1f} s" if seconds > SLOW_S else None


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--cases", type=int, default=10_000)
    options.add_argument("--first", type=int, default=0)
    options.add_argument("--readers", default=",".join(READERS))
    options.add_argument("--keep", action="store_true")
    options.add_argument("--seconds", type=float, default=float("inf"))
    given = options.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE_BYTES, ADDRESS_SPACE_BYTES))
    names = given.readers.split(",")
    wrong: dict[str, int] = {}
    start, done = time.process_time(), 0
    stopped: list[int] = []
    for kind in (signal.SIGINT, signal.SIGTERM):
        signal.signal(kind, lambda number, _: stopped.append(number))
    while done < given.cases and not stopped and time.process_time() - start <= given.seconds:
        reader, number = names[done % len(names)], given.first + done // len(names)
        done += 1
        what = one(reader, number)
        if what is None:
            continue
        key = f"{reader}: {what.rpartition('(')[2] if '(' in what else what}"
        wrong[key] = wrong.get(key, 0) + 1
        if wrong[key] == 1:
            print(f"{reader} {number}: {what}", flush=True)
            if given.keep:
                folder = KEPT / reader
                folder.mkdir(parents=True, exist_ok=True)
                (folder / str(number)).write_bytes(spoilt(reader, number))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    seconds = time.process_time() - start
    print(f"{done} cases, {sum(wrong.values())} wrong of {len(wrong)} kinds; {seconds:.0f} s, peak {memory:.0f} MB")
    return int(bool(wrong) or memory > MOST_MEMORY_MB)


if __name__ == "__main__":
    sys.exit(main())
