"""Whatever a file holds, a reader ends with a result or an error of ours; more cases: tests/benchmarks/fuzz.py."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzzing import KEPT, READERS, attempt, seeds, spoilt
from thermscan.errors import ThermscanError

CASES = [(path.parent.name, path) for path in sorted(KEPT.glob("*/*"))]


@pytest.mark.parametrize("reader", sorted(READERS))
def test_the_files_that_cases_are_made_of_are_sound(reader, tmp_path):
    read, name = READERS[reader]
    path = tmp_path / name
    refused = []
    for seed in seeds(reader):
        path.write_bytes(seed)
        try:
            read(path)
        except ThermscanError as error:
            refused.append(str(error))
    # A run names files that are not there; a stream of counts has no unit; a side of a board may be empty.
    assert len(refused) <= {"run": 2, "stream": 2, "import": 1}.get(reader, 0), refused


@pytest.mark.parametrize("reader", sorted(READERS))
@settings(max_examples=60, deadline=None)
@given(number=st.integers(0, 2**40))
def test_a_spoilt_file_ends_in_a_result_or_an_error_of_ours(reader, number):
    attempt(reader, spoilt(reader, number))


@pytest.mark.parametrize(("reader", "path"), CASES, ids=[f"{reader}-{path.name}" for reader, path in CASES])
def test_what_once_broke_a_reader_does_so_no_more(reader, path):
    attempt(reader, path.read_bytes())
