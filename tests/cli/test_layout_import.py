"""Importing layouts, through the real command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from thermscan.cli.main import main

TABLE = "Ref,Package,X (mm),Y (mm),Rot,Side\nU1,DIP-16,20,30,0,top\nU2,MODULE-X,60,30,0,top\n"


@pytest.fixture
def table(tmp_path: Path, monkeypatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "pick.csv"
    path.write_text(TABLE)
    return path


def test_an_import_writes_a_sound_layout_and_lists_what_it_did_not_understand(table, capsys):
    command = ["layout", "import", str(table), "--width-mm", "100", "--height-mm", "80"]
    assert main(command) == 0
    shown = capsys.readouterr()
    assert shown.out == "board.toml: sound, 1 part on 100 x 80 mm, 0 remarks\n"
    assert 'not understood: U2: package "MODULE-X" is not known\n' in shown.err
    assert main(["layout", "check", "board.toml"]) == 0


def test_a_layout_that_was_there_is_kept(table, capsys):
    Path("board.toml").write_text("precious")
    assert main(["layout", "import", str(table), "--width-mm", "100", "--height-mm", "80", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["backups"] == ["board.toml.bak"]
    assert document["incomplete"] == ["U2"]
    assert Path("board.toml.bak").read_text() == "precious"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--width-mm", "100"], "--width-mm and --height-mm belong together; see 'thermscan layout import --help'"),
        (["--map", "ref"], "--map \"ref\" is not of the form OURS=THEIRS; see 'thermscan layout import --help'"),
        (["--origin", "3"], "--origin \"3\" is not two numbers X,Y; see 'thermscan layout import --help'"),
        (["--map", "ref=Bauteil"], 'pick.csv: no column "Bauteil"; write the column\'s name as in the file'),
    ],
)
def test_bad_usage_is_one_line_and_nothing_is_written(table, arguments, message, capsys):
    assert main(["layout", "import", "pick.csv", *arguments]) == 2
    shown = capsys.readouterr()
    assert shown.err == message + "\n"
    assert [path.name for path in table.parent.iterdir()] == ["pick.csv"]
