"""What `inspect` loads, which a person waits for at every look; and that all processes say the same."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

RUN = Path(__file__).parents[2] / "samples" / "departure_display" / "good-1.toml"
# Loaded by optimisers, splines, statistics and filters of scipy, and by all that draws: 0.03 (filters) to 0.6 s each.
HEAVY = (
    "scipy.optimize",
    "scipy.interpolate",
    "scipy.stats",
    "scipy.linalg",
    "scipy.ndimage",
    "scipy.spatial",
    "matplotlib",
    "pandas",
)


# Strings are hashed anew in each process: sums in the order of a set differ by rounding (these two seeds did).
SEEDS = ("1", "3")


@pytest.fixture(scope="module")
def processes() -> list[subprocess.CompletedProcess[str]]:
    """``inspect`` in two processes; the last line of standard error is what each had loaded, and its status."""
    code = (
        "import sys\n"
        "from thermscan.cli.main import main\n"
        f"status = main(['inspect', {str(RUN)!r}, '--json'])\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], status, file=sys.stderr)\n"
    )
    return [
        subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "PYTHONHASHSEED": seed},
        )
        for seed in SEEDS
    ]


def test_inspect_loads_no_optimiser_no_splines_no_statistics_and_nothing_that_draws(processes):
    for done in processes:
        assert done.stderr.splitlines()[-1] == "[] 0"
        assert '"overall": "clear"' in done.stdout


def test_every_process_comes_to_the_same_last_digit(processes):
    one, other = processes
    assert one.stdout == other.stdout
