"""A field written in any dialect comes back as it was."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.frames.dialects import dialects, fields, write
from thermscan.errors import InputError
from thermscan.frames.reading import read_frames
from thermscan.frames.text_dialect import Dialect, _row_score, _sniffed, decode_text, no_reading


@settings(max_examples=250, deadline=None)
@given(field=fields(), dialect=dialects())
def test_a_field_written_in_any_dialect_is_read_back_to_the_last_digit(field, dialect):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "field.csv"
        path.write_bytes(write(field, dialect))
        frames = read_frames(path, unit="C")
    assert len(frames) == 1
    np.testing.assert_array_equal(frames[0].values, field)


def _cells():
    return st.lists(st.text("0123456789.,eE+-nax#<", max_size=5), min_size=2, max_size=6)


@settings(max_examples=400, deadline=None)
@given(cells=_cells(), decimal=st.sampled_from(".,"))
@example(cells=["1", "22.5", "nan", "word"], decimal=".")
@example(cells=["1e5", "22,5", ",5", "-3,"], decimal=",")
@example(cells=["1#", "<2", "--"], decimal=".")
def test_cells_that_are_looked_at_together_count_as_one_by_one(cells, decimal):
    told = _sniffed(";".join(cells), ";")
    held = [cell for cell in cells if not no_reading(cell)]
    numbers = sum(Dialect(";", decimal).number(cell) is not None for cell in held)
    assert told.width == len(cells)
    assert list(told.cells) == held
    assert _row_score(told, decimal) == max(numbers - 3.0 * max(len(held) - numbers - 1, 0), 0.0)


def test_a_word_behind_many_long_numbers_is_told():
    # Each of them can be split in a dozen ways: were each tried anew for every other, this test would never end.
    line = ";".join(["123456789012"] * 39 + ["word"])
    assert _row_score(_sniffed(line, ";"), ".") == 39.0


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
def test_a_control_character_anywhere_is_no_text(encoding):
    plain = "22.5;23.1\t\r\n" * 2000
    assert decode_text(f"{plain}é\x1a\x1a".encode(encoding), where="a.csv") == f"{plain}é"
    for control in "\x00\x07\x0e\x1b\x1f":
        with pytest.raises(InputError, match="neither a TIFF nor readable text"):
            decode_text(f"{plain}é{control}{plain}".encode(encoding), where="a.csv")
