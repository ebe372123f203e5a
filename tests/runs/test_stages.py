"""The log of a watch, as the stages of a run."""

import json
from pathlib import Path

import pytest

from thermscan.errors import InputError
from thermscan.runs.describe import run_document
from thermscan.runs.reading import read_run
from thermscan.runs.stages import read_stage_log

RAIL = {"rail": "+5 V", "volts": 5.02, "amps": 0.31}


def entry(time_s: float, *alarms: tuple[str, str, str, str]) -> dict:
    told = [{"ref": ref, "rule": rule, "level": level, "text": text} for ref, rule, level, text in alarms]
    return {"schema": "thermscan.watch/1", "file": "f.tiff", "time_s": time_s, "stage": "x", "alarms": told}


def stage(name: str | None, **more: object) -> dict:
    return {"schema": "thermscan.watch-stage/1", "stage": name, "at": "2026-05-02T14:30:00+0200", "supply": [], **more}


def write(path: Path, *entries: dict, more: str = "") -> Path:
    path.write_text("".join(json.dumps(each) + "\n" for each in entries) + more, encoding="utf-8")
    return path


LOG = (
    stage(None),
    stage("bare board", supply=[RAIL], note="voltages right"),
    entry(0.0), entry(30.0), entry(90.0),
    stage("soak", supply=[RAIL | {"amps": 1.2}]),
    entry(100.0, ("U7", "peer", "watch", "U7 warms")), entry(1000.0, ("U7", "peer", "watch", "U7 has risen")),
)  # fmt: skip


def test_each_stage_has_its_readings_its_frames_and_its_last_alarms(tmp_path):
    bare, soak = read_stage_log(write(tmp_path / "log", *LOG))
    assert (bare.stage, bare.note, bare.frames, bare.minutes, bare.alarms) == (
        "bare board",
        "voltages right",
        3,
        1.5,
        (),
    )
    assert (bare.supply[0].volts, soak.supply[0].amps) == (5.02, 1.2)
    assert (soak.frames, soak.minutes, soak.alarms) == (2, 15.0, (("watch", "U7 has risen"),))


def test_a_last_line_that_was_not_finished_is_left_out(tmp_path):
    assert read_stage_log(write(tmp_path / "log", *LOG, more='{"schema": "thermscan.wa'))[-1].frames == 2


@pytest.mark.parametrize("text", ["{}\n", "no log\n", "[" * 5000 + "\n", '{"schema": "thermscan.inspection/1"}\n'])
def test_another_file_is_refused_with_its_line(tmp_path, text):
    (tmp_path / "log").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="line 1: this is no line of a watch's log; name the file that"):
        read_stage_log(tmp_path / "log")


def test_readings_that_are_none_are_refused(tmp_path):
    with pytest.raises(InputError, match="line 1: its supply readings cannot be read"):
        read_stage_log(write(tmp_path / "log", stage("soak", supply=[{"rail": "+5 V", "volts": "much", "amps": 1}])))


def test_the_runs_document_holds_the_stages(tmp_path):
    write(tmp_path / "watch.jsonl", *LOG)
    (tmp_path / "f.tiff").write_bytes(b"II*\0")
    (tmp_path / "run.toml").write_text(
        'frames = ["f.tiff"]\nambient_c = 22\nstage_log = "watch.jsonl"\n', encoding="utf-8"
    )
    document = run_document(read_run(tmp_path / "run.toml"))
    assert document["stage_log"] == "watch.jsonl"
    assert [each["stage"] for each in document["stages"]] == ["bare board", "soak"]
    assert document["stages"][0]["supply"] == [RAIL]
    with pytest.raises(InputError, match="--stage-log: no file"):
        read_run(tmp_path / "run.toml", overrides={"stage_log": "gone"})
