"""
Every bad file of hostile_cases.py through the real command, one process each, under a memory limit: a table.

    python tests/benchmarks/hostile.py              all cases
    python tests/benchmarks/hostile.py fifo csv     those whose name holds one of the words

Each must end with a status that its case allows, in a few plain lines and without a traceback, within the limits below;
the status is 1 if any does not.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.hostile_cases import Case, all_cases

ROOT = Path(__file__).resolve().parents[2]
# What one process may take: address space is larger than memory by what the libraries only map.
MOST_MEMORY_MB = 1000
ADDRESS_SPACE_BYTES = 4_000_000_000
# Of processor time; the clock's is up to what else the machine does.
MOST_SECONDS = 10.0
# Of the clock's: a hang is told from a busy machine, where few seconds of processor time take minutes.
KILL_AFTER_S = 400.0
MOST_LINES, LONGEST_LINE = 110, 2000


@dataclass(frozen=True)
class Ending:
    """How one process ended."""

    status: int
    seconds: float
    memory_mb: float
    out: str
    err: str

    def faults(self, allowed: tuple[int, ...]) -> list[str]:
        """What is wrong with it."""
        lines = [line for line in self.err.splitlines() if line.strip()]
        found = {
            f"status {self.status}": self.status not in allowed,
            "internal fault": "Traceback" in self.err or "internal fault" in self.err,
            "raw warning": "Warning" in self.err,
            "unseen characters": any(not (c.isprintable() or c in "\n\t") for c in self.out + self.err),
            "too many words": len(lines) > MOST_LINES or any(len(line) > LONGEST_LINE for line in lines),
            "silent": self.status != 0 and not lines and not self.out,
            "slow": self.seconds > MOST_SECONDS,
            "memory": self.memory_mb > MOST_MEMORY_MB,
        }
        return [name for name, holds in found.items() if holds]


def run(case: Case) -> Ending:
    """One case in a folder and a process of its own; time and peak of memory are that process's."""
    with tempfile.TemporaryDirectory() as made, tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        folder = Path(made)
        case.make(folder)
        start = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-m", "thermscan", *case.command], cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)},
            stdin=subprocess.DEVNULL, stdout=out, stderr=err, preexec_fn=_limited,  # noqa: PLW1509 - no threads here
        )  # fmt: skip
        while not (done := os.wait4(process.pid, os.WNOHANG))[0]:
            if time.perf_counter() - start > KILL_AFTER_S:
                process.kill()
            time.sleep(0.01)
        _, status, usage = done
        process.returncode = os.waitstatus_to_exitcode(status)
        texts = []
        for stream in (out, err):
            stream.seek(0)
            texts.append(stream.read().decode("utf-8", "replace"))
        return Ending(process.returncode, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, *texts)


def _limited() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE_BYTES, ADDRESS_SPACE_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (int(6 * MOST_SECONDS), int(6 * MOST_SECONDS)))


def main() -> int:
    words = sys.argv[1:]
    failed = count = 0
    print(f"{'case':34} {'status':>6} {'s':>6} {'MB':>6}  what it says")
    for case in all_cases():
        if words and not any(word in case.name for word in words):
            continue
        ending = run(case)
        wrong = ending.faults(case.allowed)
        count += 1
        failed += bool(wrong)
        lines = ending.err.strip().splitlines() or ending.out.strip().splitlines() or [""]
        mark = f"WRONG ({', '.join(wrong)}): " if wrong else ""
        figures = f"{ending.status:6} {ending.seconds:6.1f} {ending.memory_mb:6.0f}"
        print(f"{case.name:34} {figures}  {mark}{lines[0][:150]!r}", flush=True)
    print(f"{count} cases, {failed} wrong; processor seconds and peak memory of each process")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
