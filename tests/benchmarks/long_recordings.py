"""
Memory and time on long recordings: ``python -m tests.benchmarks.long_recordings --minutes 1,3 --command warmup``.

A stack of 640 x 512 pixels and 30 frames a second: a board that warms up, swayed by up to half a pixel. Its pages are
listed one by one but share their pixels with others (150 stages of the warm-up, three draws of noise each), so that ten
minutes, 11 GB, fit in 300 MB of disk; what reads them cannot know. ``--command inspect`` makes 320 x 240 at 9 Hz of a
steady board instead, every page with pixels of its own.
"""

import argparse
import resource
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import tifffile

from tests.dynamics.scenes import CORNERS_PX, PARTS, SHAPE, picture_c, warming, write_layout

STEPS, DRAWS = 150, 3
SIZES = {"warmup": ((512, 640), 30.0), "inspect": ((240, 320), 9.0)}
POWER_ON_S = 5.0


def scaled(picture: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """The small scene, enlarged about its first pixel's corner."""
    return cv2.resize(picture.astype(np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC)


def stages(shape: tuple[int, int], seconds: float, rng: np.random.Generator):
    """Frames of the warm-up, in hundredths of a kelvin: all draws of the first stage, then the next."""
    rises = warming({ref: 15.0 + n for n, ref in enumerate(PARTS)}, tau_s=seconds / 3, power_on_s=POWER_ON_S)
    base = picture_c({})
    units = {ref: picture_c({ref: 1.0}) - base for ref in PARTS}
    for stage in range(STEPS):
        now = rises((stage + 0.5) * seconds / STEPS)
        whole = scaled(base + sum(now[ref] * units[ref] for ref in now), shape)
        sway = 0.5 * np.sin(stage / 5.0)
        whole = cv2.warpAffine(whole, np.array([[1, 0, sway], [0, 1, sway / 2]]), shape[::-1], flags=cv2.INTER_CUBIC,
                               borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
        for _ in range(DRAWS):
            yield np.round((whole + rng.normal(0, 0.05, shape) + 273.15) * 100).astype("<u2")


def write_shared(path: Path, shape: tuple[int, int], seconds: float, rate_hz: float) -> int:
    """A stack whose pages share their pixels; how many pages there are."""
    rows, cols = shape
    size, count = 2 * rows * cols, int(seconds * rate_hz)
    offsets = []
    with path.open("wb") as stream:
        stream.write(b"II*\0" + struct.pack("<I", 0))
        for frame in stages(shape, seconds, np.random.default_rng(3)):
            offsets.append(stream.tell())
            stream.write(frame.tobytes())
        first = stream.tell()
        tags = ((256, cols), (257, rows), (258, 16), (259, 1), (262, 1), (273, 0), (277, 1), (278, rows), (279, size))
        length = 2 + 12 * len(tags) + 4
        for page in range(count):
            stage = page * STEPS // count
            own = offsets[stage * DRAWS + page % DRAWS]
            entries = b"".join(struct.pack("<HHII", tag, 4, 1, own if tag == 273 else value) for tag, value in tags)
            following = first + (page + 1) * length if page + 1 < count else 0
            stream.write(struct.pack("<H", len(tags)) + entries + struct.pack("<I", following))
        stream.seek(4)
        stream.write(struct.pack("<I", first))
    return count


def write_plain(path: Path, shape: tuple[int, int], seconds: float, rate_hz: float) -> int:
    """A steady board, every page drawn anew."""
    rng, count = np.random.default_rng(4), int(seconds * rate_hz)
    whole = scaled(picture_c({ref: 15.0 + n for n, ref in enumerate(PARTS)}), shape)
    with tifffile.TiffWriter(path, bigtiff=True) as writer:
        for _ in range(count):
            frame = np.round((whole + rng.normal(0, 0.05, shape) + 273.15) * 100).astype(np.uint16)
            writer.write(frame, contiguous=True)
    return count


def main() -> None:
    """One line a length."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", default="1,3")
    parser.add_argument("--command", choices=tuple(SIZES), default="warmup")
    given = parser.parse_args()
    shape, rate_hz = SIZES[given.command]
    along, down = shape[1] / SHAPE[1], shape[0] / SHAPE[0]
    corners = [[round(along * (x + 0.5) - 0.5, 2), round(down * (y + 0.5) - 0.5, 2)] for x, y in CORNERS_PX]
    for minutes in (float(each) for each in given.minutes.split(",")):
        with tempfile.TemporaryDirectory() as kept:
            job = Path(kept)
            write_layout(job)
            write = write_shared if given.command == "warmup" else write_plain
            count = write(job / "long.tiff", shape, 60 * minutes, rate_hz)
            (job / "run.toml").write_text(
                f'layout = "board.toml"\nframes = ["long.tiff"]\nunit = "cK"\nambient_c = 22.0\nrate_hz = {rate_hz}\n'
                f"corners_px = {corners}\n", encoding="utf-8",
            )  # fmt: skip
            before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
            done = subprocess.run(
                [sys.executable, "-m", "thermscan", given.command, str(job / "run.toml")],
                capture_output=True, text=True, check=False,
            )  # fmt: skip
            after, wall_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic() - began
        spent_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        print(
            f"{given.command}, {minutes:g} minutes, {count} frames of {shape[1]} x {shape[0]}: exit {done.returncode}, "
            f"{after.ru_maxrss / 1024:.0f} MB at most, {spent_s:.0f} s of processor time, {wall_s:.0f} s by the clock; "
            f"{60 * minutes / spent_s:.1f} times real time; {(done.stdout + done.stderr).splitlines()[0]}",
            flush=True,
        )


if __name__ == "__main__":
    main()
