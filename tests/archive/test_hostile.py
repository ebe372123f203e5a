"""Records from anyone: nothing outside is read or written, and memory stays small."""

from __future__ import annotations

import os
import resource
import stat
import struct
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path

import pytest

from thermscan.archive.verifying import verify_record

BAGIT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def hostile_zip(place: Path, *members: tuple[str, bytes] | zipfile.ZipInfo) -> Path:
    with zipfile.ZipFile(place, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("r/bagit.txt", BAGIT)
        for member in members:
            name, data = member if isinstance(member, tuple) else (member, b"/etc/passwd")
            archive.writestr(name, data)
    return place


def told(place: Path) -> str:
    verification = verify_record(place)
    assert verification.exit_status == 2
    assert verification.rederived.state == "not tried"
    return "\n".join(f"{damage.file}: {damage.what}" for damage in verification.damage)


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("r/data/../../evil.txt", "leads out of the bag"),
        ("../evil.txt", "leads out of the bag"),
        ("/tmp/evil.txt", "absolute path"),
        ("C:\\evil.txt", "absolute path"),
        ("r/data\\..\\evil.txt", "leads out of the bag"),
        ("~root/evil.txt", "leads out of the bag"),
        ("other/evil.txt", "outside the bag's folder"),
        ("r/data/\x1b[31mevil", "control characters"),
    ],
)
def test_names_that_lead_out_are_refused_and_nothing_is_written(tmp_path, monkeypatch, name, reason):
    (tmp_path / "in").mkdir()
    monkeypatch.chdir(tmp_path / "in")
    place = hostile_zip(tmp_path / "in" / "r.zip", (name, b"evil"))
    assert reason in told(place)
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["in", "r.zip"]


def test_links_in_a_zip_are_refused(tmp_path):
    link = zipfile.ZipInfo("r/data/link")
    link.create_system = 3
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    assert "data/link: is a link" in told(hostile_zip(tmp_path / "r.zip", link))


def test_links_pipes_and_devices_in_a_folder_are_refused_without_being_opened(record):
    os.symlink("/etc/passwd", record / "data" / "link")
    os.symlink("/", record / "data" / "root")
    os.mkfifo(record / "data" / "pipe")  # opening it would wait for ever
    found = told(record)
    assert "data/link: is a link" in found
    assert "data/root: is a link" in found
    assert "data/pipe: is not a plain file" in found


def test_a_link_in_place_of_a_raw_frame_is_refused_although_it_leads_to_the_same_bytes(record):
    frame = record / "data" / "frames" / "frame.tiff"
    frame.rename(record.parent / "frame.tiff")
    os.symlink(record.parent / "frame.tiff", frame)
    assert "data/frames/frame.tiff: is a link" in told(record)


@pytest.mark.parametrize(("one", "other"), [("a.txt", "A.TXT"), ("\u00e4.txt", "a\u0308.txt"), ("ß.txt", "SS.txt")])
def test_names_that_are_one_on_some_systems_are_refused(tmp_path, one, other):
    place = hostile_zip(tmp_path / "r.zip", (f"r/data/{one}", b"1"), (f"r/data/{other}", b"2"))
    assert "is the same name as" in told(place)


def test_a_name_that_is_in_the_zip_twice_is_refused(tmp_path):
    with pytest.warns(UserWarning, match="Duplicate"):
        place = hostile_zip(tmp_path / "r.zip", ("r/data/a", b"1"), ("r/data/a", b"2"))
    assert "data/a: is in the zip twice" in told(place)


def test_encrypted_and_oddly_packed_members_are_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "r.zip", "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("r/bagit.txt", BAGIT)
    assert "a method that records do not use" in told(tmp_path / "r.zip")
    place = hostile_zip(tmp_path / "e.zip", ("r/data/a", b"1"))
    data = place.read_bytes().replace(b"PK\x01\x02\x14\x03\x14\x00\x00\x00", b"PK\x01\x02\x14\x03\x14\x00\x01\x00")
    place.write_bytes(data)
    assert "is encrypted" in told(place)


def ten_gigabyte_bomb(place: Path) -> Path:
    """10 GB of zeros in 10 MB, as one member; written by hand so that making it is quick too."""
    size, piece = 10_000_000_000, bytes(10_000_000)
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    first = packer.compress(piece) + packer.flush(zlib.Z_FULL_FLUSH)
    body = first * (size // len(piece)) + zlib.compressobj(9, zlib.DEFLATED, -15).flush()
    name = b"r/data/zeros"
    extra = struct.pack("<HHQQ", 1, 16, size, len(body))
    local = struct.pack("<4s5H3L2H", b"PK\3\4", 45, 0, 8, 0, 33, 0, 2**32 - 1, 2**32 - 1, len(name), len(extra))
    central = struct.pack(
        "<4s6H3L5H2L", b"PK\1\2", 45, 45, 0, 8, 0, 33, 0, 2**32 - 1, 2**32 - 1, len(name), len(extra), 0, 0, 0, 0, 0
    )
    start = len(local) + len(name) + len(extra) + len(body)
    listed = central + name + extra
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 1, 1, len(listed), start, 0)
    place.write_bytes(local + name + extra + body + listed + end)
    return place


def peak_memory_of_verifying(place: Path) -> tuple[int, str]:
    code = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from thermscan.archive.verifying import verify_record, verification_lines\n"
        "print(*verification_lines(verify_record(Path(sys.argv[1]))), sep='\\n')\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    # A leash, so that a fault here does not take the machine with it.
    limit = lambda: resource.setrlimit(resource.RLIMIT_AS, (4_000_000_000, 4_000_000_000))  # noqa: E731
    done = subprocess.run(
        [sys.executable, "-c", code, str(place)], capture_output=True, text=True, check=True, preexec_fn=limit
    )
    *lines, peak = done.stdout.strip().splitlines()
    return int(peak) * 1024, "\n".join(lines)


def test_a_bomb_of_10_gigabytes_is_refused_in_little_memory(tmp_path):
    place = ten_gigabyte_bomb(tmp_path / "r.zip")
    peak, lines = peak_memory_of_verifying(place)
    assert "would grow from" in lines
    assert peak < 1_000_000_000


def test_a_member_that_lies_about_its_size_is_read_no_further_than_it_says(tmp_path):
    place = hostile_zip(tmp_path / "r.zip", ("r/data/zeros", bytes(50_000_000)))
    data = place.read_bytes()
    place.write_bytes(data.replace(struct.pack("<L", 50_000_000), struct.pack("<L", 1000)))
    listed = verify_record(place)
    assert listed.exit_status == 2


def test_a_list_of_a_million_members_is_not_read(tmp_path):
    entry = struct.pack("<4s6H3L5H2L", b"PK\1\2", 20, 20, 0, 0, 0, 33, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0) + b"a"
    listed = entry * 1_000_000
    place = tmp_path / "r.zip"
    place.write_bytes(listed + struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 1, 1, len(listed), 0, 0))
    assert "too many for a record" in told(place)


def rewritten(record: Path, name: str, text: str) -> Path:
    """The record with one payload file replaced and its manifests made to fit, as its maker could."""
    import bagit

    (record / "data" / name).write_text(text, encoding="utf-8")
    bag = bagit.Bag(str(record))
    bag.save(manifests=True)
    return record


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        ('"layout/board.toml"', '"/etc/passwd"'),
        ('"layout/board.toml"', '"../../../secret.toml"'),
        ('["frames/frame.tiff"]', '["/**/*.tiff"]'),
        ('["frames/frame.tiff"]', '["frames/*"]'),
        ('["frames/frame.tiff"]', '["~/frame.tiff"]'),
    ],
)
def test_a_record_whose_run_names_files_of_this_machine_is_not_followed(record, was, becomes):
    text = (record / "data" / "run.toml").read_text()
    assert was in text
    rewritten(record, "run.toml", text.replace(was, becomes))
    (record / "tagmanifest-sha256.txt").unlink(missing_ok=True)
    with_two = verify_record(record)
    # bagit writes one tag manifest only; that is the sole fault, and the point here is what follows it.
    from thermscan.archive.rederiving import rederive
    from thermscan.archive.sources import open_bag

    assert {damage.file for damage in with_two.damage} <= {"tagmanifest-sha256.txt"}
    with open_bag(record) as files:
        again = rederive(files)
    assert again.state == "not tried"
    assert "record" in (again.reason or "")
