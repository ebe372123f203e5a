"""What is no frame is refused by its content, whatever its name, in one line that says what it is."""

from __future__ import annotations

import hashlib
import io

import imageio.v3 as iio
import numpy as np
import pytest

from thermscan.errors import InputError
from thermscan.frames.files import file_digest, file_kind
from thermscan.frames.reading import read_frames

PICTURE = np.random.default_rng(1).integers(0, 255, (24, 32, 3)).astype(np.uint8)


def refusal(path, **more):
    with pytest.raises(InputError) as caught:
        read_frames(path, **more)
    assert len(caught.value.lines()) == 1
    assert str(caught.value).startswith(str(path))
    return str(caught.value)


@pytest.mark.parametrize("name", ["shot.png", "shot.jpg", "shot.tiff", "shot.csv", "shot"])
@pytest.mark.parametrize("kind", [".png", ".jpg", ".bmp", ".gif", ".webp"])
def test_pictures_are_called_colour_pictures_whatever_their_name(tmp_path, name, kind):
    buffer = io.BytesIO()
    iio.imwrite(buffer, PICTURE, extension=kind)
    path = tmp_path / name
    path.write_bytes(buffer.getvalue())
    assert "colour picture" in refusal(path)
    assert "rather than a radiometric frame" in refusal(path, unit="C")


def test_a_grey_picture_is_called_grey(tmp_path):
    path = tmp_path / "shot.png"
    iio.imwrite(path, PICTURE[..., 0])
    assert "a grey picture (PNG) rather than a radiometric frame" in refusal(path)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty; export or copy it again"),
        (b"PK\x03\x04rest", "a spreadsheet workbook or ZIP archive, not a frame; save the sheet as CSV"),
        (b"%PDF-1.7", "a PDF document"),
        (b"\x1f\x8b\x08\x00", "a gzip-compressed file, not a frame; unpack it first"),
        (b"<!DOCTYPE html><html>", "a web page"),
        (b"\x00\x01\x02\x03" * 50, "neither a TIFF nor readable text"),
        ("Grüße aus der Werkstatt".encode("latin-1"), "no table of numbers"),
    ],
)
def test_other_files_are_called_what_they_are(tmp_path, content, words):
    path = tmp_path / "idle.csv"
    path.write_bytes(content)
    assert words in refusal(path)


def test_text_under_a_tiffs_name_is_refused_even_if_it_is_a_table(tmp_path):
    for name in ("idle.tiff", "IDLE.TIF"):
        path = tmp_path / name
        path.write_text("22.5,22.6\n22.7,22.8\n")
        assert "named as a TIFF, but it does not begin like one" in refusal(path)


def test_a_missing_file_is_refused_with_the_nearest_name(tmp_path):
    (tmp_path / "idle_warm.csv").write_text("1")
    assert refusal(tmp_path / "idle_wram.csv").endswith("there is no such file; did you mean idle_warm.csv?")
    assert refusal(tmp_path / "nowhere" / "x.csv").endswith("there is no such file; check the path")


def test_a_folder_is_refused(tmp_path):
    assert "this is a folder, not a frame file; name the files in it, such as *.tiff" in refusal(tmp_path)


def test_what_is_no_regular_file_is_not_waited_for():
    from pathlib import Path

    assert "this is not a regular file" in refusal(Path("/dev/null"))


def test_the_digest_is_that_of_the_bytes(tmp_path):
    path = tmp_path / "idle.csv"
    path.write_bytes(b"22.5;22.6\r\n22.7;22.8\r\n")
    assert file_digest(path) == hashlib.sha256(path.read_bytes()).hexdigest()
    assert read_frames(path, unit="C")[0].source.sha256 == file_digest(path)
    assert file_kind(path) == "CSV"
    with pytest.raises(InputError, match="cannot be read"):
        file_digest(tmp_path / "none")
