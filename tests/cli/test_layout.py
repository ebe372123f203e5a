"""The layout command, through the real entry point."""

# ruff: noqa: E501 - cases read better as a table, one a line
from __future__ import annotations

import json

import pytest

from thermscan.cli.main import main

SOUND = '[board]\nwidth_mm = 100\nheight_mm = 80\n[[part]]\nref = "U1"\npackage = "DIP-40"\nat_mm = [50, 40]\n'


def test_a_sound_layout_passes(tmp_path, capsys):
    path = tmp_path / "board.toml"
    path.write_text(SOUND)
    assert main(["layout", "check", str(path)]) == 0
    shown = capsys.readouterr()
    assert shown.out == f"{path}: sound, 1 part on 100 x 80 mm, 0 remarks\n"
    assert shown.err == ""


def test_faults_are_told_line_by_line_and_a_good_file_does_not_hide_a_bad_one(tmp_path, capsys):
    good, bad = tmp_path / "good.toml", tmp_path / "bad.toml"
    good.write_text(SOUND)
    bad.write_text(SOUND.replace("DIP-40", "DIP-41").replace("100", '"100"'))
    assert main(["layout", "check", str(bad), str(good)]) == 2
    shown = capsys.readouterr()
    assert shown.err.splitlines() == [
        f'{bad}, board, width_mm: "100" is not a number; write it without quotes',
        f'{bad}, part 1 (U1), package: "DIP-41" is not a known package; did you mean DIP-40? If not, give the body\'s size',
    ]
    assert shown.out.splitlines() == [
        f"{bad}: not usable, 2 faults",
        f"{good}: sound, 1 part on 100 x 80 mm, 0 remarks",
    ]


def test_the_check_is_one_json_document(tmp_path, capsys):
    path = tmp_path / "board.toml"
    path.write_text(SOUND + SOUND[SOUND.index("[[part]]") :])
    assert main(["layout", "check", "--json", str(path), str(tmp_path / "lost.toml")]) == 2
    shown = capsys.readouterr()
    document = json.loads(shown.out)
    assert shown.err == ""
    assert document["schema"] == "thermscan.layout-check/1"
    assert [layout["sound"] for layout in document["layouts"]] == [False, False]
    assert document["layouts"][0]["faults"] == [
        {
            "where": f"{path}, part 2 (U1)",
            "what": f'ref "U1" is there twice, first in {path}, part 1 (U1)',
            "fix": "give each part its own ref",
        }
    ]


def test_check_needs_a_file(capsys):
    assert main(["layout", "check"]) == 2
    assert capsys.readouterr().err == "Missing argument 'FILE…'; see 'thermscan layout check --help'\n"


@pytest.mark.parametrize("command", ["check", "draw", "import", "place"])
def test_help_ends_with_an_example(command, capsys):
    assert main(["layout", command, "--help"]) == 0
    assert f"Example: thermscan layout {command}" in capsys.readouterr().out


def test_layout_alone_says_what_is_missing_in_one_line(capsys):
    assert main(["layout"]) == 2
    assert capsys.readouterr().err == "Missing command; see 'thermscan layout --help'\n"
