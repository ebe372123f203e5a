"""The wheel works anywhere: built, put in an empty folder, and run there."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def run(*command: str, cwd: Path, path: Path | None = None, status: int = 0) -> str:
    environment = {**os.environ, **({"PYTHONPATH": str(path)} if path else {})}
    done = subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == status, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(ROOT), cwd=out)
    return next(out.glob("*.whl"))


def test_an_installed_copy_writes_its_sample_and_finds_the_shorted_latch(wheel: Path, tmp_path: Path) -> None:
    # Unpacking a pure wheel is what installing it without its dependencies does (PEP 427).
    installed, elsewhere = tmp_path / "installed", tmp_path / "elsewhere"
    elsewhere.mkdir()
    zipfile.ZipFile(wheel).extractall(installed)
    where = run(sys.executable, "-c", "import thermscan; print(thermscan.__path__[0])", cwd=elsewhere, path=installed)
    assert Path(where.strip()) == installed / "thermscan"
    # The demo's first step, and one of its runs with its report: that every file is there is the next test's.
    sample = "from pathlib import Path; from thermscan.cli.demo import _write_sample; _write_sample(Path('job'))"
    run(sys.executable, "-c", sample, cwd=elsewhere, path=installed)
    inspect = ("inspect", "job/shorted-latch.toml", "--json", "--out", "report")
    found = json.loads(run(sys.executable, "-m", "thermscan", *inspect, cwd=elsewhere, path=installed, status=1))
    assert "U15" in {finding["ref"] for finding in found["findings"] if finding["level"] == "act"}
    assert (elsewhere / "report" / "report.pdf").is_file()


def test_every_file_of_the_tree_is_in_the_wheel(wheel: Path) -> None:
    held = set(zipfile.ZipFile(wheel).namelist())
    folders = {
        ROOT / "thermscan": "thermscan",
        ROOT / "calibration": "thermscan/data/calibration",
        ROOT / "samples" / "departure_display": "thermscan/data/samples/departure_display",
    }
    wanted = {
        f"{inside}/{path.relative_to(folder).as_posix()}"
        for folder, inside in folders.items()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert wanted <= held, sorted(wanted - held)


def test_the_wheel_holds_nothing_but_the_package(wheel: Path) -> None:
    tops = {name.split("/")[0] for name in zipfile.ZipFile(wheel).namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"thermscan"}
