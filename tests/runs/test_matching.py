"""Patterns of names: as the shell has them, and never a whole disk."""

from __future__ import annotations

import glob

import pytest

from thermscan.errors import InputError
from thermscan.runs import matching
from thermscan.runs.reading import read_run


@pytest.fixture
def folder(tmp_path):
    for name in ("a1.tiff", "a2.tiff", ".a3.tiff", "b.csv", "in/a4.tiff", "in/deep/a5.tiff", ".hid/a6.tiff"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("1")
    (tmp_path / "in" / "up").symlink_to(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    "pattern", ["*.tiff", "**/*.tiff", "**", "in/*", "*/a?.tiff", "[ab]*", "**/deep/*", ".*", "x*", "in/**"]
)
def test_the_files_are_those_that_the_standard_library_finds_but_for_links_that_lead_in_circles(folder, pattern):
    found = {str(path) for path in matching.matching_files(folder / pattern)}
    named = {name for name in glob.glob(str(folder / pattern), recursive=True) if "/up" not in name}
    assert found == {name for name in named if not name.endswith(("in", "deep", ".hid", "/"))}


def test_a_pattern_below_which_too_much_lies_is_refused_and_says_so(folder, monkeypatch):
    monkeypatch.setattr(matching, "MOST_LOOKED_AT", 5)
    with pytest.raises(InputError, match="more than 5 names lie below it"):
        matching.matching_files(folder / "**")
    with pytest.raises(InputError, match=r"FRAME: .* more than 5 names lie below it; name the folder of the frames"):
        read_run(None, overrides={"frames": [str(folder / "**")], "ambient_c": 22.0})
