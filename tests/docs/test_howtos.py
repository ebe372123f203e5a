"""Every example in the how-tos runs, and every command in them is one that there is."""

from __future__ import annotations

import doctest
import os
import re
import shlex
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

import thermscan
from thermscan.cli.main import COMMANDS, main
from thermscan.resources import data_path

HERE = Path(__file__).parent
HOWTOS = sorted(HERE.glob("*.md"))
SAMPLE = data_path("samples", "departure_display")


@cache
def _inspected(name: str) -> thermscan.Inspection:
    from thermscan.inspection import inspect_run

    return inspect_run(thermscan.read_run(SAMPLE / name))


@pytest.mark.parametrize("path", HOWTOS, ids=lambda path: path.stem)
def test_the_examples_run(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The how-tos look at the same run of the sample: once is enough.
    monkeypatch.setattr(thermscan, "inspect_run", lambda run: _inspected(run.path.name))
    result = doctest.testfile(str(path), module_relative=False, encoding="utf-8")
    assert result.attempted > 3
    assert result.failed == 0


@pytest.mark.parametrize("path", HOWTOS, ids=lambda path: path.stem)
def test_every_command_named_is_there_with_its_options(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = path.read_text(encoding="utf-8")
    named = re.findall(r"`(thermscan [^`]+)`", text, re.S) + re.findall(r"^ +(thermscan .+)$", text, re.M)
    assert named
    for line in named:
        words = shlex.split(" ".join(line.split()))[1:]
        command = [word for word in words[:2] if re.fullmatch(r"[a-z]+", word)]
        assert main([*command, "--help"]) == 0
        helped = capsys.readouterr().out
        for option in (word for word in words if word.startswith("--")):
            assert option in helped, f"{line}: {option}"


def test_every_help_names_its_exit_statuses(capsys: pytest.CaptureFixture[str]) -> None:
    nested = [("layout", "check"), ("camera", "noise"), ("camera", "shading"), ("record", "verify")]
    for words in [(), *((name,) for name in COMMANDS), *nested]:
        assert main([*words, "--help"]) == 0
        assert "exit status" in " ".join(capsys.readouterr().out.split()).lower(), words


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_there_for_each_shell(shell: str) -> None:
    told = subprocess.run(
        [sys.executable, "-m", "thermscan"],
        env={**os.environ, "_THERMSCAN_COMPLETE": f"{shell}_source"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "thermscan" in told.stdout
    assert told.stderr == ""
