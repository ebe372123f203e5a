"""``inspect --out`` and ``--json`` through the real command: the files, their agreement, and what is left alone."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner, Result

from tests.report.built_inspections import build_inspection
from thermscan.cli.main import main, thermscan
from thermscan.report.results import results_schema
from thermscan.resources import data_path

RUN = str(data_path("samples", "departure_display") / "shorted-latch.toml")


@pytest.fixture(scope="module")
def inspected(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """The whole pipeline, once."""
    out = tmp_path_factory.mktemp("inspected") / "report"
    arguments = ["inspect", RUN, "--json", "--out", str(out)]
    return out, CliRunner().invoke(thermscan, arguments, standalone_mode=False)


def test_the_sample_with_a_shorted_part_is_something_to_act_on(inspected: tuple[Path, Result]) -> None:
    _, result = inspected
    assert result.exception is None
    assert result.return_value == 1
    assert json.loads(result.stdout)["overall"] == "act"


def test_what_is_printed_is_what_is_written(inspected: tuple[Path, Result]) -> None:
    out, result = inspected
    assert json.loads(result.stdout) == json.loads((out / "results.json").read_text(encoding="utf-8"))


def test_the_printed_document_meets_the_schema(inspected: tuple[Path, Result]) -> None:
    jsonschema.Draft202012Validator(results_schema()).validate(json.loads(inspected[1].stdout))


def test_the_table_has_the_documents_parts_in_its_order(inspected: tuple[Path, Result]) -> None:
    out, result = inspected
    with (out / "parts.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    parts = json.loads(result.stdout)["parts"]
    assert [(row["ref"], row["verdict"]) for row in rows] == [(part["ref"], part["verdict"]) for part in parts]


def test_the_report_is_there_with_its_pictures(inspected: tuple[Path, Result]) -> None:
    out, _ = inspected
    names = {path.name for path in out.iterdir()}
    assert {"report.pdf", "annotated-frame.png", "rectified-board.png", "registration-check.png"} <= names
    assert not [name for name in names if name.endswith(".part")]


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> None:
    """The command with a pipeline that is done already: these tests are about what follows it."""
    inspection = build_inspection(6, flagged=2, shape=(24, 32), baseline=False)
    monkeypatch.setattr("thermscan.inspection.inspect_run", lambda *_, **__: inspection)


@pytest.mark.usefixtures("built")
def test_without_json_the_summary_goes_to_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", RUN]) == 1
    said = capsys.readouterr()
    assert said.out.startswith("Overall: act.")
    assert said.out.rstrip().splitlines()[-1].startswith("Caution:")


@pytest.mark.usefixtures("built")
def test_a_report_in_a_folder_of_others_leaves_their_files_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    assert main(["inspect", RUN, "--out", str(tmp_path)]) == 1
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert (tmp_path / "report.pdf").is_file()


@pytest.mark.usefixtures("built")
def test_the_registration_check_is_one_picture_and_no_report(tmp_path: Path) -> None:
    picture = tmp_path / "check.png"
    assert main(["inspect", RUN, "--show-registration", str(picture)]) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["check.png"]
    assert picture.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("name", "words"), [("check.pdf", "does not end in .png"), ("no/check.png", "its folder is not there")]
)
@pytest.mark.usefixtures("built")
def test_a_place_where_no_picture_can_be_is_one_line_and_status_2(
    name: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["inspect", RUN, "--show-registration", str(tmp_path / name)]) == 2
    said = capsys.readouterr()
    assert words in said.err
    assert said.err.count("\n") == 1


@pytest.mark.usefixtures("built")
def test_a_file_in_the_reports_place_is_one_line_and_status_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "report").write_text("a file")
    assert main(["inspect", RUN, "--json", "--out", str(tmp_path / "report")]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith(f"{tmp_path / 'report'}: this is a file, not a folder; ")
    assert said.err.count("\n") == 1
