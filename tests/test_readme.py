"""The README's commands do what it says, and its first words state the job."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from thermscan.cli.main import main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_commands_of_the_tour_run_in_their_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    # The sample is written; what the demo then finds in it takes a minute and is looked at in tests/cli/test_demo.py.
    for name, made in (("_run_sample", {}), ("pack_visits", None), ("history_lines", []), ("_run_recordings", [])):
        monkeypatch.setattr(f"thermscan.cli.demo.{name}", lambda *_, made=made, **__: made)
    commands = [line for block in re.findall(r"```sh\n(.*?)```", README, re.S) for line in block.splitlines()]
    assert len(commands) > 5
    for command in commands:
        program, *arguments = shlex.split(command)
        if program == "cd":
            monkeypatch.chdir(arguments[0])
            continue
        assert program == "thermscan", command
        # The tour judges boards with a fault: a finding to act on is what it is about.
        expected = 1 if arguments[0] in ("inspect", "warmup", "watch", "locate") else 0
        assert main(arguments) == expected, command
    assert (tmp_path / "thermscan-demo" / "report" / "report.pdf").is_file()


def test_the_first_paragraph_states_the_job() -> None:
    title, first, *_ = README.split("\n\n")
    assert title == "# thermscan"
    assert first.startswith("thermscan turns the frames of a thermal camera into an answer")


def test_the_set_up_commands_are_the_ones_that_ci_runs() -> None:
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "sh .ci/setup" in README
    assert "sh .ci/setup" in ci
    assert "python -m pytest" in README
    assert "python -m pytest" in ci


def test_every_link_and_picture_is_there() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).is_file(), target
