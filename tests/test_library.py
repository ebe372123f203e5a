"""`import thermscan`: quick, lazy, and enough for a notebook."""

from __future__ import annotations

import dataclasses
import pickle
import subprocess
import sys

import numpy as np
import pytest

import thermscan
from thermscan.resources import data_path

SAMPLE = data_path("samples", "departure_display")


@pytest.fixture(scope="module")
def inspection() -> thermscan.Inspection:
    return thermscan.inspect_run(thermscan.read_run(SAMPLE / "shorted-latch.toml"))


def test_every_public_name_is_there_and_documented() -> None:
    for name in thermscan.__all__:
        assert getattr(thermscan, name).__doc__, name
    assert set(thermscan.__all__) <= set(dir(thermscan))
    with pytest.raises(AttributeError, match="no attribute 'inspekt'"):
        thermscan.inspekt  # noqa: B018 - the look-up is what is tested


def test_importing_it_loads_neither_scipy_nor_matplotlib() -> None:
    code = "import sys, thermscan; print([n for n in ('scipy', 'matplotlib', 'numpy', 'cv2') if n in sys.modules])"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


def test_one_part_is_had_by_its_ref(inspection: thermscan.Inspection) -> None:
    latch = inspection["U15"]
    assert (latch.part.ref, latch.verdict.verdict) == ("U15", "hot")
    assert latch.measurement is inspection.judgement["U15"].measurement
    assert {finding.ref for finding in latch.findings} == {"U15"}
    for look_up in (inspection, inspection.judgement):
        with pytest.raises(KeyError, match="no part U155; did you mean U15"):
            look_up["U155"]


def test_the_table_has_one_row_a_part_in_the_layouts_order(inspection: thermscan.Inspection) -> None:
    table = inspection.table()
    assert table["ref"] == [part.ref for part in inspection.board.parts]
    assert {len(column) for column in table.values()} == {len(inspection.board.parts)}
    row = table["ref"].index("U15")
    assert table["mean_c"][row] == inspection["U15"].measurement.mean_c
    assert table["verdict"][row] == "hot"
    unmeasured = table["measurable"].index(False)
    assert table["mean_c"][unmeasured] is None
    assert table["reason"][unmeasured]


def test_representations_fit_one_short_line(inspection: thermscan.Inspection) -> None:
    shown = [
        inspection,
        inspection.run,
        inspection.board,
        inspection.camera,
        inspection.frames[0],
        inspection.image,
        inspection.registration,
        inspection.judgement,
        inspection["U15"],
        inspection["U15"].measurement,
        inspection["U15"].verdict,
    ]
    for each in shown:
        assert len(repr(each)) <= 100
        assert "\n" not in repr(each)
    assert "act" in repr(inspection)


def test_results_are_frozen_before_and_after_they_were_pickled(inspection: thermscan.Inspection) -> None:
    again = pickle.loads(pickle.dumps(inspection))
    assert again.table() == inspection.table()
    for each in (inspection, again):
        with pytest.raises(dataclasses.FrozenInstanceError):
            each.judgement = None
        for array in (each.image.apparent_c, each.registration.px_from_mm, each.rectified.apparent_c):
            with pytest.raises(ValueError, match="read-only"):
                array[0, 0] = 0.0
    assert np.array_equal(again.image.apparent_c, inspection.image.apparent_c, equal_nan=True)
    assert dict(again.registration.heights) == dict(inspection.registration.heights)


def test_a_notebook_shows_the_board(inspection: thermscan.Inspection) -> None:
    html = inspection._repr_html_()
    assert html.startswith('<figure><img src="data:image/png;base64,iVBOR')
    assert "U15" in html


def test_frames_are_inspected_without_a_run_file(inspection: thermscan.Inspection) -> None:
    found = thermscan.inspect_frames(
        str(SAMPLE / "shorted-latch.tiff"), layout=str(SAMPLE / "board.toml"), ambient_c=22.0
    )
    assert found["U15"].verdict.verdict == "hot"
    assert found["U15"].measurement.mean_c == pytest.approx(inspection["U15"].measurement.mean_c)


def test_files_are_read_by_name_as_well_as_by_path() -> None:
    board = thermscan.read_board(str(SAMPLE / "board.toml"))
    assert thermscan.read_frames(str(SAMPLE / "good-1.tiff"))[0].unit == "cK"
    assert thermscan.read_run(str(SAMPLE / "good-1.toml")).ambient_c == 22.4
    camera = data_path("calibration", "cameras", "generic-160x120.toml")
    assert thermscan.read_camera(str(camera)).pixels == (160, 120)
    assert len(board.parts) > 30
    with pytest.raises(thermscan.InputError, match=r"none\.json"):
        thermscan.read_baseline("none.json")
