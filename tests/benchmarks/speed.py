"""
What a look costs over the bare library calls that it cannot do without: one command, one table.

    python tests/benchmarks/speed.py [--repeats 5] [--big]

Processor time, the least of the repeats; floor and tool in turns in one run, since machines differ and are shared. A
process is counted whole: interpreter, libraries, work, all modules compiled before, as an installation has them. The
report is held against matplotlib drawing the very figures that it consists of, finished. --big adds boards of 300 and
1,000 parts and the exponent between them (scale.py).
"""

from __future__ import annotations

import argparse
import atexit
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
HERE = Path(__file__).resolve().parent
TREE = HERE.parents[1]
sys.path[:0] = [str(TREE), str(HERE)]

import numpy as np  # noqa: E402
import tifffile  # noqa: E402
from reading import SHAPE, fastest_table  # noqa: E402
from scale import write_board  # noqa: E402

IMPORTS = "import numpy, cv2, tifffile, scipy.ndimage"
# The bare operations of one look: read, one radiance, one warp, one edge finder, one sum by label.
FLOOR = """
import sys
import numpy as np, cv2, tifffile, scipy.ndimage
frame = tifffile.imread(sys.argv[1]).astype(np.float64)
radiance = np.exp(-frame / frame.mean())
grey = np.uint8(255 * (frame - frame.min()) / (np.ptp(frame) + 1e-9))
warped = cv2.warpPerspective(radiance, np.eye(3), (640, 480))
edges = cv2.Canny(grey, 50, 100)
labels = (np.indices(frame.shape).sum(axis=0) // 8) % 100
np.bincount(labels.ravel(), weights=frame.ravel())
"""


@cache
def bytecode() -> Path:
    """A folder for compiled modules, whatever the environment says of writing them."""
    made = Path(tempfile.mkdtemp(prefix="thermscan-speed-"))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def process_s(code: str, *arguments: str) -> float:
    """Processor seconds of a whole process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = {**os.environ, "PYTHONPATH": str(TREE), "PYTHONPYCACHEPREFIX": str(bytecode())}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr[-500:])
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def call_s(call: Callable[[], object]) -> float:
    """Processor seconds of a call."""
    start = time.process_time()
    call()
    return time.process_time() - start


def compared(name: str, target: float, tool: Callable[[], float], floor: Callable[[], float], repeats: int) -> None:
    """One line of the table: tool and floor in turns."""
    floor()
    tool()
    pairs = [(tool(), floor()) for _ in range(repeats)]
    cost, base = min(pair[0] for pair in pairs), min(pair[1] for pair in pairs)
    verdict = "" if cost <= target * base else "over"
    print(f"{name:52} {1e3 * cost:10.1f} {1e3 * base:10.1f} {cost / base:8.1f} {target:7.1f} {verdict}", flush=True)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--repeats", type=int, default=5)
    options.add_argument("--big", action="store_true")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        run = write_board(folder / "look", 100, seed=1)
        blind = run.with_name("blind.toml")
        blind.write_text(
            "".join(line for line in run.read_text().splitlines(keepends=True) if "corners_px" not in line)
        )
        frame = str(run.with_name("look.tiff"))
        inspect = "import sys\nfrom thermscan.cli.main import main\nsys.exit(main(['inspect', sys.argv[1], '--json']))"
        print(f"{'':52} {'tool, ms':>10} {'floor, ms':>10} {'ratio':>8} {'target':>7}")
        compared(
            "imports of inspect / numpy, cv2, tifffile, ndimage", 1.3,
            lambda: process_s("import thermscan.cli.inspect, thermscan.inspection, thermscan.report.results"),
            lambda: process_s(IMPORTS), given.repeats,
        )  # fmt: skip
        compared(
            "inspect, 640x480, 100 parts, corners / bare script", 3.0,
            lambda: process_s(inspect, str(run)), lambda: process_s(FLOOR, frame), given.repeats,
        )  # fmt: skip
        compared(
            "inspect without help / bare script", 4.0,
            lambda: process_s(inspect, str(blind)), lambda: process_s(FLOOR, frame), given.repeats,
        )  # fmt: skip
        _reading(folder, given.repeats)
        _measuring(folder, given.repeats)
        _report(run, given.repeats)
    if given.big:
        print("\nA look at boards of one density, corners given; seconds without loading (targets: 6 s at 1,000; 1.2)")
        subprocess.run([sys.executable, str(HERE / "scale.py"), "--parts", "300", "1000", "--stages"], check=True)


def _reading(folder: Path, repeats: int) -> None:
    from thermscan.frames.reading import read_frames

    scene_c = 22.0 + 15.0 * np.random.default_rng(1).random(SHAPE)
    tiff, table = folder / "idle.tiff", folder / "idle.csv"
    tifffile.imwrite(tiff, np.round(100 * (scene_c + 273.15)).astype(np.uint16), photometric="minisblack")
    table.write_text("\n".join(";".join(f"{value:.2f}" for value in row) for row in scene_c) + "\n")
    compared(
        "TIFF, 640x512 / imread", 5.0, lambda: call_s(lambda: read_frames(tiff)),
        lambda: call_s(lambda: tifffile.imread(tiff)), 3 * repeats,
    )  # fmt: skip
    general = fastest_table(table)
    fastest = min(general, key=lambda name: min(call_s(general[name]) for _ in range(3)))
    compared(
        f"CSV, 640x512 / {fastest}", 2.0, lambda: call_s(lambda: read_frames(table)),
        lambda: call_s(general[fastest]), repeats,
    )  # fmt: skip


def _measuring(folder: Path, repeats: int) -> None:
    from thermscan.inspection import _tell_nobody, view_of
    from thermscan.layout.reading import read_board
    from thermscan.regions.measure import measure_parts
    from thermscan.registration import register_board
    from thermscan.runs.reading import read_run

    run = read_run(write_board(folder / "measured", 120, seed=1), overrides={})
    board = read_board(run.layout)
    image = view_of(run, progress=_tell_nobody).aligned[0].first
    registration = register_board(image, board, corners_px=run.corners_px)
    labels = np.arange(image.apparent_c.size) % 120
    values = np.nan_to_num(image.apparent_c).ravel()
    compared(
        "measuring 120 parts / one bincount", 5.0,
        lambda: call_s(lambda: measure_parts(image, registration, board, ambient_c=22.0, reflected_c=22.0)),
        lambda: call_s(lambda: np.bincount(labels, weights=values)), repeats,
    )  # fmt: skip


def _report(run_file: Path, repeats: int) -> None:
    from thermscan.inspection import inspect_run
    from thermscan.report.canvas import report_style
    from thermscan.report.pages import report_pages
    from thermscan.report.plates import plate_figure, plates_of
    from thermscan.report.report import pdf_of, png_of, report_contents
    from thermscan.report.shown import Shown
    from thermscan.runs.reading import read_run

    inspection = inspect_run(read_run(run_file, overrides={}))

    def bare_s() -> float:
        with report_style():
            plates = plates_of(inspection)
            pages = report_pages(inspection, plates, Shown())
            figures = [plate_figure(plate) for plate in plates]
            return call_s(lambda: (pdf_of(pages, "board", "clear"), [png_of(figure) for figure in figures]))

    compared(
        "report: page, PDF, PNGs / matplotlib on the figures", 2.5,
        lambda: call_s(lambda: report_contents(inspection)), bare_s, repeats,
    )  # fmt: skip


if __name__ == "__main__":
    main()
