"""A record of more than one look: the one before a repair, and what a recording tells; derived again like the rest."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile

from tests.archive.conftest import resealed, write_job
from thermscan.archive.comparing import compare_time_results
from thermscan.archive.packing import PackOptions, pack_record
from thermscan.archive.verifying import verify_record
from thermscan.cli.main import main
from thermscan.report.shown import Shown
from thermscan.runs.reading import read_run


@pytest.fixture(scope="module")
def repaired(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record of a look after a repair, with the one before it, in German."""
    folder = tmp_path_factory.mktemp("repaired")
    after, before = write_job(folder / "after"), write_job(folder / "before")
    frame = tifffile.imread(after.parent / "frame.tiff")
    frame[25:35, 18:44] -= 800  # 8 K less on U1
    tifffile.imwrite(after.parent / "frame.tiff", frame)
    options = PackOptions(before=read_run(before, overrides={}), shown=Shown("de"))
    pack_record(read_run(after, overrides={}), folder / "record", options=options)
    return folder


def test_the_look_before_is_kept_bit_for_bit_and_compared(repaired: Path) -> None:
    data = repaired / "record" / "data"
    assert (data / "before" / "frames" / "frame.tiff").read_bytes() == (repaired / "before" / "frame.tiff").read_bytes()
    assert (data / "frames" / "frame.tiff").read_bytes() == (repaired / "after" / "frame.tiff").read_bytes()
    changes = json.loads((data / "report" / "results.json").read_text())["before"]["changes"]
    assert [each["ref"] for each in changes] == ["U1", "U2"]
    assert json.loads((data / "record.json").read_text())["derive_again"].endswith("--before before/run.toml")
    page = (data / "report" / "report.html").read_text(encoding="utf-8")
    assert '<html lang="de">' in page
    assert 'id="view-before"' in page
    assert str(repaired).encode() not in b"".join(file.read_bytes() for file in data.rglob("*") if file.is_file())
    assert verify_record(repaired / "record").rederived.state == "same"


def test_a_look_before_that_says_something_else_shows_in_what_is_derived_again(repaired: Path, tmp_path: Path) -> None:
    record = Path(shutil.copytree(repaired / "record", tmp_path / "record"))
    results = record / "data" / "report" / "results.json"
    document = json.loads(results.read_text())
    document["before"]["changes"][0]["was"] = "cold"
    results.write_text(json.dumps(document))
    resealed(record)
    (difference,) = verify_record(record).rederived.differences
    assert (difference.what, difference.was) == ("U1 since before was", "cold")


def test_a_record_that_names_a_look_before_outside_itself_is_not_followed(repaired: Path, tmp_path: Path) -> None:
    record = Path(shutil.copytree(repaired / "record", tmp_path / "record"))
    run = record / "data" / "before" / "run.toml"
    run.write_text(run.read_text().replace("frames/frame.tiff", "../../../../secret.tiff"))
    resealed(record)
    again = verify_record(record).rederived
    assert again.state == "not tried"
    assert "outside the record" in (again.reason or "")


def test_a_baseline_that_is_none_is_told_by_the_users_own_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = write_job(tmp_path / "job")
    (tmp_path / "text.txt").write_text("known good")
    out = tmp_path / "record"
    assert main(["record", "pack", str(run), "--baseline", str(tmp_path / "text.txt"), "--out", str(out)]) == 2
    said = capsys.readouterr().err
    assert "text.txt: " in said
    assert "baseline.json" not in said
    assert not out.exists()


def test_where_the_heat_enters_is_kept_and_derived_again(tmp_path: Path) -> None:
    run_file = write_job(tmp_path / "job")
    powered = tifffile.imread(run_file.parent / "frame.tiff")
    off = powered + np.round(np.random.default_rng(8).normal(0.0, 5.0, powered.shape)).astype(np.int64)  # 50 mK
    off[25:35, 18:44] -= 1200  # without power U1 is as warm as the board
    off = off.astype(np.uint16)
    tifffile.imwrite(run_file.parent / "off.tiff", off)
    run = read_run(run_file, overrides={"off_frames": [str(run_file.parent / "off.tiff")]})
    pack_record(run, tmp_path / "record", options=PackOptions(report=False, also=("locate",)))
    kept = tmp_path / "record" / "data" / "report" / "locate.json"
    document = json.loads(kept.read_text())
    assert document["schema"] == "thermscan.locate/1"
    assert document["sources"][0]["ref"] == "U1"
    assert str(tmp_path) not in kept.read_text()
    assert verify_record(tmp_path / "record").rederived.state == "same"
    other = json.loads(kept.read_text())
    other["sources"][0]["watts"] *= 1.02
    (difference,) = compare_time_results("locate", document, other)
    assert difference.what == "locate source 1 watts"


def test_a_still_frame_is_no_recording_and_nothing_is_left(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = write_job(tmp_path / "job")
    out = tmp_path / "record"
    assert main(["record", "pack", str(run), "--with", "warmup", "--out", str(out)]) in {2, 3}
    assert "Traceback" not in capsys.readouterr().err
    assert not out.exists()
    assert np.all([not path.name.startswith(".thermscan") for path in tmp_path.iterdir()])
