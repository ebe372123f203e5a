"""A folder whose files belong together: whole or absent, one writer, and nothing of anybody else's touched."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from thermscan.errors import InputError
from thermscan.writing import new_folder, reserved_folder
from thermscan.writing.folder import LIST_NAME

LAST = "results.json"


def report(mark: str, pictures: int = 2) -> dict[str, bytes]:
    return {LAST: json.dumps({"mark": mark}).encode()} | {f"{i}.png": mark.encode() for i in range(pictures)}


def put(folder: Path, contents: dict[str, bytes]) -> None:
    with reserved_folder(folder, inputs=[]) as reserved:
        reserved.put(contents, last=LAST)


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_the_list_is_one_that_sha256sum_reads(tmp_path: Path) -> None:
    put(tmp_path / "r", report("one"))
    checked = subprocess.run(
        ["sha256sum", "--check", "--strict", LIST_NAME], cwd=tmp_path / "r", capture_output=True, text=True, check=False
    )
    assert checked.returncode == 0, checked.stderr
    assert checked.stdout.count(": OK") == 3


def test_a_report_replaces_the_one_before_it_and_what_it_no_longer_has(tmp_path: Path) -> None:
    put(tmp_path, report("one", 3))
    (tmp_path / "notes.txt").write_text("mine")
    put(tmp_path, report("two", 1))
    assert names(tmp_path) == {LAST, "0.png", LIST_NAME, "notes.txt"}
    assert (tmp_path / "0.png").read_bytes() == b"two"


def test_a_file_that_is_not_ours_is_refused_and_all_stays_as_it_was(tmp_path: Path) -> None:
    put(tmp_path, report("one"))
    (tmp_path / "1.png").write_bytes(b"drawn over")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(InputError, match=r"a 1\.png that thermscan did not write, or that was changed since"):
        put(tmp_path, report("two"))
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_picture_that_was_worked_on_and_is_not_called_for_stays(tmp_path: Path) -> None:
    put(tmp_path, report("one"))
    (tmp_path / "1.png").write_bytes(b"drawn over")
    put(tmp_path, report("two", 1))
    assert (tmp_path / "1.png").read_bytes() == b"drawn over"


def test_somebodys_own_list_of_digests_makes_nothing_ours(tmp_path: Path) -> None:
    (tmp_path / "0.png").write_bytes(b"mine")
    (tmp_path / LIST_NAME).write_bytes(
        subprocess.run(["sha256sum", "0.png"], cwd=tmp_path, capture_output=True, check=True).stdout
    )
    with pytest.raises(InputError, match="did not write"):
        put(tmp_path, report("two"))
    assert (tmp_path / "0.png").read_bytes() == b"mine"


def test_a_link_in_a_files_place_is_not_ours_even_to_the_same_bytes(tmp_path: Path) -> None:
    put(tmp_path / "r", report("one"))
    (tmp_path / "r" / "0.png").rename(tmp_path / "elsewhere.png")
    (tmp_path / "r" / "0.png").symlink_to(tmp_path / "elsewhere.png")
    with pytest.raises(InputError, match=r"0\.png"):
        put(tmp_path / "r", report("two"))


def test_an_input_in_the_folder_is_refused_although_thermscan_wrote_it(tmp_path: Path) -> None:
    put(tmp_path, report("one"))
    with (
        pytest.raises(InputError, match="this is what the command reads"),
        reserved_folder(tmp_path, inputs=[tmp_path / "0.png"]) as reserved,
    ):
        reserved.put(report("two"), last=LAST)
    assert (tmp_path / "0.png").read_bytes() == b"one"


def test_of_two_writers_one_is_refused_and_a_dead_one_holds_nothing(tmp_path: Path) -> None:
    script = (
        "import sys, time\nfrom pathlib import Path\nfrom thermscan.writing import reserved_folder\n"
        "with reserved_folder(Path(sys.argv[1]), inputs=[]):\n    print('in', flush=True); time.sleep(60)\n"
    )
    other = subprocess.Popen([sys.executable, "-c", script, str(tmp_path / "r")], stdout=subprocess.PIPE)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == b"in\n"
        with pytest.raises(InputError, match="another thermscan is writing there; wait for it"):
            put(tmp_path / "r", report("two"))
        put(tmp_path / "another", report("two"))
    finally:
        other.kill()
        other.communicate()
    put(tmp_path / "r", report("two"))


def test_a_folder_that_had_to_be_made_goes_again_where_nothing_came(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), reserved_folder(tmp_path / "a" / "b", inputs=[]):
        raise ZeroDivisionError
    assert names(tmp_path) == set()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_read_only_folder_is_refused_before_the_work(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(InputError, match="no permission"), reserved_folder(tmp_path, inputs=[]):
        pass


WRITER = """
import json, sys
from pathlib import Path
from thermscan.writing import reserved_folder
print("ready", flush=True)
mark = 0
while True:
    mark += 1
    text = f"{sys.argv[2]}-{mark}"
    contents = {"results.json": json.dumps({"mark": text}).encode()} | {f"{i}.png": text.encode() for i in range(6)}
    with reserved_folder(Path(sys.argv[1]), inputs=[]) as reserved:
        reserved.put(contents, last="results.json")
"""


def test_killed_at_any_moment_it_leaves_a_whole_report_or_none_and_the_next_run_cleans_up(tmp_path: Path) -> None:
    moments = random.Random(5)
    folder = tmp_path / "r"
    absent = left_over = 0
    for attempt in range(25):
        way = subprocess.Popen([sys.executable, "-c", WRITER, str(folder), str(attempt)], stdout=subprocess.PIPE)
        assert way.stdout is not None
        assert way.stdout.readline() == b"ready\n"
        time.sleep(moments.uniform(0.0, 0.06))
        way.kill()
        way.communicate()
        if not folder.exists():
            continue
        left_over += any(name.startswith(".") for name in names(folder))
        if (folder / LAST).exists():
            mark = json.loads((folder / LAST).read_text())["mark"].encode()
            assert {(folder / f"{i}.png").read_bytes() for i in range(6)} == {mark}
        else:
            absent += 1
    # The moments were such that the kill fell into the writing, not only between.
    assert absent + left_over > 0
    put(folder, report("last"))
    assert names(folder) == {LAST, LIST_NAME, "0.png", "1.png"}


def test_a_new_folder_is_whole_or_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"), new_folder(tmp_path / "record", inputs=[]) as fresh:
        os.mkdir(fresh / "no" / "such")
    assert names(tmp_path) == set()
    with new_folder(tmp_path / "record", inputs=[]) as fresh:
        (fresh / "data").mkdir()
    with pytest.raises(InputError, match="there is something already"), new_folder(tmp_path / "record", inputs=[]):
        pass
    assert names(tmp_path) == {"record"}
