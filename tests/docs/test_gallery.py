"""Every example of the gallery runs and prints what its page says, and the pages' source can be made of all."""

from __future__ import annotations

import runpy
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import thermscan
from tests.docs import pages

GALLERY = sorted((Path(__file__).parent / "gallery").glob("*.py"))
# What the sample's own truth says: U15 is shorted, repaired in the other look, and one RAM is dead.
PRINTS = {
    "which_part_is_hot": ["act: U15 is ", "U15 reads ", ", hot"],
    "what_a_repair_changed": ["U15: better, -"],
    "a_table_of_parts": ["Q1 ", " K above the room, ± "],
    "learn_a_baseline": ["<baseline of departure display controller: 2 known-good runs>", " cold by "],
}


@pytest.fixture(autouse=True)
def once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A look that several examples take is inspected once."""

    def inspect_run(run: thermscan.Run, **more: Any) -> thermscan.Inspection:
        return _inspected(run.path) if not more and run.path else _inspect(run, **more)

    monkeypatch.setattr(thermscan, "inspect_run", inspect_run)


_inspect = thermscan.inspect_run


@cache
def _inspected(path: Path) -> thermscan.Inspection:
    return _inspect(thermscan.read_run(path))


@pytest.mark.parametrize("path", GALLERY, ids=lambda path: path.stem)
def test_the_example_runs(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runpy.run_path(str(path))
    printed = capsys.readouterr().out
    for wanted in PRINTS[path.stem]:
        assert wanted in printed


def test_every_page_has_its_source(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "example", lambda path: f"{path.stem}\n{'=' * len(path.stem)}\n")
    pages.write_pages(tmp_path)
    index = (tmp_path / "index.rst").read_text(encoding="utf-8")
    for name in ("reference", "commands", "first-board", *PRINTS):
        assert f"   {name}\n" in index
    reference = (tmp_path / "reference.rst").read_text(encoding="utf-8")
    assert all(f"thermscan.{name}\n" in reference for name in thermscan.__all__)
    commands = (tmp_path / "commands.rst").read_text(encoding="utf-8")
    assert "could not judge" in commands
    assert "--baseline FILE" in commands
