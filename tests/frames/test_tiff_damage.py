"""Cut, flipped and lying TIFFs: refused in one line, or read whole; never half, never with a traceback."""

from __future__ import annotations

import io
import struct
import tracemalloc

import numpy as np
import pytest
import tifffile

from thermscan.errors import InputError
from thermscan.frames.reading import read_frames

RNG = np.random.default_rng(3)
SCENE = np.round(29515 + 5 * RNG.standard_normal((24, 32))).astype(np.uint16)
FORMS = {
    "plain": {},
    "strips": {"rowsperstrip": 4},
    "packed": {"compression": "zlib"},
    "tiles": {"tile": (16, 16), "compression": "lzw"},
    "big": {"bigtiff": True},
}


def tiff_bytes(stack, form):
    buffer = io.BytesIO()
    options = dict(FORMS[form])
    tifffile.imwrite(buffer, stack, photometric="minisblack", description="unit: cK", **options)
    return buffer.getvalue()


def read_or_refuse(path):
    """The frames; none where they were refused, which must be in one line. Any other error comes through."""
    try:
        return read_frames(path)
    except InputError as error:
        if len(error.lines()) != 1 or not str(error).startswith(str(path)):
            raise
        return ()


@pytest.mark.parametrize("form", sorted(FORMS))
@pytest.mark.parametrize("pages", [1, 3])
def test_a_file_cut_anywhere_is_refused_or_lost_nothing(tmp_path, capfd, form, pages):
    stack = np.stack([SCENE + page for page in range(pages)])
    whole = tiff_bytes(stack, form)
    path = tmp_path / "idle.tif"
    step = max(len(whole) // 60, 1)
    for length in [*range(0, len(whole), step), *range(len(whole) - 6, len(whole))]:
        path.write_bytes(whole[:length])
        frames = read_or_refuse(path)
        if frames:  # only padding and stray bytes may be missing without harm
            np.testing.assert_array_equal(np.stack([frame.values for frame in frames]), stack)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("form", sorted(FORMS))
def test_flipped_bytes_never_give_anything_but_one_line_or_a_frame(tmp_path, capfd, form):
    whole = bytearray(tiff_bytes(SCENE[None], form))
    path = tmp_path / "idle.tif"
    flips = RNG.choice(min(len(whole), 700), size=150, replace=False)
    for at in flips:
        damaged = bytearray(whole)
        damaged[at] ^= 1 << int(RNG.integers(8))
        path.write_bytes(damaged)
        assert all(frame.values.ndim == 2 for frame in read_or_refuse(path))
    assert capfd.readouterr() == ("", "")


def lying_tiff(*, width, length, counts=8):
    """A TIFF of a few bytes that claims any size."""
    tags = [
        (256, 4, 1, width),
        (257, 4, 1, length),
        (258, 3, 1, 16),
        (259, 3, 1, 1),
        (262, 3, 1, 1),
        (273, 4, 1, 200),
        (277, 3, 1, 1),
        (278, 4, 1, length),
        (279, 4, 1, counts),
    ]
    body = b"II*\0" + struct.pack("<IH", 8, len(tags))
    body += b"".join(struct.pack("<HHII", *tag) for tag in tags) + struct.pack("<I", 0)
    return body.ljust(256, b"\0")


@pytest.mark.parametrize(("width", "length"), [(40_000, 25_000), (10**9, 1), (2**31 - 1, 2**31 - 1)])
def test_a_claim_of_a_thousand_million_pixels_is_refused_before_anything_is_allocated(tmp_path, width, length):
    path = tmp_path / "vast.tif"
    path.write_bytes(lying_tiff(width=width, length=length))
    tracemalloc.start()
    try:
        with pytest.raises(InputError, match=f"vast.tif, page 1: it claims {width} x {length} pixels; up to 5 million"):
            read_frames(path)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 20e6  # a hundredth of what one byte a pixel would take


def test_a_page_that_points_past_the_files_end_is_cut_short(tmp_path):
    path = tmp_path / "short.tif"
    path.write_bytes(lying_tiff(width=640, length=480, counts=640 * 480 * 2))
    with pytest.raises(
        InputError, match=r"short.tif, page 1: the file is cut short: it has 256 bytes and needs 614600"
    ):
        read_frames(path)


def test_a_page_with_fewer_bytes_than_pixels_is_refused(tmp_path):
    path = tmp_path / "thin.tif"
    path.write_bytes(lying_tiff(width=640, length=480, counts=8))
    with pytest.raises(InputError, match=r"thin.tif, page 1: .*8 bytes and needs 614400"):
        read_frames(path)


@pytest.mark.parametrize("size", [0, 1])
def test_a_size_of_nothing_is_refused(tmp_path, size):
    path = tmp_path / "none.tif"
    path.write_bytes(lying_tiff(width=size, length=size, counts=2))
    with pytest.raises(InputError):
        read_frames(path)


def test_pages_that_lead_in_a_circle_are_refused(tmp_path):
    body = bytearray(lying_tiff(width=8, length=7, counts=112).ljust(400, b"\x40"))
    struct.pack_into("<I", body, 10 + 9 * 12, 8)  # the next page is this page
    path = tmp_path / "circle.tif"
    path.write_bytes(body)
    with pytest.raises(InputError, match=r"circle.tif: its pages lead in a circle"):
        read_frames(path, unit="cK")
