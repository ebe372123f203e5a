"""What the simulator writes, thermscan reads back."""

import numpy as np
import pytest

from samples.simulator import sample_board, write_csv, write_layout, write_tiff
from thermscan.frames.reading import read_frames
from thermscan.frames.units import celsius
from thermscan.layout.reading import read_board

FRAME_C = 20.0 + np.arange(12 * 16, dtype=float).reshape(12, 16) / 7


def read_back(path, unit=None):
    frames = read_frames(path, unit=unit, ambient_c=22.0)
    return [celsius(frame.values, frame.unit) for frame in frames], frames


# Half of the stored step.
@pytest.mark.parametrize(("unit", "step_k"), [("cK", 0.005), ("dK", 0.05), ("C", 1e-5), ("K", 2e-5)])
def test_a_tiff_comes_back_in_the_unit_that_it_states(tmp_path, unit, step_k):
    write_tiff(tmp_path / "a.tiff", [FRAME_C, FRAME_C + 1], unit=unit, times_s=[0.0, 1.5])
    values, frames = read_back(tmp_path / "a.tiff")
    assert len(values) == 2
    assert values[1] == pytest.approx(FRAME_C + 1, abs=step_k * 1.01)
    assert {frame.unit_source for frame in frames} == {"file"}
    assert [frame.time_s for frame in frames] == [0.0, 1.5]


@pytest.mark.parametrize(
    "dialect",
    [
        {"separator": ","},
        {"separator": ";", "decimal": ","},
        {"separator": "\t", "indices": True},
        {"separator": ";", "header": ["Temperatures [°C]", ""], "indices": True},
        {"separator": ";", "decimal": ",", "encoding": "utf-16"},
        {"separator": ",", "header": ["bench camera, deg C"], "encoding": "latin-1"},
    ],
)
def test_a_csv_comes_back_from_any_dialect(tmp_path, dialect):
    write_csv(tmp_path / "a.csv", FRAME_C, **dialect)
    values, _ = read_back(tmp_path / "a.csv", unit="C")
    assert values[0] == pytest.approx(FRAME_C, abs=0.0051)


def test_a_unit_that_cannot_be_written_is_refused(tmp_path):
    with pytest.raises(ValueError, match="no such unit"):
        write_tiff(tmp_path / "a.tiff", [FRAME_C], unit="F")


@pytest.mark.parametrize("seed", range(3))
def test_a_layout_comes_back_with_its_geometry(tmp_path, seed):
    board = sample_board(np.random.default_rng(seed), parts=25)
    read = read_board(write_layout(tmp_path, board))
    assert np.asarray(read.outline_mm) == pytest.approx(np.asarray(board.outline_mm), abs=1e-3)
    for part, wanted in zip(read.parts, board.parts, strict=True):
        assert part.corners_mm() == pytest.approx(wanted.corners_mm())
        assert (part.ref, part.group, part.height_mm) == (wanted.ref, wanted.group, wanted.height_mm)
        assert part.surface.name == wanted.surface.name
