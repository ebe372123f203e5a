"""Writing a record that is killed, finds no room or has a rival: never half, never a lost input."""

from __future__ import annotations

import errno
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from tests.archive.conftest import write_job
from tests.damage.kills import kill_many, leftovers
from thermscan.archive.packing import PackOptions, pack_record
from thermscan.archive.verifying import verify_record
from thermscan.cli.main import main
from thermscan.errors import InputError
from thermscan.runs.reading import read_run
from thermscan.writing import tree as tree_module


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_work_killed_at_random_moments_leaves_the_former_or_the_whole(tmp_path):
    counted = kill_many(tmp_path, kills=4, seed=4)
    assert sum(counted.values()) == 4


def test_two_at_once_make_one_record_and_the_other_is_refused(tmp_path):
    write_job(tmp_path / "job")
    command = [sys.executable, "-m", "thermscan", "record", "pack", str(tmp_path / "job" / "run.toml"), "--no-report"]
    place, quiet = tmp_path / "record", {"stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE, "text": True}
    both = [subprocess.Popen([*command, "--out", str(place)], **quiet) for _ in range(2)]
    said = [each.communicate()[1] for each in both]
    assert sorted(each.returncode for each in both) == [0, 2], said
    assert verify_record(place, derive=False).damage == ()
    assert leftovers(tmp_path) == []


def test_a_full_disk_is_one_line_and_leaves_nothing(tmp_path, monkeypatch, capsys):
    run_file = write_job(tmp_path / "job")

    def no_room(path: Path, _: tuple[float, float]) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))

    monkeypatch.setattr(tree_module.os, "utime", no_room)
    assert main(["record", "pack", str(run_file), "--out", str(tmp_path / "r.zip"), "--no-report"]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "No space left" in said
    assert [path.name for path in tmp_path.iterdir()] == ["job"]


def test_a_file_that_may_grow_no_further_is_one_line_and_leaves_nothing(tmp_path):
    """As on a full disk, but told by the system itself: a limit on the size of files."""
    write_job(tmp_path / "job")
    command = [sys.executable, "-m", "thermscan", "record", "pack", str(tmp_path / "job" / "run.toml"), "--no-report"]
    limit = lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))  # noqa: E731
    done = subprocess.run(
        [*command, "--out", str(tmp_path / "r.zip")], capture_output=True, text=True, check=False, preexec_fn=limit
    )
    assert done.returncode == 2, done.stderr
    assert "File too large" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["job"]


def test_a_folder_that_may_not_be_written_to_is_told_before_the_work(tmp_path, monkeypatch):
    run = read_run(write_job(tmp_path / "job"), overrides={})
    monkeypatch.setattr(tree_module.os, "access", lambda *_: False)  # the tests may run as root, who may do all
    with pytest.raises(InputError, match="cannot be written to"):
        pack_record(run, tmp_path / "record", options=PackOptions(report=False))
    assert not (tmp_path / "record").exists()


def test_nothing_is_packed_into_a_record(tmp_path):
    run = read_run(write_job(tmp_path / "job"), overrides={})
    pack_record(run, tmp_path / "record", options=PackOptions(report=False))
    with pytest.raises(InputError, match="is a record"):
        pack_record(run, tmp_path / "record" / "data" / "another", options=PackOptions(report=False))
    assert verify_record(tmp_path / "record", derive=False).damage == ()
