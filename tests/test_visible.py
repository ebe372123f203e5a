"""What files and names hold is shown as text, whatever it is: nothing that a terminal obeys passes."""

from __future__ import annotations

import io
import json
import os
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermscan.cli.main import main
from thermscan.cli.terminal import VisibleStream
from thermscan.errors import InputError
from thermscan.frames.reading import read_frames
from thermscan.layout.reading import read_board
from thermscan.runs.reading import read_run
from thermscan.visible import visible


@given(st.text())
def test_nothing_unseen_is_left_and_json_means_the_same(text):
    shown = visible(text)
    assert not any(unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"} for c in shown if c not in "\n\t")
    assert json.loads(visible(json.dumps([text], ensure_ascii=False))) == [text]


def test_plain_text_of_any_writing_passes_as_it_is():
    for text in ("22.5 °C … ±0.1 K\n\tÄ", "Überhitzung", "部品 U1", "деталь", "قطعة"):
        assert visible(text) == text


def test_a_stream_shows_what_is_written_to_it():
    inner = io.StringIO()
    stream = VisibleStream(inner)
    stream.write("a\x1b[2J")
    stream.writelines(["b\u202e", "c\n"])
    assert inner.getvalue() == "a\\u001b[2Jb\\u202ec\n"
    assert not stream.isatty()


def test_escape_bytes_in_names_and_files_reach_no_terminal(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    before = sys.stdout
    assert main(["frame", "\x1b[31mred\u202e.tiff"]) == 2
    (tmp_path / "run.toml").write_text('ambient_c = 22.4\nframes = ["\\u001b[2J.tiff"]\n"\\u001b[31m" = 1\n')
    assert main(["inspect", "run.toml"]) == 2
    assert sys.stdout is before
    shown = capsys.readouterr()
    assert "\x1b" not in shown.out + shown.err
    assert "\u202e" not in shown.err
    assert "red\\u202e.tiff: there is no such file" in shown.err


@pytest.mark.parametrize("reader", [read_frames, read_board, lambda path: read_run(path, overrides={})])
def test_a_pipe_is_refused_and_not_waited_for(tmp_path, reader):
    path = tmp_path / "pipe.toml"
    os.mkfifo(path)
    with pytest.raises(InputError, match="this is not a regular file"):
        reader(path)
