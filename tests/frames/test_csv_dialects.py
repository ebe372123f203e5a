"""A field written in any dialect comes back as it was."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings

from tests.frames.dialects import dialects, fields, write
from thermscan.frames.reading import read_frames


@settings(max_examples=250, deadline=None)
@given(field=fields(), dialect=dialects())
def test_a_field_written_in_any_dialect_is_read_back_to_the_last_digit(field, dialect):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "field.csv"
        path.write_bytes(write(field, dialect))
        frames = read_frames(path, unit="C")
    assert len(frames) == 1
    np.testing.assert_array_equal(frames[0].values, field)
