"""``inspect --out`` and ``--json`` through the real command: the files, their agreement, and what is left alone."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner, Result
from pypdf import PdfReader

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
    with (out / "results.csv").open(encoding="utf-8", newline="") as file:
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


MINE = {"notes.txt": "mine", "parts.csv": "ref,x_mm\nU1,3\n", "board.toml": "[board]\n"}


@pytest.fixture(scope="module")
def reported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of someone else's files, with the report of `built` in it."""
    folder = tmp_path_factory.mktemp("reported")
    for name, text in MINE.items():
        (folder / name).write_text(text)
    with pytest.MonkeyPatch.context() as patch:
        inspection = build_inspection(6, flagged=2, shape=(24, 32), baseline=False)
        patch.setattr("thermscan.inspection.inspect_run", lambda *_, **__: inspection)
        assert main(["inspect", RUN, "--out", str(folder)]) == 1
    return folder


def test_a_report_in_a_folder_of_others_leaves_their_files_alone(reported: Path) -> None:
    assert {name: (reported / name).read_text() for name in MINE} == MINE
    assert (reported / "report.pdf").is_file()


@pytest.mark.usefixtures("built")
def test_the_registration_check_is_one_picture_and_no_report(tmp_path: Path) -> None:
    picture = tmp_path / "check.png"
    assert main(["inspect", RUN, "--show-registration", str(picture)]) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["check.png"]
    assert picture.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("name", "words"), [("check.pdf", "does not end in .png"), ("no/check.png", "No such file or directory")]
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


@pytest.mark.usefixtures("built")
def test_a_file_of_the_users_under_a_reports_name_is_one_line_and_status_2_before_any_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("thermscan.inspection.inspect_run", None)
    (tmp_path / "results.csv").write_text("mine")
    assert main(["inspect", RUN, "--out", str(tmp_path)]) == 2
    said = capsys.readouterr()
    assert "there is a results.csv that thermscan did not write" in said.err
    assert said.err.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["results.csv"]


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The sample in a folder of its own, to work in."""
    folder = tmp_path / "job"
    shutil.copytree(data_path("samples", "departure_display"), folder)
    monkeypatch.chdir(folder)
    return folder


@pytest.mark.parametrize(
    "arguments",
    [
        ["layout", "draw", "board.toml", "--out", "board.toml"],
        ["layout", "draw", "board.toml", "--out", "./parts.csv"],
        ["layout", "place", "good-1.tiff", "--out", "good-1.tiff"],
        ["layout", "place", "good-1.tiff", "--layout", "board.toml", "--out", "link.html"],
        ["layout", "import", "parts.csv", "--width-mm", "200", "--height-mm", "140", "--out", "parts.csv"],
        ["inspect", "shorted-latch.toml", "--show-registration", "link.png"],
        ["inspect", "good-1.tiff", "--no-layout", "--ambient=22", "--width-mm=180", "--write-layout", "good-1.tiff"],
        ["baseline", "good-1.toml", "good-2.toml", "--out", "good-2.toml"],
        ["baseline", "good-1.toml", "--out", "link.html"],
        ["camera", "lens", "good-1.tiff", "--grid", "3x3", "--pitch", "20", "--force", "--out", "good-1.tiff"],
        ["camera", "fit", "parts.csv", "--force", "--out", "parts.csv"],
        ["camera", "fit", "parts.csv", "--plot", "link.png"],
    ],
    ids=" ".join,
)
def test_no_command_replaces_what_it_reads(arguments: list[str], job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (job / "link.html").symlink_to("board.toml")
    (job / "link.png").hardlink_to(job / {"inspect": "shorted-latch.tiff"}.get(arguments[0], "parts.csv"))
    before = {path.name: path.read_bytes() for path in job.iterdir()}
    assert main(arguments) == 2
    assert "this is what the command reads" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in job.iterdir()} == before


def test_the_demo_written_again_keeps_what_was_worked_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # What is run on the sample takes a minute; what is written of it is all that this is about.
    for name, made in (("_run_sample", {}), ("pack_visits", None), ("history_lines", []), ("_run_recordings", [])):
        monkeypatch.setattr(f"thermscan.cli.demo.{name}", lambda *_, made=made, **__: made)
    assert main(["demo", str(tmp_path / "d")]) == 0
    (tmp_path / "d" / "board.toml").write_text("# hours of work\n")
    assert main(["demo", str(tmp_path / "d")]) == 0
    assert (tmp_path / "d" / "board.toml.bak").read_text() == "# hours of work\n"
    assert "board.toml.bak" in capsys.readouterr().err


@pytest.mark.usefixtures("built")
def test_page_and_pdf_speak_the_language_and_units_asked_and_the_data_stay_as_they_are(
    tmp_path: Path, reported: Path
) -> None:
    assert main(["inspect", RUN, "--out", str(tmp_path / "b"), "--language", "de", "--units-shown", "F"]) == 1
    page = (tmp_path / "b" / "report.html").read_text(encoding="utf-8")
    assert '<html lang="de">' in page
    assert "Was zu tun ist" in page
    # The run's ambient, 22.4 °C, by the definition of the Fahrenheit scale: 22.4 x 1.8 + 32 = 72.3.
    assert "Raum 72,3\xa0°F" in page
    for name in ("results.json", "results.csv"):
        assert (reported / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    first = PdfReader(tmp_path / "b" / "report.pdf").pages[0].extract_text()
    assert "Was nicht verglichen wurde" in first
    assert "k = 1" not in first
