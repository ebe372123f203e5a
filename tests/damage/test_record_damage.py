"""Every file of a record truncated, with one bit flipped, removed, added or renamed: found, and named."""

from __future__ import annotations

import hashlib
import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.archive.conftest import packed as packed  # noqa: PLC0414 - a fixture
from thermscan.archive.verifying import verify_record
from thermscan.cli.main import main

Spoil = Callable[[dict[str, bytes], str], str]


def truncate(files: dict[str, bytes], name: str) -> str:
    files[name] = files[name][: len(files[name]) // 2]
    return name


def lose_last_line(files: dict[str, bytes], name: str) -> str:
    files[name] = files[name].rstrip(b"\n").rpartition(b"\n")[0] + b"\n"
    return name


def flip_first(files: dict[str, bytes], name: str) -> str:
    return flip(files, name, 0)


def flip_middle(files: dict[str, bytes], name: str) -> str:
    return flip(files, name, len(files[name]) // 2)


def flip_near_the_end(files: dict[str, bytes], name: str) -> str:
    return flip(files, name, len(files[name]) - 2)


def flip(files: dict[str, bytes], name: str, at: int) -> str:
    data = bytearray(files[name])
    data[at] ^= 1
    files[name] = bytes(data)
    return name


def remove(files: dict[str, bytes], name: str) -> str:
    del files[name]
    return name


def add(files: dict[str, bytes], name: str) -> str:
    added = f"{name.rpartition('/')[0]}/added.txt".lstrip("/")
    files[added] = b"added"
    return added


def rename(files: dict[str, bytes], name: str) -> str:
    files[f"{name}x"] = files.pop(name)
    return name


SPOILS: tuple[Spoil, ...] = (
    truncate, lose_last_line, flip_first, flip_middle, flip_near_the_end, remove, add, rename,
)  # fmt: skip


def read_files(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def write_folder(files: dict[str, bytes], place: Path) -> Path:
    shutil.rmtree(place, ignore_errors=True)
    for name, data in files.items():
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_bytes(data)
    return place


def write_zip(files: dict[str, bytes], place: Path) -> Path:
    with zipfile.ZipFile(place, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(f"record/{name}", data)
    return place


@pytest.mark.parametrize("kind", ["folder", "zip"])
@pytest.mark.parametrize("spoil", SPOILS)
def test_damage_to_any_file_is_found_and_named(packed, tmp_path, kind, spoil):
    good = read_files(packed / "signed")
    write = write_folder if kind == "folder" else write_zip
    assert verify_record(write(good, tmp_path / "r"), derive=False).damage == ()
    assert len(good) > 15
    for name in good:
        files = dict(good)
        told = spoil(files, name)
        if files == good:
            continue
        verification = verify_record(write(files, tmp_path / "r"), derive=False)
        named = {damage.file for damage in verification.damage}
        assert verification.exit_status == 2, (name, spoil.__name__)
        assert told in named, (name, spoil.__name__, verification.damage)


def test_one_bit_flipped_anywhere_in_a_packed_zip_is_found(packed, tmp_path):
    good = (packed / "record.zip").read_bytes()
    place = tmp_path / "r.zip"
    # Each byte of the ends, where the headers are, and a sample of what is between.
    places = [*range(200), *range(200, len(good) - 3000, 997), *range(len(good) - 3000, len(good), 7)]
    for at in places:
        place.write_bytes(good[:at] + bytes([good[at] ^ 4]) + good[at + 1 :])
        assert verify_record(place, derive=False).exit_status == 2, at


def test_a_packed_zip_cut_anywhere_is_found(packed, tmp_path):
    good = (packed / "record.zip").read_bytes()
    for length in (0, 1, 21, 22, 100, len(good) // 2, len(good) - 200, len(good) - 100, len(good) - 1):
        (tmp_path / "r.zip").write_bytes(good[:length])
        verification = verify_record(tmp_path / "r.zip", derive=False)
        assert verification.exit_status == 2
        assert verification.damage[0].file == "r.zip"


def test_damage_is_told_as_json_and_with_status_2(packed, tmp_path, capsys):
    files = read_files(packed / "record")
    flip_middle(files, "data/frames/frame.tiff")
    bad = write_folder(files, tmp_path / "bad")
    assert main(["record", "verify", str(bad), str(packed / "record"), "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    first, second = document["bags"]
    assert document["schema"] == "thermscan.verification/1"
    assert (first["intact"], first["rederived"]) == (False, "not tried")
    assert [each["file"] for each in first["damage"]] == ["data/frames/frame.tiff"]
    assert (second["intact"], second["rederived"], second["damage"]) == (True, "same", [])


def test_two_damaged_tag_manifests_are_not_taken_for_each_others_proof(packed, tmp_path):
    files = read_files(packed / "record")
    flip_first(files, "tagmanifest-sha512.txt")
    flip_first(files, "tagmanifest-sha256.txt")
    assert verify_record(write_folder(files, tmp_path / "r"), derive=False).exit_status == 2


def test_a_whole_record_with_forged_manifests_is_told_by_its_signature_alone(packed, tmp_path):
    """Whoever rewrites all manifests makes a valid bag; only the signature knows better."""
    files = read_files(packed / "signed")
    files["data/frames/frame.tiff"] += b"more"
    sums = {name: hashlib.sha512(data).hexdigest() for name, data in files.items() if name.startswith("data/")}
    files["manifest-sha512.txt"] = "".join(f"{digest}  {name}\n" for name, digest in sorted(sums.items())).encode()
    size = sum(len(data) for name, data in files.items() if name.startswith("data/"))
    lines = files["bag-info.txt"].decode().splitlines()
    kept = [line for line in lines if not line.startswith("Payload-Oxum")]
    files["bag-info.txt"] = "\n".join([*kept, f"Payload-Oxum: {size}.{len(sums)}", ""]).encode()
    for algorithm in ("sha512", "sha256"):
        tags = ("bag-info.txt", "bagit.txt", "manifest-sha512.txt")
        text = "".join(f"{hashlib.new(algorithm, files[name]).hexdigest()}  {name}\n" for name in tags)
        files[f"tagmanifest-{algorithm}.txt"] = text.encode()
    verification = verify_record(write_folder(files, tmp_path / "r"), derive=False)
    assert verification.signature == "bad"
    assert [damage.file for damage in verification.damage] == ["signature-ed25519.json"]
