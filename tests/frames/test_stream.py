"""Recordings as streams: every form gives the same frames and times, one at a time, and says what is wrong."""

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import tifffile

from thermscan.errors import InputError
from thermscan.frames.clock import settle_clock
from thermscan.frames.reading import read_frames
from thermscan.frames.stream import open_stream

SHAPE = (24, 32)
TIMES_S = (0.0, 0.25, 0.5, 0.75)


@pytest.fixture
def frames_c():
    rng = np.random.default_rng(5)
    return [np.round(22.0 + number + rng.normal(0.0, 0.5, SHAPE), 2) for number in range(len(TIMES_S))]


def one_row_a_frame(path: Path, frames_c, *, separator=",", time=lambda t: f"{t:.2f}", others=(), names=None) -> Path:
    lines = [separator.join(names)] if names else []
    for t, frame in zip(TIMES_S, frames_c, strict=True):
        lines.append(separator.join([time(t), *others, *(f"{value:.2f}" for value in frame.ravel())]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def check(stream, frames_c):
    seen = list(stream)
    assert [frame.time_s for frame in seen] == pytest.approx(list(TIMES_S), abs=1e-6)
    for frame, expected in zip(seen, frames_c, strict=True):
        assert frame.values.dtype == np.float32
        np.testing.assert_allclose(frame.values, expected, atol=0.006)  # hundredths of a kelvin, as float32


@pytest.mark.parametrize(
    "form",
    [
        {},
        {"separator": ";", "others": ("23.1", "5.02")},
        {"separator": "\t"},
        {"time": lambda t: f"2026-05-02T14:30:{t:06.3f}"},
        {"time": lambda t: f"2026-05-02 14:30:{t:06.3f}", "separator": " "},
        {"time": lambda t: f"14:30:{t:06.3f}"},
        {"time": lambda t: f"02.05.2026 14:30:{t:06.3f}", "separator": ";"},
        {"time": lambda t: f"5/13/2026 2:30:{t:06.3f} PM"},
        {"time": lambda t: f"13/5/2026 14:30:{t:06.3f}"},
        {"names": ["frame", "time_s", *(f"p{n}" for n in range(768))], "others": None},
    ],
    ids=[
        "comma",
        "semicolon, other columns",
        "tab",
        "stamp",
        "stamp and blanks",
        "clock",
        "day first, dots",
        "month first, PM",
        "day first, strokes",
        "headed",
    ],
)
def test_a_log_of_one_row_a_frame_is_read_however_it_is_written(tmp_path, frames_c, form):
    if form.get("others", ()) is None:  # a running number in front of the time
        time = lambda t: f"{round(t / 0.25)},{t:.2f}"  # noqa: E731 - a format
        path = one_row_a_frame(tmp_path / "log.csv", frames_c, names=form["names"], time=time)
    else:
        path = one_row_a_frame(tmp_path / "log.csv", frames_c, **form)
    check(open_stream([path], unit="C"), frames_c)


def test_milliseconds_are_told_by_their_steps_or_by_their_heading(tmp_path, frames_c):
    path = one_row_a_frame(tmp_path / "log.csv", frames_c, time=lambda t: f"{1000 * t:.0f}")
    stream = open_stream([path], unit="C")
    check(stream, frames_c)
    assert any("taken for milliseconds" in remark for remark in stream.remarks)


def test_dates_with_the_year_last_run_on_past_midnight_and_noon(tmp_path, frames_c):
    """Day first with dots; with strokes whichever order all rows allow, and noon is 12 PM."""
    stamps = {
        "dots": ["30.4.2026 23:59:59", "1.5.2026 00:00:00", "1.5.2026 00:00:01", "1.5.2026 00:00:02"],
        "strokes": ["4/30/2026 11:59:59 PM", "5/1/2026 12:00:00 AM", "5/1/2026 12:00:01 AM", "5/1/2026 12:00:02 AM"],
        "noon": ["4/30/2026 11:59:59 AM", "4/30/2026 12:00:00 PM", "4/30/2026 12:00:01 PM", "4/30/2026 12:00:02 PM"],
    }
    for name, written in stamps.items():
        cells = dict(zip(TIMES_S, written, strict=True))
        stream = open_stream([one_row_a_frame(tmp_path / f"{name}.csv", frames_c, time=cells.get)], unit="C")
        assert [frame.time_s for frame in stream] == pytest.approx([0.0, 1.0, 2.0, 3.0]), name


def test_a_stamp_of_a_form_that_is_not_known_still_leaves_one_frame_a_row(tmp_path, frames_c):
    path = one_row_a_frame(tmp_path / "log.csv", frames_c, time=lambda t: f"2 Mai {t:.2f} nach halb drei")
    stream = open_stream([path], unit="C")
    assert (stream.count, stream.shape, stream.clock) == (len(TIMES_S), SHAPE, None)
    assert any('(such as "2 Mai 0.00 nach halb drei") was not understood as a time' in each for each in stream.remarks)
    check(open_stream([path], unit="C", rate_hz=4.0), frames_c)


def test_the_size_is_taken_as_given_where_no_camera_has_one(tmp_path):
    rows = [",".join([f"{t}", *["22.5"] * 77]) for t in (0.0, 0.5, 1.0)]
    path = tmp_path / "odd.csv"
    path.write_text("\n".join(rows), encoding="utf-8")
    assert open_stream([path], unit="C", size_px=(11, 7)).shape == (7, 11)
    with pytest.raises(InputError, match=r"78 cells, where 9 x 6 pixels are 54"):
        open_stream([path], unit="C", size_px=(9, 6))


def test_a_table_of_a_single_frame_is_no_log(tmp_path):
    table = 22.0 + np.random.default_rng(1).random((30, 1025))
    table[:, 0] = np.arange(30)  # row numbers, and 1024 = 32 x 32 columns
    np.savetxt(tmp_path / "frame.csv", table, fmt="%.2f", delimiter=",")
    assert read_frames(tmp_path / "frame.csv", unit="C")[0].shape == (30, 1024)


@pytest.mark.parametrize("head", ["time: {t} s", "{t}", "# 2026-05-02T14:30:{t:06.3f}", "frame 3, t={t}"])
def test_blocks_under_a_time_line_are_frames(tmp_path, frames_c, head):
    path = tmp_path / "blocks.csv"
    with path.open("w") as file:
        for t, frame in zip(TIMES_S, frames_c, strict=True):
            file.write(head.format(t=t) + "\n")
            np.savetxt(file, frame, fmt="%.2f", delimiter=",")
    check(open_stream([path], unit="C"), frames_c)


def test_a_folder_takes_its_times_from_names_from_tags_or_from_a_table(tmp_path, frames_c):
    named, tagged, listed = (tmp_path / name for name in ("named", "tagged", "listed"))
    for folder in (named, tagged, listed):
        folder.mkdir()
    for number, (t, frame) in enumerate(zip(TIMES_S, frames_c, strict=True)):
        counts = np.round((frame + 273.15) * 100).astype(np.uint16)
        tifffile.imwrite(named / f"idle_20260502_143000_{round(t * 1000):03d}.tiff", counts)
        tifffile.imwrite(tagged / f"f{number}.tiff", counts, description=f"time_s: {t}")
        tifffile.imwrite(listed / f"f{number}.tiff", counts)
    table = "frame,time_s\n" + "".join(f"f{n}.tiff,{t}\n" for n, t in enumerate(TIMES_S))
    (listed / "times.csv").write_text(table, encoding="utf-8")
    for folder in (named, tagged, listed):
        check(open_stream(sorted(folder.glob("*.tiff")), unit="cK"), frames_c)
    check(open_stream(sorted(listed.glob("*.tiff")), unit="cK", times=listed / "times.csv"), frames_c)


def test_a_table_that_lacks_a_frame_says_which(tmp_path, frames_c):
    path = tmp_path / "stack.tiff"
    tifffile.imwrite(path, np.array(frames_c, dtype=np.float32), photometric="minisblack")
    (tmp_path / "t.csv").write_text("frame,time_s\n0,0\n1,1\n3,3\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"t\.csv: it has no time for frame 2;"):
        open_stream([path], unit="C", times=tmp_path / "t.csv")


def test_stacks_of_either_kind_are_read_page_by_page(tmp_path, frames_c):
    paged, flat = tmp_path / "paged.tiff", tmp_path / "flat.tiff"
    with tifffile.TiffWriter(paged) as writer:
        for t, frame in zip(TIMES_S, frames_c, strict=True):
            writer.write(frame.astype(np.float32), description=f"unit: C; time_s: {t}", metadata=None, contiguous=False)
    tifffile.imwrite(flat, np.array(frames_c, dtype=">f4"), imagej=True, metadata={"finterval": 0.25})
    check(open_stream([paged]), frames_c)
    check(open_stream([flat], unit="C"), frames_c)


@pytest.mark.parametrize("kind", ["pages", "flat", "rows", "blocks", "files"])
def test_a_stream_begins_at_any_frame(tmp_path, frames_c, kind):
    paths = [tmp_path / ("log.csv" if kind in ("rows", "blocks") else "stack.tiff")]
    if kind == "pages":
        with tifffile.TiffWriter(paths[0]) as writer:
            for frame in frames_c:
                writer.write(frame.astype(np.float32), description="unit: C", metadata=None, contiguous=False)
    elif kind == "flat":
        tifffile.imwrite(paths[0], np.array(frames_c, dtype=">f4"), imagej=True)
    elif kind == "rows":
        one_row_a_frame(paths[0], frames_c)
    elif kind == "blocks":
        rows = [[",".join(f"{v:.2f}" for v in row) for row in frame] for frame in frames_c]
        text = "\n\n".join("\n".join([f"time: {t} s", *row]) for t, row in zip(TIMES_S, rows, strict=True))
        paths[0].write_text(text + "\n", encoding="utf-8")
    else:
        paths = [tmp_path / f"f{number}.tiff" for number in range(len(frames_c))]
        for path, frame in zip(paths, frames_c, strict=True):
            tifffile.imwrite(path, frame.astype(np.float32))
    stream = open_stream(paths, unit="C", rate_hz=4.0)
    for first in range(len(frames_c) + 1):
        seen = list(stream.every(1, first=first))
        assert [frame.number for frame in seen] == list(range(first, len(frames_c)))
        assert [frame.page for frame in seen] == [0 if kind == "files" else frame.number for frame in seen]
        for frame in seen:
            np.testing.assert_allclose(frame.values, frames_c[frame.number], atol=0.006)
    assert [frame.number for frame in stream.every(2, first=1)] == [1, 3]


def test_a_long_recording_is_not_held(tmp_path):
    path, pages = tmp_path / "long.tiff", 300
    page = np.full((120, 160), 29515, np.uint16)
    with tifffile.TiffWriter(path) as writer:
        for number in range(pages):
            page[0, 0] = 29000 + number
            writer.write(page, metadata=None, contiguous=False)
    stream = open_stream([path], unit="cK", rate_hz=9.0)
    tracemalloc.start()
    count = sum(1 for _ in stream)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == pages
    # A frame is 77 kB as float32 and all of them are 23 MB: some ten frames, and what tags take.
    assert peak < 2e6


def test_a_frozen_picture_is_marked_frame_by_frame(tmp_path, frames_c):
    path = tmp_path / "frozen.tiff"
    stuck = [frames_c[0], frames_c[1], frames_c[1], frames_c[1], frames_c[2]]
    tifffile.imwrite(path, np.array(stuck, dtype=np.float32), photometric="minisblack")
    assert [frame.repeats for frame in open_stream([path], unit="C", rate_hz=4)] == [False, False, True, True, False]


def test_gaps_jumps_and_midnight_are_told():
    assert settle_clock([0.0, 1.0, 2.0, 7.0, 8.0]).gaps == ((2.0, 5.0),)
    back = settle_clock([100.0, 101.0, 102.0, 50.0, 51.0])
    assert back.times_s.tolist() == [100.0, 101.0, 102.0, 103.0, 104.0]
    assert "jumped back once, by 52 s" in back.remarks[0]
    night = settle_clock([86398.0, 86399.0, 0.0, 1.0])
    assert np.diff(night.times_s).tolist() == [1.0, 1.0, 1.0]
    assert night.remarks == ()


def test_whole_seconds_of_a_faster_recording_are_spread():
    clock = settle_clock([0, 0, 0, 1, 1, 1, 2, 2, 2])
    assert clock.times_s == pytest.approx(np.arange(9) / 3)
