"""What goes into a record: everything, bit for bit, always the same bytes, and it stands alone."""

from __future__ import annotations

import json
import os
import shutil
import zipfile
from pathlib import Path

import bagit
import numpy as np
import pytest
import tifffile
from rocrate.rocrate import ROCrate

from tests.archive.conftest import write_job
from thermscan.archive.packing import PackOptions, made_at, pack_record
from thermscan.archive.verifying import verify_record
from thermscan.cli.main import main
from thermscan.errors import InputError
from thermscan.runs.reading import read_run


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_inputs_are_in_the_record_bit_for_bit(packed):
    for name, place in (
        ("frame.tiff", "frames/frame.tiff"),
        ("board.toml", "layout/board.toml"),
        ("parts.csv", "layout/parts.csv"),
        ("run.toml", "as-given/run.toml"),
    ):
        assert (packed / "record" / "data" / place).read_bytes() == (packed / "job" / name).read_bytes()
    assert (packed / "record" / "data" / "photos" / "photo.png").read_bytes() == b"a photo"


def test_the_reference_validator_accepts_the_record(packed):
    for name in ("record", "signed"):
        bag = bagit.Bag(str(packed / name))
        bag.validate()
        assert bag.version_info == (1, 0)
        assert bag.info["Bagging-Date"] == "2026-05-02"


def test_the_reference_validator_accepts_what_the_zip_holds(packed, tmp_path):
    with zipfile.ZipFile(packed / "record.zip") as archive:
        archive.extractall(tmp_path)
    (top,) = tmp_path.iterdir()
    bagit.Bag(str(top)).validate()
    assert files_of(top) == files_of(packed / "record")


def test_an_ro_crate_reader_finds_every_file_described(packed):
    crate = ROCrate(str(packed / "record" / "data"))
    described = {entity.id for entity in crate.data_entities}
    there = set(files_of(packed / "record" / "data")) - {"ro-crate-metadata.json"}
    assert described == there
    graph = json.loads((packed / "record" / "data" / "ro-crate-metadata.json").read_text())["@graph"]
    by_id = {entity["@id"]: entity for entity in graph}
    # RO-Crate 1.1, "Root Data Entity": these must be there.
    assert by_id["ro-crate-metadata.json"]["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.1"}
    assert {"name", "description", "datePublished", "license"} <= set(by_id["./"])
    assert by_id["#board"]["serialNumber"] == "0042"
    assert by_id["#operator"]["name"] == "R. Example"


def test_kelvin_frames_are_read_by_anything_and_agree(packed):
    raw = tifffile.imread(packed / "job" / "frame.tiff")
    kelvin = tifffile.imread(packed / "record" / "data" / "kelvin" / "frame.tiff")
    text = np.loadtxt(packed / "record" / "data" / "kelvin" / "frame.csv", delimiter=",", dtype=np.float32)
    assert kelvin.dtype == np.float32
    assert np.array_equal(kelvin, (raw / 100.0).astype(np.float32))
    assert np.array_equal(text, kelvin)


def test_packing_twice_gives_the_same_bytes_report_included(tmp_path):
    run_file = write_job(tmp_path / "job")
    elsewhere = Path(shutil.copytree(tmp_path / "job", tmp_path / "another" / "place")) / "run.toml"
    for number, file in enumerate((run_file, elsewhere)):
        run = read_run(file, overrides={})
        pack_record(run, tmp_path / f"{number}.zip", options=PackOptions())
    one, other = (tmp_path / f"{number}.zip" for number in (0, 1))
    assert one.read_bytes() == other.read_bytes()
    with zipfile.ZipFile(one) as archive:
        names = [name.partition("/")[2] for name in archive.namelist()]
        assert "data/report/report.pdf" in names
        together = b"".join(archive.read(name) for name in archive.namelist())
    # Nothing tells of the machine that packed it.
    assert str(tmp_path).encode() not in together


def test_the_time_is_the_epoch_given_else_the_runs_else_the_newest_frames(job, monkeypatch):
    run = read_run(job, overrides={})
    assert made_at(run).isoformat() == "2026-05-02T14:30:00+00:00"
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1000000000")
    # 10^9 seconds after 1970: 2001-09-09 01:46:40 UTC.
    assert made_at(run).isoformat() == "2001-09-09T01:46:40+00:00"
    monkeypatch.delenv("SOURCE_DATE_EPOCH")
    job.write_text(job.read_text().replace("taken", "# taken"))
    os.utime(job.parent / "frame.tiff", (1000000000, 1000000000))
    assert made_at(read_run(job, overrides={})).year == 2001


def test_a_record_needs_nothing_but_itself(packed, tmp_path):
    moved = Path(shutil.copytree(packed / "record", tmp_path / "moved"))
    (tmp_path / "bench.toml").write_text("ambient_c = -20.0\n")  # a bench above it is not this record's
    assert verify_record(moved).rederived.state == "same"


def test_habits_of_the_bench_are_kept_and_those_of_another_bench_are_not_taken(job, tmp_path, capsys):
    text = job.read_text()
    job.write_text(text.replace('unit = "cK"', "").replace("ambient_c = 23.0", ""))
    (job.parent / "bench.toml").write_text('ambient_c = 23.0\nunit = "cK"\n')
    assert main(["record", "pack", str(job), "--out", str(tmp_path / "r"), "--no-report"]) == 0
    data = tmp_path / "r" / "data"
    assert (data / "as-given" / "bench.toml").read_bytes() == (job.parent / "bench.toml").read_bytes()
    assert json.loads((data / "report" / "results.json").read_text())["run"]["sources"]["ambient_c"] == (
        "as-given/bench.toml"
    )
    (tmp_path / "bench.toml").write_text("ambient_c = -20.0\n")
    assert verify_record(tmp_path / "r").rederived.state == "same"
    capsys.readouterr()


def test_an_existing_record_is_refused_and_left_as_it_is(packed, job, capsys):
    before = (packed / "record.zip").read_bytes()
    assert main(["record", "pack", str(job), "--out", str(packed / "record.zip")]) == 2
    assert "never replaced" in capsys.readouterr().err
    assert (packed / "record.zip").read_bytes() == before


def test_a_fault_is_told_in_the_users_own_names_and_leaves_nothing(job, capsys):
    (job.parent / "frame.tiff").write_bytes(b"II*\0 not a picture")
    before = sorted(job.parent.iterdir())
    assert main(["record", "pack", str(job), "--out", str(job.parent / "new")]) == 2
    said = capsys.readouterr()
    assert str(job.parent / "frame.tiff") in said.err
    assert ".part" not in said.err
    assert said.err.count("\n") == 1
    assert sorted(job.parent.iterdir()) == before


def test_a_run_that_cannot_be_judged_is_packed_with_the_reason(job, capsys):
    flat = np.full((60, 80), 29615, dtype=np.uint16)
    flat += np.random.default_rng(1).integers(0, 10, flat.shape, dtype=np.uint16)
    tifffile.imwrite(job.parent / "frame.tiff", flat)
    job.write_text(job.read_text().replace("corners_px", "# corners_px"))
    assert main(["record", "pack", str(job), "--out", str(job.parent / "new"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "thermscan.record/1"
    assert document["overall"] == "undecided"
    assert "corners" in document["refusal"]
    assert verify_record(job.parent / "new").rederived.state == "same"


def test_odd_names_and_texts_do_no_harm(tmp_path):
    """Names that some systems refuse, control characters, markup, and right-to-left text."""
    run_file = write_job(tmp_path / "job")
    odd = 'aux: 50% <b>"Größe"\u202e.tiff'
    (tmp_path / "job" / "frame.tiff").rename(tmp_path / "job" / odd)
    note = "=1+1 <script>\\u202e {{x}} - y: z"
    text = run_file.read_text().replace('"frame.tiff"', f"'{odd}'")
    run_file.write_text(f'note = "{note}"\n{text}', encoding="utf-8")
    run = read_run(run_file, overrides={"board_serial": "a: b"})
    pack_record(run, tmp_path / "record", options=PackOptions(report=False))
    names = files_of(tmp_path / "record")
    assert not [name for name in names if set(name) & set('<>:"%\u202e')]
    bagit.Bag(str(tmp_path / "record")).validate()
    assert verify_record(tmp_path / "record").rederived.state == "same"
    assert b"\x1b" not in names["bag-info.txt"] + names["manifest-sha512.txt"]


def test_a_run_with_a_baseline_keeps_it_and_the_exact_command(job, tmp_path, capsys):
    good = tmp_path / "good.json"
    assert main(["baseline", str(job), "--out", str(good)]) == 0
    words = ["record", "pack", str(job), "--baseline", str(good), "--no-report"]
    assert main([*words, "--out", str(tmp_path / "a")]) == 0
    contents = json.loads((tmp_path / "a" / "data" / "record.json").read_text())
    assert contents["command"] == ["thermscan", *words, "--out", "RECORD"]
    assert (contents["overall"], contents["flagged"]) == ("act", ["U1"])
    assert (tmp_path / "a" / "data" / contents["baseline"]).read_bytes() == good.read_bytes()
    assert verify_record(tmp_path / "a").rederived.state == "same"
    capsys.readouterr()


def test_an_input_that_is_missing_is_told_before_anything_is_written(job):
    run = read_run(job, overrides={})
    with pytest.raises(InputError, match="no such file"):
        pack_record(run, job.parent / "new", options=PackOptions(photos=[job.parent / "none.png"]))
    assert not (job.parent / "new").exists()


def test_pipes_and_folders_named_as_keys_photos_and_notes_are_refused_without_being_opened(packed, tmp_path, capsys):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)  # opening it would wait for ever
    run, out = str(packed / "job" / "run.toml"), tmp_path / "new"
    for option in ("--sign", "--photo", "--attach"):
        assert main(["record", "pack", run, "--out", str(out), "--no-report", option, str(pipe)]) == 2
        assert f"{pipe}: this is not a regular file" in capsys.readouterr().err
    assert main(["record", "verify", str(packed / "record"), "--no-derive", "--key", str(pipe)]) == 2
    assert f"{pipe}: this is not a regular file" in capsys.readouterr().err
    assert main(["record", "pack", run, "--out", str(out), "--no-report", "--attach", str(tmp_path)]) == 2
    assert "is a folder; name the file in it" in capsys.readouterr().err
    assert not out.exists()


def test_a_frame_that_cannot_be_read_is_named_as_the_user_names_it(packed, tmp_path, capsys, monkeypatch):
    job = shutil.copytree(packed / "job", tmp_path / "job")
    (job / "frame.tiff").write_text("no frame", encoding="utf-8")
    monkeypatch.chdir(job)
    assert main(["record", "pack", "run.toml", "--out", "new", "--no-report"]) == 2
    assert capsys.readouterr().err.startswith(f"{job / 'frame.tiff'}: ")
