"""What exports hold besides the pixels, and what must not be taken for pixels, or pixels for it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.errors import InputError
from thermscan.frames.plain_numbers import plain_rows
from thermscan.frames.reading import read_frames

NAN = float("nan")


@pytest.fixture
def read(tmp_path):
    def read_text(text, *, unit="C", encoding="utf-8"):
        path = tmp_path / "field.csv"
        path.write_bytes(text.encode(encoding))
        return read_frames(path, unit=unit)

    return read_text


@pytest.fixture
def values(read):
    def one(text, **more):
        frames = read(text, **more)
        assert len(frames) == 1
        return frames[0].values

    return one


def refusal(read, text, **more):
    with pytest.raises(InputError) as caught:
        read(text, **more)
    assert len(caught.value.lines()) == 1
    return str(caught.value)


def table(rows=4, cols=7, *, base=22.0, sep=";"):
    """Readings that rise along both axes, no two rows alike in their steps."""
    return [
        sep.join(f"{base + 0.37 * r * c + 0.11 * (c * c % 5) + 0.2 * r:.2f}" for c in range(cols)) for r in range(rows)
    ]


def test_rows_of_bad_pixels_stay_rows(values):
    text = "NaN;NaN;NaN;NaN\n22.1;22.2;22.3;22.4\n;;;\n22.5;-;22.7;22.8\nn/a;n/a;n/a;n/a\n"
    got = values(text)
    expected = [[NAN] * 4, [22.1, 22.2, 22.3, 22.4], [NAN] * 4, [22.5, NAN, 22.7, 22.8], [NAN] * 4]
    np.testing.assert_array_equal(got, expected)


def test_a_first_pixel_row_with_most_cells_empty_is_no_header(values):
    np.testing.assert_array_equal(
        values("22.5;;;23.1;\n22.1;22.2;22.3;22.4;22.5\n22.1;22.2;22.3;22.4;22.6\n")[0], [22.5, NAN, NAN, 23.1, NAN]
    )


def test_header_values_padded_to_the_tables_width_are_no_pixels(values):
    text = "Emissivity;0.95;;;;;\n0.3;;;;;;\nSize;7;4;;;;\n" + "\n".join(table())
    assert values(text).shape == (4, 7)


def test_a_line_with_the_frames_size_is_no_pixel_row(values):
    assert values("7 4\n" + "\n".join(table(sep=" "))).shape == (4, 7)
    assert values("7;4\n" + "\n".join(table())).shape == (4, 7)


def test_blank_lines_padded_to_the_tables_width_are_blank(values):
    assert values(";;;;;;\n" + "\n".join(table()) + "\n;;;;;;\n;;;;;;\n").shape == (4, 7)


def test_lines_fenced_in_by_separators_hold_no_more_pixels(values):
    rows = table(sep="|")
    np.testing.assert_array_equal(values("\n".join(f"|{row}|" for row in rows)), values("\n".join(rows)))


def test_an_old_systems_end_mark_is_no_pixel(values):
    assert values("\n".join(table()) + "\n\x1a").shape == (4, 7)


def test_row_numbers_may_run_backwards_and_column_numbers_begin_anywhere(values):
    rows = table()
    backwards = "\n".join(f"{4 - r};{row}" for r, row in enumerate(rows))
    np.testing.assert_array_equal(values(backwards), values("\n".join(rows)))
    cut_out = ";".join(str(40 + c) for c in range(7)) + "\n" + "\n".join(rows)
    np.testing.assert_array_equal(values(cut_out), values("\n".join(rows)))


def test_lines_after_the_table_are_no_pixels(values):
    text = "\n".join(table()) + "\n\nMin;22.00\nMax;31.20\nMean;25.1;;;;;\nend of frame\n"
    assert values(text).shape == (4, 7)


def test_a_first_line_that_names_the_separator_is_skipped(values):
    assert values("sep=;\n" + "\n".join(table())).shape == (4, 7)


@pytest.mark.parametrize("corner", ["0;", ";", "row;", '"";'])
def test_column_and_row_numbers_are_headings_whatever_the_corner_holds(values, corner):
    rows = table()
    text = corner + ";".join(str(c) for c in range(7)) + "\n" + "\n".join(f"{r};{row}" for r, row in enumerate(rows))
    np.testing.assert_array_equal(values(text), values("\n".join(rows)))


def test_column_numbers_may_lack_the_cell_above_the_row_numbers(values):
    rows = table(sep=" ")
    text = " ".join(str(c) for c in range(1, 8)) + "\n" + "\n".join(f"{r} {row}" for r, row in enumerate(rows, start=1))
    np.testing.assert_array_equal(values(text), values("\n".join(rows)))


def test_positions_in_millimetres_are_headings(values):
    rows = table()
    text = "mm;" + ";".join(f"{2.5 * c:.1f}" for c in range(7)) + "\n"
    text += "\n".join(f"{2.5 * r:.1f};{row}" for r, row in enumerate(rows))
    np.testing.assert_array_equal(values(text), values("\n".join(rows)))


def test_spreadsheet_letters_above_are_headings_and_state_no_unit(values):
    rows = table(cols=11)
    assert values(";".join("ABCDEFGHIJK") + "\n" + "\n".join(rows)).shape == (4, 11)


def test_a_field_that_counts_up_is_data_not_headings(values):
    counting = np.arange(20, 20 + 6 * 8).reshape(6, 8)
    np.testing.assert_array_equal(values("\n".join(",".join(map(str, row)) for row in counting)), counting)


def test_a_slope_is_data_not_headings(values):
    slope = 20.0 + np.arange(8) + 0.5 * np.arange(6)[:, None]
    np.testing.assert_array_equal(values("\n".join(",".join(map(str, row)) for row in slope)), slope)


def test_a_flat_field_under_column_numbers_keeps_all_its_rows(values):
    text = "0;1;2;3;4\n" + "22.0;22.0;22.0;22.0;22.0\n" * 4
    np.testing.assert_array_equal(values(text), np.full((4, 5), 22.0))


@pytest.mark.parametrize("label", ["Row {}:;", "Y{};", "row;{};", "y={};"])
def test_labels_at_the_left_are_left_out(values, label):
    rows = table()
    text = "\n".join(f"{label.format(r + 1)}{row}" for r, row in enumerate(rows))
    np.testing.assert_array_equal(values(text), values("\n".join(rows)))


@pytest.mark.parametrize("label", ["Row {}: ", "Row {} ", "Y{} ", "Pixel row {}: "])
def test_labels_that_blanks_split_are_left_out_too(values, label):
    rows = table(sep=" ")
    text = "\n".join(f"{label.format(r + 1)}{row}" for r, row in enumerate(rows))
    np.testing.assert_array_equal(values(text), values("\n".join(rows)))


def test_numbers_in_a_header_set_off_by_a_blank_line_are_no_short_row(values):
    assert values("2026 05 02 14 30\n\n" + "\n".join(table(sep=" "))).shape == (4, 7)


def test_whole_numbers_among_decimal_commas_are_numbers(values):
    np.testing.assert_array_equal(values("22;22,5\t\n23,5;24\n".replace("\t", "")), [[22.0, 22.5], [23.5, 24.0]])


def test_whole_numbers_after_commas_are_cells_not_decimals(values):
    np.testing.assert_array_equal(
        values("29515,29516,29517\n29518,29519,29525\n", unit="cK"), [[29515, 29516, 29517], [29518, 29519, 29525]]
    )
    assert values("29515,29516\n29518,29519\n", unit="cK").shape == (2, 2)


def test_frames_between_blank_lines_are_a_recording(read):
    frames = read("\n".join(table()) + "\n\n" + "\n".join(table(base=23.0)) + "\n")
    assert [frame.source.page for frame in frames] == [0, 1]
    assert frames[1].values[0, 0] == 23.0
    assert "2 frames of 4 rows" in " ".join(frames[0].remarks)


def test_frames_under_their_times_are_a_recording_with_times(read):
    text = "".join(f"Frame {n}; time = {n * 0.5 + 3} s\n" + "\n".join(table(base=22.0 + n)) + "\n" for n in range(3))
    frames = read(text)
    assert [frame.time_s for frame in frames] == [0.0, 0.5, 1.0]


def test_each_frame_of_a_recording_may_have_its_column_numbers(read):
    numbers = ";".join(str(c) for c in range(7))
    text = "".join(f"Frame {n}\n{numbers}\n" + "\n".join(table(base=22.0 + n)) + "\n\n" for n in range(3))
    assert [frame.shape for frame in read(text)] == [(4, 7)] * 3


def test_blocks_of_unequal_size_are_refused(read):
    text = "\n".join(table(5)) + "\n\n" + "\n".join(table(4))
    assert "blocks of unequal size (5, 4 rows)" in refusal(read, text)


def test_a_stray_blank_line_that_halves_a_frame_does_not_make_it_two(read):
    rng = np.random.default_rng(4)
    rows = [";".join(f"{value:.2f}" for value in row) for row in 22.0 + 9.0 * rng.random((12, 16))]
    (frame,) = read("\n".join(rows[:6]) + "\n\n" + "\n".join(rows[6:]))
    assert frame.shape == (12, 16)
    assert "blank lines within the table were skipped (line 7)" in frame.remarks
    assert [frame.shape for frame in read("\n".join(rows) + "\n\n" + "\n".join(reversed(rows)))] == [(12, 16)] * 2


def test_a_stray_blank_line_within_a_table_is_skipped(read):
    rows = table(12)
    (frame,) = read("\n".join(rows[:3]) + "\n\n" + "\n".join(rows[3:]))
    assert frame.shape == (12, 7)
    assert "blank lines within the table were skipped (line 4)" in frame.remarks


@pytest.mark.parametrize("row", [0, 2, 3])
def test_a_row_short_of_a_cell_is_refused_by_its_number(read, row):
    rows = table()
    rows[row] = rows[row].rpartition(";")[0]
    message = refusal(read, "Camera: bench\n" + "\n".join(rows))
    assert f"field.csv, row {row + 2}: 6 cells where the other rows have 7" in message


@pytest.mark.parametrize("kept", ["22.", "22.1;", "22.1;22.2;22"])
def test_a_file_cut_within_its_last_row_is_refused(read, kept):
    message = refusal(read, "\n".join(table()) + "\n" + kept)
    assert "field.csv, row 5: " in message
    assert "cells where the other rows have 7" in message or "1 cell where" in message


def test_numbers_too_large_to_add_up_are_no_fault_of_the_program(values):
    assert np.isnan(values("22.5;1e308;1e308\n22.5;22.6;1e308\n22.5;22.6;22.7\n")).sum() == 3


def test_text_in_all_rows_is_no_table(read):
    assert "no table of numbers" in refusal(read, "a;b;c;d;1;2\n" * 4)


def test_a_row_with_a_cell_too_many_is_refused_even_if_labelled(read):
    rows = [f"Y{r};{row}" for r, row in enumerate(table())]
    rows[2] += ";22.5"
    assert "row 3: 9 cells where the other rows have 8" in refusal(read, "\n".join(rows))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hello\n", "no table of numbers"),
        ("\n \n\t\n", "the file is blank"),
        ("22.5;22.6;22.7\n", "1 row(s) of 3 value(s), which is no frame"),
        ("22.5\n22.6\n22.7\n", "no table of numbers"),
        ("nan;nan\nnan;nan\n", "no table of numbers"),
        ("22.5 °C;72.5 °F\n22.6 °C;72.9 °F\n", "the numbers carry different units (C, F)"),
    ],
)
def test_what_is_no_frame_is_refused_in_one_line(read, text, words):
    assert words in refusal(read, text)


def test_a_table_with_marks_only_holds_no_temperature(read):
    assert "all are below absolute zero in C" in refusal(read, "-999;-999;-999\n-999;-999;-999\n")


def test_binary_rubbish_is_neither_tiff_nor_text(tmp_path):
    path = tmp_path / "field.csv"
    path.write_bytes(bytes(range(256)) * 8)
    with pytest.raises(InputError, match="neither a TIFF nor readable text"):
        read_frames(path, unit="C")


def test_three_columns_of_positions_and_values_are_put_in_place(values):
    grid = np.round(22.0 + np.random.default_rng(1).random((4, 5)), 2)
    text = "x;y;T\n" + "\n".join(f"{x};{y};{grid[y, x]}" for y in range(4) for x in range(5))
    np.testing.assert_array_equal(values(text), grid)


def test_three_columns_of_positions_without_names_are_refused(read):
    text = "\n".join(f"{x};{y};{22.0 + x + 0.3 * y}" for y in range(4) for x in range(5))
    assert "name its columns" in refusal(read, text)


def test_a_unit_behind_the_numbers_is_the_files(tmp_path):
    path = tmp_path / "field.csv"
    path.write_bytes("295,15 K;295,25 K\n295,35 K;296,15 K\n".encode("cp1252"))
    (frame,) = read_frames(path)
    assert (frame.unit, frame.unit_source) == ("K", "file")


def test_numbers_from_another_language_or_grouped_are_not_misread(values):
    # "1.234,5" groups its thousands; no dialect here has both marks, so it is a bad pixel, never 1.2345.
    got = values("22,5;22,6;22,7\n22,5;1.234,5;22,7\n22,5;22,6;22,8\n")
    assert np.isnan(got[1, 1])
    assert np.isfinite(got).sum() == 8


def test_python_only_number_spellings_are_bad_pixels(values):
    got = values("22.5;2_2.6;22.7\n22.5;infinity;22.7\n22.5;1e999;22.7\n")
    assert np.isnan(got[:, 1]).all()


@settings(max_examples=60, deadline=None)
@given(
    decimals=st.integers(0, 6),
    low=st.sampled_from([-300.0, 0.0, 20.0, 29000.0]),
    span=st.sampled_from([0.5, 30.0, 4000.0]),
    mark=st.sampled_from([".", ","]),
    odd=st.sampled_from(["", "+22.5", "1e3", ".5", "22.", "nan", "--5", "2-3", "22.55.1", "x", " 22.5"]),
    seed=st.integers(0, 99),
)
def test_plain_rows_are_read_as_python_reads_them_and_all_others_are_left(*, decimals, low, span, mark, odd, seed):
    rng = np.random.default_rng(seed)
    rows = [[f"{value:.{decimals}f}" for value in row] for row in low + span * rng.random((40, 30))]
    if odd:
        rows[7][3] = odd
    lines = [";".join(row).replace(".", mark) for row in rows]
    found = plain_rows(lines, ";", mark)
    for index, row in enumerate(rows):
        if index in found:
            assert found[index].tolist() == [float(cell) for cell in row]
        else:
            # One odd cell spoils its own row only.
            assert (index, bool(odd)) == (7, True)
    assert not odd or 7 not in found


def test_cells_within_doubled_quotes_are_no_fault_of_ours(read):
    assert "it holds no table of numbers" in refusal(read, '""23.70, 23.47""\n' * 60)


def test_more_lines_than_are_read_are_told_at_once(read, monkeypatch):
    monkeypatch.setattr("thermscan.frames.csv_text.MOST_LINES", 5)
    assert "it has 6 lines; up to 5 are read" in refusal(read, "22.5;22.6\n" * 6)
