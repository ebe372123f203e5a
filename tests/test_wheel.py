"""The wheel works anywhere: built, put in an empty folder, and run there."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def run(*command: str, cwd: Path, path: Path | None = None) -> str:
    environment = {**os.environ, **({"PYTHONPATH": str(path)} if path else {})}
    done = subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(ROOT), cwd=out)
    return next(out.glob("*.whl"))


def test_an_installed_copy_finds_its_data_and_runs_the_demo(wheel: Path, tmp_path: Path) -> None:
    # Unpacking a pure wheel is what installing it without its dependencies does (PEP 427).
    installed, elsewhere = tmp_path / "installed", tmp_path / "elsewhere"
    elsewhere.mkdir()
    zipfile.ZipFile(wheel).extractall(installed)
    where = run(sys.executable, "-c", "import thermscan; print(thermscan.__path__[0])", cwd=elsewhere, path=installed)
    assert Path(where.strip()) == installed / "thermscan"
    run(sys.executable, "-m", "thermscan", "demo", "job", cwd=elsewhere, path=installed)
    assert list((elsewhere / "job").rglob("*.pdf"))


def test_the_wheel_holds_nothing_but_the_package(wheel: Path) -> None:
    tops = {name.split("/")[0] for name in zipfile.ZipFile(wheel).namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"thermscan"}
