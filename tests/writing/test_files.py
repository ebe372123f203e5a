"""Single files: whole or not at all, no input replaced, what a person made kept."""

from __future__ import annotations

import os
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from pypdf import PdfReader, PdfWriter

from thermscan.errors import InputError
from thermscan.writing import put_file, put_files
from thermscan.writing.seal import is_sealed, sealed, unsealed


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def small_pdf() -> bytes:
    writer, stream = PdfWriter(), BytesIO()
    writer.add_blank_page(100, 100)
    writer.write(stream)
    return stream.getvalue()


def small_png() -> bytes:
    stream = BytesIO()
    matplotlib.image.imsave(stream, np.zeros((3, 4)), format="png")
    return stream.getvalue()


@pytest.mark.parametrize("link", ["itself", "symbolic", "hard", "through a folder"])
def test_an_input_is_refused_whatever_its_name(link: str, tmp_path: Path) -> None:
    read = tmp_path / "board.toml"
    read.write_text("mine")
    place = tmp_path / "other.toml"
    if link == "itself":
        place = tmp_path / "." / "board.toml"
    elif link == "symbolic":
        place.symlink_to(read)
    elif link == "hard":
        os.link(read, place)
    else:
        (tmp_path / "way").symlink_to(tmp_path)
        place = tmp_path / "way" / "board.toml"
    before = names(tmp_path)
    with pytest.raises(InputError, match="this is what the command reads"):
        put_file(place, b"new", inputs=[None, tmp_path / "not-there", read])
    assert read.read_text() == "mine"
    assert names(tmp_path) == before


def test_a_file_with_other_contents_is_kept_each_time_and_one_with_the_same_is_not(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    assert [put_file(path, data, inputs=[]) for data in (b"1", b"1", b"2", b"3")] == [
        None,
        None,
        tmp_path / "board.toml.bak",
        tmp_path / "board.toml.bak2",
    ]
    assert [path.read_bytes(), *(p.read_bytes() for p in sorted(tmp_path.glob("*.bak*")))] == [b"3", b"1", b"2"]


def test_a_link_is_followed_and_stays(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "sheet.toml").symlink_to(tmp_path / "real" / "sheet.toml")
    put_file(tmp_path / "sheet.toml", b"new", inputs=[])
    assert (tmp_path / "sheet.toml").is_symlink()
    assert (tmp_path / "real" / "sheet.toml").read_bytes() == b"new"


def test_evidence_is_not_replaced(tmp_path: Path) -> None:
    put_file(tmp_path / "record.zip", b"1", inputs=[], new=True)
    with pytest.raises(InputError, match="there is a file already"):
        put_file(tmp_path / "record.zip", b"1", inputs=[], new=True)
    assert names(tmp_path) == {"record.zip"}


def test_a_device_a_folder_and_a_pipe_are_no_places(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for place, words in (
        (Path("/dev/null"), "not a plain file"),
        (tmp_path, "a folder"),
        (tmp_path / "pipe", "not a plain file"),
    ):
        with pytest.raises(InputError, match=words):
            put_file(place, b"1", inputs=[])
    assert Path("/dev/null").is_char_device()


def test_nothing_is_added_to_a_record(tmp_path: Path) -> None:
    (tmp_path / "bag" / "data").mkdir(parents=True)
    (tmp_path / "bag" / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    with pytest.raises(InputError, match="is a record, to which nothing is added"):
        put_file(tmp_path / "bag" / "data" / "sheet.pdf", b"1", inputs=[])
    assert names(tmp_path / "bag" / "data") == set()


def test_two_files_that_belong_together_are_written_both_or_neither(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    with pytest.raises(InputError, match="a folder, not a file"):
        put_files({tmp_path / "a": b"1", tmp_path / "b": b"2"}, inputs=[])
    assert names(tmp_path) == {"b"}


def test_a_full_disk_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put_file(tmp_path / "a", b"before", inputs=[])

    def full(descriptor: int, data: memoryview) -> int:  # noqa: ARG001
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(InputError, match=r"cannot be written \(No space left on device\)"):
        put_file(tmp_path / "a", b"after", inputs=[])
    assert names(tmp_path) == {"a"}
    assert (tmp_path / "a").read_bytes() == b"before"


def test_a_write_that_takes_only_part_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, data: write(descriptor, data[:3]))
    put_file(tmp_path / "a", b"0123456789", inputs=[])
    assert (tmp_path / "a").read_bytes() == b"0123456789"


@pytest.mark.parametrize("data", [small_pdf(), small_png(), b"<!doctype html>\n<p>page</p>\n", b"# thermscan list\n"])
def test_a_seal_holds_until_any_byte_is_changed(data: bytes) -> None:
    whole = sealed(data)
    assert unsealed(whole) == data[: len(unsealed(whole))]
    assert is_sealed(whole)
    assert not is_sealed(data)
    for place in range(0, len(whole), max(1, len(whole) // 60)):
        changed = bytearray(whole)
        changed[place] ^= 1
        assert not is_sealed(bytes(changed))
    assert not is_sealed(whole + b" ")
    assert not is_sealed(whole[:-1])


def test_sealed_files_are_still_read_by_others() -> None:
    assert len(PdfReader(BytesIO(sealed(small_pdf())), strict=True).pages) == 1
    assert matplotlib.image.imread(BytesIO(sealed(small_png()))).shape == (3, 4, 4)


def test_an_untouched_sheet_is_replaced_and_one_that_was_worked_on_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "sheet.pdf"
    assert put_file(path, b"%PDF-1.4 one\n", inputs=[], drawn=True) is None
    assert put_file(path, b"%PDF-1.4 two\n", inputs=[], drawn=True) is None
    path.write_bytes(path.read_bytes().replace(b"two", b"2wo"))
    assert put_file(path, b"%PDF-1.4 three\n", inputs=[], drawn=True) == tmp_path / "sheet.pdf.bak"
    assert b"2wo" in (tmp_path / "sheet.pdf.bak").read_bytes()


def test_what_a_killed_process_left_goes_and_what_a_living_one_holds_stays(tmp_path: Path) -> None:
    script = (
        "import sys, time\nfrom pathlib import Path\n"
        "from thermscan.writing.locks import temporary_file, temporary_folder\n"
        "with temporary_file(Path(sys.argv[1])), temporary_folder(Path(sys.argv[1])) as f:\n"
        "    (f / 'x').write_text('1'); print('in', flush=True); time.sleep(60)\n"
    )
    ways = [subprocess.Popen([sys.executable, "-c", script, str(tmp_path)], stdout=subprocess.PIPE) for _ in "12"]
    try:
        for way in ways:
            assert way.stdout is not None
            assert way.stdout.readline() == b"in\n"
        assert len(names(tmp_path)) == 4
        ways[0].kill()
        ways[0].wait()
        put_file(tmp_path / "a", b"1", inputs=[])
        assert len(names(tmp_path)) == 3
    finally:
        for way in ways:
            way.kill()
            way.communicate()
    put_file(tmp_path / "a", b"1", inputs=[])
    assert names(tmp_path) == {"a"}
