"""
``thermscan watch`` while another program writes: ``python -m tests.benchmarks.watch_minutes --minutes 10``.

Frames of a board that warms up (160 x 120, four a second) are saved into a folder: one in ten in two halves, a third of
a second apart; one in fifteen after the frame that follows it; one in twenty deleted some seconds later; one in forty
deleted at once. Then the watch gets Ctrl-C. Every frame must be in its log once, unless it was deleted at once and the
watch says so; every line of the log must be whole; memory is read each second.
"""

import argparse
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from io import BytesIO
from pathlib import Path

import numpy as np
import tifffile

from tests.dynamics.scenes import PARTS, SHAPE, picture_c, warming, write_layout, write_run

RATE_HZ, HALF_S, LATER_S = 4.0, 0.33, 6.0


def memory_mb(pid: int) -> float:
    """What a process holds in memory."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    return int(re.search(r"VmRSS:\s+(\d+)", status)[1]) / 1024


def write(folder: Path, minutes: float, watch: subprocess.Popen) -> tuple[set[str], set[str], list[float]]:
    """All frames written, those deleted at once, and the watch's memory each second."""
    rng = np.random.default_rng(11)
    rises = warming({ref: 15.0 + n for n, ref in enumerate(PARTS)}, tau_s=90.0, power_on_s=10.0)
    base = picture_c({})
    units = {ref: picture_c({ref: 1.0}) - base for ref in PARTS}
    began, number, waiting, to_delete = time.monotonic(), 0, None, []
    written, gone, memory = set(), set(), []
    while time.monotonic() - began < 60 * minutes:
        time_s = number / RATE_HZ
        time.sleep(max(0.0, began + time_s - time.monotonic()))
        now = rises(time_s)
        frame = base + sum(now[ref] * units[ref] for ref in now) + rng.normal(0.0, 0.05, SHAPE)
        whole = BytesIO()
        counts = np.round((frame + 273.15) * 100).astype(np.uint16)
        tifffile.imwrite(whole, counts, description=f"unit: cK; time_s: {time_s:.3f}")
        path = folder / f"f{number:06d}.tiff"
        if number % 15 == 7:
            waiting = (path, whole.getvalue())
        else:
            save(path, whole.getvalue(), halves=number % 10 == 3)
            if number % 40 == 20:
                path.unlink()
                gone.add(path.name)
            elif number % 20 == 11:
                to_delete.append((time.monotonic() + LATER_S, path))
            if waiting:
                save(*waiting, halves=False)
                waiting = None
        written.add(path.name)
        while to_delete and to_delete[0][0] < time.monotonic():
            to_delete.pop(0)[1].unlink()
        if number % int(RATE_HZ) == 0:
            memory.append(memory_mb(watch.pid))
        number += 1
    if waiting:
        save(*waiting, halves=False)
    return written, gone, memory


def caught_up_in_s(log: Path, name: str) -> float:
    """How long until the last frame is in the log; a minute at most."""
    began = time.monotonic()
    while time.monotonic() - began < 60.0 and f'"{name}"' not in log.read_text(encoding="utf-8")[-20000:]:
        time.sleep(0.1)
    return time.monotonic() - began


def save(path: Path, content: bytes, *, halves: bool) -> None:
    """As a program does that writes straight to the name."""
    with path.open("wb") as stream:
        if halves:
            stream.write(content[: len(content) // 2])
            stream.flush()
            time.sleep(HALF_S)
            stream.write(content[len(content) // 2 :])
        else:
            stream.write(content)


def main() -> None:
    """Print what was written, seen and missed, and the memory."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as kept:
        job = Path(kept)
        write_layout(job)
        run, folder, log = write_run(job, "to-come"), job / "frames", job / "watch.jsonl"
        folder.mkdir()
        errors = (job / "errors").open("w+", encoding="utf-8")
        watch = subprocess.Popen(
            [sys.executable, "-m", "thermscan", "watch", str(folder), "--run", str(run), "--log", str(log), "--json"],
            stdout=subprocess.DEVNULL, stderr=errors, env=os.environ,
        )  # fmt: skip
        time.sleep(8.0)
        written, gone, memory = write(folder, given.minutes, watch)
        behind_s = caught_up_in_s(log, max(written - gone))
        watch.send_signal(signal.SIGINT)
        status = watch.wait(timeout=60)
        text = log.read_text(encoding="utf-8")
        entries = [json.loads(line) for line in text.splitlines()]
        seen = Counter(entry["file"] for entry in entries if "file" in entry)
        errors.seek(0)
        said = errors.read()
    told = {name for name in gone if name in said}
    missed = written - set(seen) - told
    twice = [name for name, count in seen.items() if count > 1]
    last = [entry["time_s"] for entry in entries if "file" in entry]
    print(
        f"{given.minutes:g} minutes: {len(written)} frames written, {len(seen)} in the log; {len(gone)} gone at once,"
        f" {len(gone - set(seen))} of them unseen, {len(told)} told as vanished; missed without a word: "
        f"{len(missed - gone)} others, {len(missed & gone)} deleted at once; twice: {len(twice)}"
    )
    print(
        f"exit {status}; log whole: {text.endswith(chr(10))}, {len(entries)} lines; last frame at {max(last):.1f} s,"
        f" in the log {behind_s:.1f} s after; memory {memory[min(60, len(memory) - 1)]:.0f} MB after a minute, "
        f"{memory[-1]:.0f} MB at the end, {max(memory):.0f} MB at most; "
        f"last words: {said.strip().splitlines()[-1] if said.strip() else ''}"
    )


if __name__ == "__main__":
    main()
