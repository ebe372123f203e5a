"""
Settings for all tests.

Two workers share two cores, and the matrices here are small: a BLAS that starts a thread on each core for
every one of them only waits for itself. Set before numpy is imported, and inherited by the workers.
"""

import os
from collections import Counter
from typing import Any

for _library in ("OPENBLAS", "OMP", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")

# Run as tests by test_gallery.py; to be collected for doctests they would be run by every worker before anything else.
collect_ignore_glob = ["docs/gallery/*.py"]

from hypothesis import settings  # noqa: E402 - after the threads are set

# Landing a change must not hang on the luck of a draw; a person's own run keeps looking for new cases.
settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("ci")


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """The last line says what was skipped, and why: a test that did not run is not one that passed."""
    reasons = Counter(_reason(report) for report in terminalreporter.stats.get("skipped", []))
    told = "; ".join(f"{count} because {reason}" for reason, count in reasons.most_common())
    terminalreporter.write_line(f"skipped: {told or 'nothing'}")


def _reason(report: Any) -> str:
    told = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    return " ".join(str(told).removeprefix("Skipped: ").split())
