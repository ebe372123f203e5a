"""Single-channel TIFFs as instruments write them, put together byte by byte and by no TIFF library."""

from __future__ import annotations

import itertools
import zlib
from pathlib import Path

import numpy as np
import pytest
import skimage
import tifffile

from tests.frames.tiff_bytes import (
    ASCII,
    LONG,
    RATIONAL,
    SHORT,
    UNDEFINED,
    page_of,
    place_strips,
    tiff_bytes,
    write_directory,
)
from thermscan.errors import InputError
from thermscan.frames.reading import read_frames
from thermscan.frames.tiff import open_tiff

RNG = np.random.default_rng(11)
SCENE = np.round(29515 + 300 * RNG.random((12, 16))).astype(np.uint16)
# TIFF 6.0, section 8, states a default for each of these, or it can be told from what is there.
OPTIONAL = {
    262: "PhotometricInterpretation", 274: "Orientation", 277: "SamplesPerPixel", 278: "RowsPerStrip",
    339: "SampleFormat", 259: "Compression", 282: "XResolution", 296: "ResolutionUnit", 258: "BitsPerSample",
}  # fmt: skip


@pytest.fixture
def read(tmp_path):
    def written(data, **more):
        path = tmp_path / "idle.tiff"
        path.write_bytes(data)
        return read_frames(path, **more)

    return written


def refusal(read, data, **more):
    with pytest.raises(InputError) as caught:
        read(data, **more)
    assert len(caught.value.lines()) == 1
    return str(caught.value)


def test_the_tests_own_writer_is_understood_by_a_library_that_others_wrote(tmp_path):
    for order, big, first in itertools.product("<>", (False, True), (False, True)):
        path = tmp_path / "witness.tif"
        path.write_bytes(
            tiff_bytes([page_of(SCENE, order=order, rows_a_strip=5)], order=order, big=big, data_first=first)
        )
        np.testing.assert_array_equal(tifffile.imread(path), SCENE)


@pytest.mark.parametrize("code", sorted(OPTIONAL), ids=OPTIONAL.get)
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("big", [False, True])
def test_a_tag_that_has_a_default_may_be_missing(read, code, order, big):
    (frame,) = read(tiff_bytes([page_of(SCENE, order=order, leave_out=(code,))], order=order, big=big))
    np.testing.assert_array_equal(frame.values, SCENE)
    assert (frame.unit, frame.unit_source, frame.source.stored_as) == ("cK", "assumed", "uint16")


def test_all_of_them_may_be_missing_at_once_with_an_exif_directory_and_private_tags(read):
    exif = {
        36867: (ASCII, b"2026:05:02 14:30:00\0"),
        37510: (UNDEFINED, b"ASCII\0\0\0values in cK"),
        33434: (RATIONAL, (1, 30)),
    }
    page = page_of(
        SCENE,
        leave_out=tuple(OPTIONAL),
        tags={271: (ASCII, b"bench\0"), 65001: (UNDEFINED, bytes(40))},
        sub={34665: exif, 34853: {0: (1, [2, 3, 0, 0])}},
    )
    (frame,) = read(tiff_bytes([page], counts=False, data_first=False))
    np.testing.assert_array_equal(frame.values, SCENE)
    assert (frame.unit, frame.unit_source) == ("cK", "file")


@pytest.mark.parametrize("rows_a_strip", [1, 5, 12])
@pytest.mark.parametrize("data_first", [False, True])
@pytest.mark.parametrize("counts", [False, True])
def test_strips_of_any_height_before_or_behind_the_directory(read, rows_a_strip, data_first, counts):
    page = page_of(SCENE, rows_a_strip=rows_a_strip)
    (frame,) = read(tiff_bytes([page], data_first=data_first, counts=counts))
    np.testing.assert_array_equal(frame.values, SCENE)


def test_rows_per_strip_may_be_without_bound_or_wrong_where_there_is_one_strip(read):
    for claimed in (2**32 - 1, 0, 1, 5):
        (frame,) = read(tiff_bytes([page_of(SCENE, tags={278: (LONG, claimed)})]))
        np.testing.assert_array_equal(frame.values, SCENE)


def test_byte_counts_of_zero_are_as_good_as_none(read):
    page = page_of(SCENE, rows_a_strip=6, tags={279: (LONG, [0, 0])})
    np.testing.assert_array_equal(read(tiff_bytes([page]))[0].values, SCENE)


def test_tags_may_stand_in_any_order(read):
    page = page_of(SCENE)
    codes = [*page.tags, 273, 279]
    for _ in range(8):
        page.order_of_tags = [int(code) for code in RNG.permutation(codes)]
        np.testing.assert_array_equal(read(tiff_bytes([page]))[0].values, SCENE)


def test_tags_nobody_knows_and_of_types_nobody_knows_are_passed_over(read):
    data = bytearray(tiff_bytes([page_of(SCENE, tags={65000: (LONG, 5), 65001: (SHORT, 5)})]))
    at = data.index((65000).to_bytes(2, "little") + b"\4\0")
    data[at + 2] = 77  # a type that TIFF does not have
    at = data.index((65001).to_bytes(2, "little"))
    data[at + 4 : at + 12] = b"\xff\xff\xff\x0f\xff\xff\xff\x7f"  # a count and a place that the file does not have
    np.testing.assert_array_equal(read(bytes(data))[0].values, SCENE)


def test_pages_are_read_in_the_order_in_which_they_point_at_each_other(read, tmp_path):
    stack = [SCENE + page for page in range(4)]
    frames = read(tiff_bytes([page_of(page, order=">") for page in stack], order=">"))
    np.testing.assert_array_equal([frame.values for frame in frames], stack)
    with open_tiff(tmp_path / "idle.tiff") as tiff:
        assert tiff.count == 4
        np.testing.assert_array_equal(next(itertools.islice(tiff.planes(), 2, None)), stack[2])


def test_a_file_that_ends_with_its_directory_is_read_and_says_so(read):
    (frame,) = read(tiff_bytes([page_of(SCENE)], last_pointer=False))
    np.testing.assert_array_equal(frame.values, SCENE)
    assert "the file ends before it says whether another page follows" in frame.remarks


def test_an_instruments_preview_and_mask_beside_its_numbers_are_left_out_and_said(read):
    # As a beam profiler writes them: a palette picture, the numbers, and a mask that states no photometric meaning.
    numbers = (SCENE / 100.0).astype(np.float32)
    preview = page_of(SCENE.astype(np.uint8), tags={262: (SHORT, 3), 320: (SHORT, [0] * 768)})
    mask = page_of(np.ones(SCENE.shape, np.uint8), leave_out=(262,))
    frames = read(tiff_bytes([preview, page_of(numbers), mask]), unit="K")
    assert len(frames) == 1
    np.testing.assert_array_equal(frames[0].values, numbers)
    assert "the file also holds a colour picture, which was left out" in frames[0].remarks
    assert "page 3 was left out: whole bytes beside finer numbers are a preview or a mask" in frames[0].remarks


def test_numbers_below_a_preview_are_found(read):
    inner = page_of(SCENE)
    body = tiff_bytes([inner])
    where = int.from_bytes(body[4:8], "little")
    preview = page_of(
        np.zeros((2, 2), np.uint8), tags={262: (SHORT, 2), 277: (SHORT, 3), 258: (SHORT, [8, 8, 8]), 330: (LONG, where)}
    )
    preview.strips = [bytes(12)]
    # The outer directory goes behind the whole inner file, so that all the inner offsets stay true.
    outer = bytearray(body)
    at, _ = write_directory(outer, preview, place_strips(outer, preview), order="<", big=False, counts=True)
    outer[4:8] = at.to_bytes(4, "little")
    np.testing.assert_array_equal(read(bytes(outer))[0].values, SCENE)


def test_numbers_of_12_bits_packed_or_in_words(read):
    counts = (SCENE % 4096).astype(np.uint16)
    bits = "".join(f"{value:012b}" for value in counts.ravel())
    packed = bytes(int(bits[at : at + 8], 2) for at in range(0, len(bits), 8))
    page = page_of(counts, tags={258: (SHORT, 12)})
    page.strips = [packed]
    np.testing.assert_array_equal(read(tiff_bytes([page]), unit="counts")[0].values, counts)
    (frame,) = read(tiff_bytes([page_of(counts, tags={258: (SHORT, 12)})]), unit="counts")
    np.testing.assert_array_equal(frame.values, counts)
    assert "its pixels are 12 bits in words of 16" in frame.remarks


@pytest.mark.parametrize("predictor", [1, 2])
@pytest.mark.parametrize("order", ["<", ">"])
def test_deflate_with_and_without_differences(read, predictor, order):
    stored = SCENE.copy()
    if predictor == 2:
        stored[:, 1:] = SCENE[:, 1:] - SCENE[:, :-1]  # wraps below zero, as the standard has it
    page = page_of(SCENE, order=order, tags={259: (SHORT, 8), 317: (SHORT, predictor)})
    page.strips = [zlib.compress(stored.astype(f"{order}u2").tobytes())]
    np.testing.assert_array_equal(read(tiff_bytes([page], order=order))[0].values, SCENE)


def test_a_strip_that_unpacks_short_or_not_at_all_is_named(read):
    page = page_of(SCENE, rows_a_strip=6, tags={259: (SHORT, 8)})
    whole = [zlib.compress(strip) for strip in page.strips]
    page.strips = [whole[0], zlib.compress(b"\1\2\3")]
    assert "page 1: strip 2 of 2 holds 3 bytes and needs 192" in refusal(read, tiff_bytes([page]))
    page.strips = [b"\x78\x9c" + bytes(60), whole[1]]
    assert "page 1: strip 1 of 2 cannot be unpacked" in refusal(read, tiff_bytes([page]))


@pytest.mark.parametrize(
    ("tags", "leave_out", "words"),
    [
        ({}, (256,), "page 1: tag 256 (ImageWidth) is missing"),
        ({256: (ASCII, b"wide\0")}, (), "tag 256 (ImageWidth) is of type 2 and should hold whole numbers"),
        ({273: (LONG, [9_000_000])}, (), "the file is cut short"),
        ({273: (LONG, [0])}, (), "parts of the picture are missing"),
        ({259: (SHORT, 34712)}, (), "tag 259 (Compression) says 34712 (JPEG 2000), which is not read"),
        ({259: (SHORT, 7)}, (), "its pixels are packed as JPEG, as pictures are, and are no temperatures"),
        ({259: (SHORT, 8), 317: (SHORT, 9)}, (), "page 1: strip 1 of 1 cannot be unpacked"),
        ({277: (SHORT, 0)}, (), "tag 277 (SamplesPerPixel) holds 0"),
        ({258: (SHORT, 24)}, (), "page 1: the page has 384 bytes and needs 576"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_the_file_is_named(read, tags, leave_out, words):
    assert words in refusal(read, tiff_bytes([page_of(SCENE, tags=tags, leave_out=leave_out)]))


def test_a_fault_of_our_own_is_never_told_as_the_files(read, monkeypatch):
    def broken(_page):
        raise AttributeError("'int' object has no attribute 'name'")

    monkeypatch.setattr("thermscan.frames.tiff.page_planes", broken)
    with pytest.raises(AttributeError):
        read(tiff_bytes([page_of(SCENE)]))


def test_small_files_that_unpack_to_much_are_refused_before_anything_is_unpacked(read):
    row = zlib.compress(bytes(2 * 2000 * 2000), 9)
    tags = {256: (LONG, 2000), 257: (LONG, 2000), 278: (LONG, 2000), 259: (SHORT, 8)}
    page = page_of(SCENE, tags=tags)
    page.strips = [row]
    data = tiff_bytes([page] * 6)
    assert f"its {len(data)} bytes unpack to 24 million pixels, as no camera's frames do" in refusal(read, data)
    page.tags |= {256: (LONG, 7000), 257: (LONG, 7000)}
    assert "page 1: it claims 7000 x 7000 pixels; up to 5 million are read" in refusal(read, tiff_bytes([page]))


def test_every_tiff_that_an_installed_package_carries_is_a_frame_or_one_line():
    found = sorted(Path(skimage.__file__).parent.rglob("*.tif*"))
    assert found
    for path in found:
        frames = read_frames(path, unit="counts")
        reference = tifffile.imread(path).reshape(-1, *frames[0].shape)
        np.testing.assert_array_equal([frame.values for frame in frames], reference)
