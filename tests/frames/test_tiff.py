"""TIFF in the forms that cameras' programs and scripts write, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import skimage
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.errors import InputError
from thermscan.frames.reading import read_frames
from thermscan.frames.units import celsius

RNG = np.random.default_rng(7)
SCENE_C = (
    22.0 + 30.0 * np.exp(-(np.hypot(*np.mgrid[-24:24, -32:32]) ** 2) / 200.0) + 0.05 * RNG.standard_normal((48, 64))
)
CENTIKELVIN = np.round((SCENE_C + 273.15) * 100.0).astype(np.uint16)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "idle.tiff"


def refusal(path, **more):
    with pytest.raises(InputError) as caught:
        read_frames(path, **more)
    assert len(caught.value.lines()) == 1
    assert str(caught.value).startswith(str(path))
    return str(caught.value)


KINDS = {
    "uint8": ("C", np.round(SCENE_C)),
    "uint16": ("cK", CENTIKELVIN),
    "int16": ("dK", np.round(SCENE_C * 10 + 2731.5)),
    "uint32": ("mK", np.round(SCENE_C * 1000 + 273150)),
    "int32": ("cK", CENTIKELVIN),
    "float16": ("C", SCENE_C),
    "float32": ("K", SCENE_C + 273.15),
    "float64": ("F", SCENE_C * 1.8 + 32.0),
}
LAYOUTS = [
    {},
    {"compression": "zlib"},
    {"compression": "lzw", "predictor": True},
    {"compression": "zstd"},
    {"tile": (16, 16)},
    {"tile": (32, 16), "compression": "deflate"},
    {"rowsperstrip": 5},
    {"bigtiff": True},
]


@settings(max_examples=80, deadline=None)
@given(
    kind=st.sampled_from(sorted(KINDS)),
    layout=st.sampled_from(LAYOUTS),
    order_and_said=st.tuples(st.sampled_from("<>"), st.sampled_from(["plain", "json", "tag", "given"])),
    pages=st.integers(1, 4),
)
def test_every_kind_of_tiff_is_read_back_as_written(tmp_path_factory, kind, layout, order_and_said, pages):
    order, said = order_and_said
    path = tmp_path_factory.mktemp("t") / "idle.tif"
    unit, scene = KINDS[kind]
    stack = np.stack([scene + page for page in range(pages)]).astype(np.dtype(kind).newbyteorder(order))
    words: dict = {}
    if said == "plain":
        words = {"description": f"bench camera\nunit: {unit}\nemissivity 0.95", "metadata": None}
    elif said == "json":
        words = {"description": json.dumps({"camera": "bench", "radiometric": {"Temperature Unit": unit}})}
    elif said == "tag":
        words = {"extratags": [(65001, 2, None, f"temperatures in {unit}", True)]}
    with tifffile.TiffWriter(path, byteorder=order, bigtiff=layout.get("bigtiff", False)) as writer:
        options = {key: value for key, value in layout.items() if key != "bigtiff"}
        writer.write(stack, photometric="minisblack", **options, **words)
    frames = read_frames(path, unit=unit if said == "given" else None)
    assert [frame.unit_source for frame in frames] == ["given" if said == "given" else "file"] * pages
    assert [frame.source.page for frame in frames] == list(range(pages))
    assert {frame.source.stored_as for frame in frames} == {kind}
    for page, frame in enumerate(frames):
        np.testing.assert_array_equal(frame.values, stack[page].astype(np.float64))
        assert frame.unit == unit


@pytest.mark.parametrize("count", [3, 4])
def test_three_frames_saved_as_if_they_were_red_green_and_blue_are_a_stack(path, count):
    # Some writers mark a stack of three or four whole-number planes as colour unless told otherwise.
    tifffile.imwrite(path, np.stack([CENTIKELVIN] * count), photometric="rgb", planarconfig="separate")
    frames = read_frames(path)
    assert (len(frames), frames[0].unit, frames[0].unit_source) == (count, "cK", "assumed")


def test_sixteen_bit_colour_planes_are_a_colour_picture(path):
    tifffile.imwrite(path, RNG.integers(0, 65535, (3, 48, 64)).astype(np.uint16), photometric="rgb")
    assert "colour picture rather than a radiometric frame" in refusal(path)
    assert "colour picture rather than a radiometric frame" in refusal(path, unit="C")


@pytest.mark.parametrize(
    ("shape", "kind", "more"),
    [
        ((48, 64, 3), np.uint8, {"photometric": "rgb"}),
        ((48, 64, 4), np.uint8, {"photometric": "rgb"}),
        ((48, 64, 3), np.uint16, {"photometric": "rgb"}),
        ((3, 48, 64), np.uint8, {"photometric": "rgb"}),
        ((2, 48, 64, 3), np.uint8, {"photometric": "rgb"}),
        ((48, 64), np.uint8, {"photometric": "palette", "colormap": np.zeros((3, 256), np.uint16)}),
        ((48, 64, 3), np.uint8, {"photometric": "rgb", "compression": "jpeg"}),
    ],
)
def test_colour_pictures_are_refused_as_such_whatever_unit_is_given(path, shape, kind, more):
    tifffile.imwrite(path, RNG.integers(0, 255, shape).astype(kind), **more)
    assert "colour picture rather than a radiometric frame" in refusal(path)
    assert "colour picture rather than a radiometric frame" in refusal(path, unit="C")


def test_a_colour_picture_beside_the_frame_is_left_out_and_said(path):
    with tifffile.TiffWriter(path) as writer:
        writer.write(CENTIKELVIN, photometric="minisblack")
        writer.write(RNG.integers(0, 255, (48, 64, 3)).astype(np.uint8), photometric="rgb")
    (frame,) = read_frames(path)
    assert "the file also holds a colour picture, which was left out" in frame.remarks
    np.testing.assert_array_equal(frame.values, CENTIKELVIN)


def test_two_values_a_pixel_are_refused_unless_one_is_transparency(path):
    both = np.stack([CENTIKELVIN, np.full_like(CENTIKELVIN, 65535)], axis=-1)
    tifffile.imwrite(path, both, photometric="minisblack", planarconfig="contig", extrasamples=["unassalpha"])
    np.testing.assert_array_equal(read_frames(path)[0].values, CENTIKELVIN)
    tifffile.imwrite(path, both, photometric="minisblack", planarconfig="contig", extrasamples=["unspecified"])
    assert "2 values a pixel, where a radiometric frame has one" in refusal(path)


def test_pages_of_different_size_are_refused(path):
    with tifffile.TiffWriter(path) as writer:
        writer.write(CENTIKELVIN)
        writer.write(CENTIKELVIN[:20])
    assert "its pages differ in size (64 x 20, 64 x 48)" in refusal(path)


def test_a_thumbnail_marked_as_such_is_no_frame(path):
    with tifffile.TiffWriter(path) as writer:
        writer.write(CENTIKELVIN)
        writer.write(CENTIKELVIN[::4, ::4], subfiletype=1)
    assert len(read_frames(path)) == 1


def test_the_signature_decides_not_the_name(tmp_path):
    path = tmp_path / "idle.csv"
    tifffile.imwrite(path, CENTIKELVIN)
    assert read_frames(path)[0].source.file_format == "TIFF"


def test_volumes_and_contiguous_stacks_are_recordings(path):
    stack = np.stack([CENTIKELVIN] * 5)
    tifffile.imwrite(path, stack, volumetric=True, tile=(1, 16, 16))
    assert len(read_frames(path)) == 5
    tifffile.imwrite(path, stack, truncate=True)
    assert len(read_frames(path)) == 5
    tifffile.imwrite(path, stack, imagej=True, metadata={"finterval": 0.25, "unit": "cK"})
    frames = read_frames(path)
    assert [frame.time_s for frame in frames] == [0.0, 0.25, 0.5, 0.75, 1.0]
    assert frames[0].unit_source == "file"


def test_each_pages_time_is_kept_where_all_state_one(path):
    with tifffile.TiffWriter(path) as writer:
        for page in range(3):
            writer.write(CENTIKELVIN, description=f"time_s = {5 + page * 0.111}", metadata=None)
    assert [frame.time_s for frame in read_frames(path)] == [0.0, 0.111, 0.222]


def test_times_that_repeat_are_not_believed(path):
    with tifffile.TiffWriter(path) as writer:
        for _ in range(3):
            writer.write(CENTIKELVIN, datetime="2026:05:02 14:30:00", metadata=None)
    assert {frame.time_s for frame in read_frames(path)} == {None}


def test_not_a_number_infinity_and_absolute_zero_are_bad_pixels(path):
    scene = (SCENE_C + 273.15).astype(np.float32)
    scene[0, :4] = np.nan, np.inf, 0.0, -1.0
    tifffile.imwrite(path, scene)
    (frame,) = read_frames(path)
    assert np.isnan(frame.values).sum() == 4
    assert frame.remarks[-2:] == (
        "2 pixels without a number, taken as bad",
        "2 pixels at a filling value that is no temperature, taken as bad",
    )


def test_zeros_far_from_all_else_are_bad_pixels_in_celsius_too(path):
    scene = SCENE_C.copy()
    scene[:3] = 0.0
    tifffile.imwrite(path, scene)
    assert np.isnan(read_frames(path, unit="C")[0].values).sum() == 3 * 64


def test_zeros_among_readings_near_them_are_readings(path):
    scene = np.round(SCENE_C - 22.0, 1)
    tifffile.imwrite(path, scene)
    assert np.isfinite(read_frames(path, unit="C")[0].values).all()


def test_a_frame_without_any_number_is_refused(path):
    tifffile.imwrite(path, np.full((48, 64), np.nan, np.float32))
    assert "no pixel holds a number" in refusal(path, unit="C")
    tifffile.imwrite(path, np.zeros((48, 64), np.uint16))
    assert "no pixel holds a temperature: all are below absolute zero in cK" in refusal(path, unit="cK")


def test_blank_pages_of_a_recording_are_left_out_and_said(path):
    stack = np.stack([SCENE_C, np.full_like(SCENE_C, np.nan), SCENE_C + 1.0])
    tifffile.imwrite(path, stack, photometric="minisblack")
    frames = read_frames(path, unit="C")
    assert [frame.source.page for frame in frames] == [0, 2]
    assert "1 of 3 pages hold no number and were left out" in frames[0].remarks


def test_the_value_that_a_file_declares_to_be_none_is_a_bad_pixel(path):
    scene = CENTIKELVIN.astype(np.int32)
    scene[5, 5:9] = 1
    tifffile.imwrite(path, scene, extratags=[(42113, 2, None, "1", True)])
    (frame,) = read_frames(path)
    assert np.argwhere(np.isnan(frame.values)).tolist() == [[5, col] for col in range(5, 9)]


def test_filling_values_far_above_any_bench_are_bad_pixels(path):
    scene = SCENE_C.astype(np.float32)
    scene[0, :3] = 9999.0, 1e30, np.finfo(np.float32).max
    tifffile.imwrite(path, scene)
    assert np.isnan(read_frames(path, unit="C")[0].values).sum() == 3


def test_a_clipped_signed_reading_stays_since_it_is_hot_all_the_same(path):
    scene = np.minimum((SCENE_C + 8.0 + 273.15) * 100.0, 32767).astype(np.int16)
    assert (scene == 32767).any()
    tifffile.imwrite(path, scene)
    assert np.isfinite(read_frames(path, unit="cK")[0].values).all()


def test_a_page_that_asks_to_be_turned_is_read_as_stored_and_said(path):
    tifffile.imwrite(path, CENTIKELVIN, extratags=[(274, 3, 1, 3, True)])
    (frame,) = read_frames(path)
    assert "asks to be shown turned" in " ".join(frame.remarks)
    np.testing.assert_array_equal(frame.values, CENTIKELVIN)


def test_black_and_white_and_complex_pixels_are_refused(path):
    tifffile.imwrite(path, SCENE_C > 25.0)
    assert "not as numbers" in refusal(path)
    tifffile.imwrite(path, SCENE_C.astype(np.complex64))
    assert "not as numbers" in refusal(path)


# Two small TIFFs that come with a library; nobody here made them.
SKIMAGE_DATA = Path(skimage.__file__).parent / "data"


def test_a_byte_stack_that_nobody_here_made():
    path = SKIMAGE_DATA / "multipage.tif"
    frames = read_frames(path, unit="C")
    assert [frame.shape for frame in frames] == [(15, 10)] * 2
    np.testing.assert_array_equal(np.stack([frame.values for frame in frames]), tifffile.imread(path))


def test_float_planes_that_nobody_here_made_are_a_stack_though_marked_as_colour():
    path = SKIMAGE_DATA / "multipage_rgb.tif"
    frames = read_frames(path, unit="C")
    assert [frame.shape for frame in frames] == [(10, 10)] * 6
    np.testing.assert_array_equal(
        np.stack([frame.values for frame in frames]).reshape(2, 3, 10, 10), tifffile.imread(path)
    )


def test_real_relief_fields_come_back_through_every_dialect_of_tiff(path):
    import matplotlib as mpl

    folder = Path(mpl.get_data_path()) / "sample_data"
    with np.load(folder / "topobathy.npz") as data:
        # Heights in metres, squeezed into a bench's range: only the shape of the field is borrowed.
        field = data["topo"].astype(np.float64)
    scene_c = 20.0 + 60.0 * (field - field.min()) / np.ptp(field)
    tifffile.imwrite(path, np.round((scene_c + 273.15) * 100.0).astype(np.uint16), compression="zlib", byteorder=">")
    (frame,) = read_frames(path)
    assert frame.unit == "cK"
    # Rounding to 0.01 K leaves at most half of that.
    np.testing.assert_allclose(celsius(frame.values, "cK"), scene_c, atol=0.0050001)
