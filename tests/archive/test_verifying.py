"""What ``record verify`` says of an intact record: the same or not, which number, which version, whose signature."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path

import bagit
import pytest

from tests.archive.conftest import resealed
from thermscan.archive import rederiving, verifying
from thermscan.archive.comparing import TEMPERATURE_TOLERANCE_K, compare_results
from thermscan.archive.signing import read_public_key
from thermscan.archive.verifying import verification_lines, verify_record
from thermscan.cli.main import main
from thermscan.errors import InputError

RESULTS = "data/report/results.json"


def with_results(record: Path, change) -> Path:
    """A record whose result says something else, with manifests that fit: as if another version had computed it."""
    document = json.loads((record / RESULTS).read_text())
    change(document)
    (record / RESULTS).write_text(json.dumps(document))
    contents = json.loads((record / "data" / "record.json").read_text())
    contents["software"]["thermscan"] = "0.0.7"
    (record / "data" / "record.json").write_text(json.dumps(contents))
    return resealed(record)


def test_a_number_that_differs_is_named_with_what_it_was_and_which_version_said_so(record, capsys):
    def warmer(document):
        document["parts"][1]["mean_c"] += 0.05

    place = with_results(record, warmer)
    assert main(["record", "verify", str(place), "--json"]) == 1
    (bag,) = json.loads(capsys.readouterr().out)["bags"]
    (difference,) = bag["differences"]
    assert (bag["intact"], bag["rederived"], difference["what"]) == (True, "differs", "U2 mean_c")
    assert difference["was"] - difference["is"] == pytest.approx(0.05, abs=1e-9)
    assert next(each for each in bag["software_changed"] if each["name"] == "thermscan")["was"] == "0.0.7"
    assert main(["record", "verify", str(place)]) == 1
    said = capsys.readouterr().out
    assert "U2 mean_c: was " in said
    assert "thermscan 0.0.7 then" in said


def test_a_number_within_its_tolerance_is_the_same(record):
    def hardly_warmer(document):
        document["parts"][1]["mean_c"] += 0.9 * TEMPERATURE_TOLERANCE_K

    assert verify_record(with_results(record, hardly_warmer)).rederived.state == "same"


def test_verdicts_and_findings_are_compared_as_words():
    was = {"overall": "act", "findings": [{"ref": "U7", "rule": "limit", "direction": "hot", "level": "act"}]}
    now = {"overall": "clear", "findings": []}
    assert [(each.what, each.was, each.now) for each in compare_results(was, now)] == [
        ("overall", "act", "clear"),
        ("U7 limit finding (hot)", "there", None),
    ]


def test_a_value_that_became_unknown_differs():
    was, now = ({"overall": "clear", "parts": [{"ref": "U7", "mean_c": value}]} for value in (40.0, None))
    assert [each.what for each in compare_results(was, now)] == ["U7 mean_c"]


def test_a_table_that_changed_since_is_named(packed, monkeypatch):
    monkeypatch.setattr(rederiving, "table_digests", lambda: {"emissivity.csv": "0" * 64})
    assert "emissivity.csv" in verify_record(packed / "record").rederived.tables


def test_verifying_leaves_no_trace(packed, tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path / "t"))
    (tmp_path / "t").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", None)
    before = sorted(str(path) for path in packed.rglob("*"))
    assert verify_record(packed / "record.zip").rederived.state == "same"
    assert sorted(str(path) for path in packed.rglob("*")) == before
    assert list((tmp_path / "t").iterdir()) == []


def test_who_signed_is_good_unknown_or_none(packed, tmp_path, capsys):
    main(["record", "key", str(tmp_path / "other.key")])
    own, other = (read_public_key(path) for path in (packed / "bench.key.pub", tmp_path / "other.key.pub"))

    def state(name: str, *keys: object) -> str:
        return verify_record(packed / name, keys=keys, derive=False).signature

    assert state("signed", own) == "good"
    assert state("signed", other, own) == "good"
    assert state("signed", other) == "unknown key"
    assert state("signed") == "unknown key"
    assert state("record", own) == "none"
    # A key that is asked for and not there is a fault only where it is asked for.
    arguments = ["record", "verify", str(packed / "signed"), "--no-derive", "--key", str(tmp_path / "other.key.pub")]
    assert main(arguments) == 0
    assert "not among those given" in capsys.readouterr().out
    assert main([*arguments, "--need-signature"]) == 2


def test_the_private_key_is_for_its_owner_alone_and_never_replaced(packed, capsys):
    key = packed / "bench.key"
    assert key.stat().st_mode & 0o077 == 0
    before = key.read_bytes()
    assert main(["record", "key", str(key)]) == 2
    assert "never replaced" in capsys.readouterr().err
    assert key.read_bytes() == before


def test_a_file_that_is_no_key_is_told_in_one_line(packed, job, capsys):
    assert main(["record", "verify", str(packed / "signed"), "--key", str(job)]) == 2
    assert main(["record", "pack", str(job), "--out", str(job.parent / "r"), "--sign", str(job)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 2
    assert not (job.parent / "r").exists()


def test_a_good_record_does_not_hide_a_missing_one(packed, capsys):
    status = main(["record", "verify", str(packed / "none.zip"), str(packed / "record"), "--no-derive", "--json"])
    said = capsys.readouterr()
    assert status == 2
    assert "no such record" in said.err
    assert [bag["intact"] for bag in json.loads(said.out)["bags"]] == [True]


def test_a_result_that_today_is_refused_differs(packed, monkeypatch):
    def refuse(*_, **__):
        raise InputError("no longer read", where="frames/frame.tiff")

    monkeypatch.setattr(rederiving, "inspect_run", refuse)
    verification = verify_record(packed / "record")
    assert verification.exit_status == 1
    (difference,) = verification.rederived.differences
    assert (difference.what, difference.was) == ("result", "act")
    assert "no longer read" in difference.now


def test_a_folder_that_is_no_record_is_not_derived_and_says_why(tmp_path):
    shutil.copytree(Path(__file__).parent, tmp_path / "files")
    bag = bagit.make_bag(str(tmp_path / "files"), checksums=["sha512"])
    verification = verify_record(Path(bag.path))
    assert verification.exit_status == 0
    assert "no thermscan record" in "\n".join(verification_lines(verification))
    assert verifying.verification_document([verification])["bags"][0]["reason"].startswith("this bag is no")
