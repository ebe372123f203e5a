"""The report's files: complete or not at all, and none of anybody else's touched."""

from __future__ import annotations

import json
import os
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread
from pypdf import PdfReader

from tests.report.built_inspections import build_inspection, with_look_before, with_part_texts, with_views
from thermscan.errors import InputError
from thermscan.inspection import Inspection
from thermscan.report import report
from thermscan.report.report import report_contents, write_report

FIGURES = {
    "annotated-frame.png",
    "rectified-board.png",
    "difference-from-baseline.png",
    "ranked-parts-1.png",
    "uncertainty-budget-1.png",
    "registration-check.png",
}
LIST = {"report.sha256"}
FILES = {"results.json", "results.csv", "report.html", "report.pdf"} | FIGURES


@pytest.fixture(scope="module")
def inspection() -> Inspection:
    return build_inspection(12, flagged=3, shape=(48, 64))


@pytest.fixture(scope="module")
def contents(inspection: Inspection) -> dict[str, bytes]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", "1700000000")
        return report_contents(inspection)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch, contents: dict[str, bytes]) -> dict[str, bytes]:
    """The drawing is done once; these tests are about the folder. A test may change what is to be written."""
    mine = dict(contents)
    monkeypatch.setattr(report, "report_contents", lambda *_: mine)
    return mine


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_report_is_results_table_pdf_and_pictures_alike_each_time_where_the_date_is_fixed(
    inspection: Inspection, contents: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    written = write_report(inspection, tmp_path / "new" / "report")
    assert {path.name for path in written} == FILES
    assert names(tmp_path / "new" / "report") == FILES | LIST
    assert json.loads(written[0].read_text(encoding="utf-8"))["schema"] == "thermscan.inspection/1"
    assert [path.name for path in written if path.read_bytes() != contents[path.name]] == []
    assert b"D:20231114" in contents["report.pdf"]


def test_looks_from_several_sides_and_before_a_repair_have_their_pictures_and_words() -> None:
    whole = with_views(with_look_before(build_inspection(12, flagged=2, shape=(48, 64), baseline=False)))
    contents = report_contents(whole)
    assert {"views.png", "before-and-after.png", "change-since-before.png"} <= contents.keys()
    text = " ".join(page.extract_text() for page in PdfReader(BytesIO(contents["report.pdf"])).pages)
    # The first part rests on the last view alone, as built.
    first = whole.measurements[0]
    assert first.measurable
    assert f"view 3 of 3: {first.part.ref}" in text
    assert "What changed since the look before" in text


@pytest.mark.usefixtures("quick")
def test_files_of_others_are_left_alone(inspection: Inspection, tmp_path: Path) -> None:
    others = {"notes.txt", "ranked-parts-old.png", "my-annotated-frame.png", "ranked-parts-0.png"}
    for name in others:
        (tmp_path / name).write_text("mine")
    write_report(inspection, tmp_path)
    assert names(tmp_path) == FILES | LIST | others
    assert all((tmp_path / name).read_text() == "mine" for name in others)


def test_a_picture_of_the_report_before_that_is_not_called_for_now_goes(
    inspection: Inspection, quick: dict[str, bytes], tmp_path: Path
) -> None:
    write_report(inspection, tmp_path)
    del quick["difference-from-baseline.png"]
    write_report(inspection, tmp_path)
    assert names(tmp_path) == (FILES | LIST) - {"difference-from-baseline.png"}


def test_a_fault_half_way_leaves_the_former_report_whole(
    inspection: Inspection, quick: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_report(inspection, tmp_path)
    former = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    quick["results.json"] = b"{}"
    write, left = os.write, [400_000]

    def disk_of_400_kb(descriptor: int, data: memoryview) -> int:
        left[0] -= len(data)
        if left[0] < 0:
            raise OSError(28, "No space left on device")
        return write(descriptor, data)

    monkeypatch.setattr(os, "write", disk_of_400_kb)
    with pytest.raises(InputError, match=r"No space left on device\); name another folder with --out"):
        write_report(inspection, tmp_path)
    assert left[0] < 0
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == former


@pytest.mark.usefixtures("quick")
def test_anything_of_somebody_else_under_a_reports_name_stops_it(inspection: Inspection, tmp_path: Path) -> None:
    (tmp_path / "report.pdf").mkdir()
    (tmp_path / "results.json").write_text("mine")
    with pytest.raises(InputError, match=r"there is a re.* that thermscan did not write"):
        write_report(inspection, tmp_path)
    assert names(tmp_path) == {"report.pdf", "results.json"}
    assert (tmp_path / "results.json").read_text() == "mine"


@pytest.mark.usefixtures("quick")
def test_a_file_in_the_folders_place_is_one_plain_line(inspection: Inspection, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(InputError) as caught:
        write_report(inspection, tmp_path / "out")
    assert len(caught.value.lines()) == 1
    assert (tmp_path / "out").read_text() == "a file"


def test_the_pdf_is_a4_with_title_and_searchable_text(contents: dict[str, bytes]) -> None:
    pdf = PdfReader(BytesIO(contents["report.pdf"]))
    assert pdf.metadata is not None
    assert pdf.metadata.title == "Thermal inspection of Split-flap controller"
    for page in pdf.pages:
        # A4 is 210 x 297 mm; a point is 25.4 / 72 mm.
        assert float(page.mediabox.width) == pytest.approx(210 / 25.4 * 72, abs=0.1)
        assert float(page.mediabox.height) == pytest.approx(297 / 25.4 * 72, abs=0.1)
    assert "Overall: act" in pdf.pages[0].extract_text()
    assert "Mains" in pdf.pages[-1].extract_text()


@pytest.mark.parametrize("name", sorted(FIGURES))
def test_a_picture_has_ink_and_a_white_edge(contents: dict[str, bytes], name: str) -> None:
    picture = imread(BytesIO(contents[name]))[..., :3]
    assert picture.std() > 0.01
    # Nothing runs into the edge: all drawn within the sheet.
    edges = [picture[:4], picture[-4:], picture[:, :4], picture[:, -4:]]
    assert all(np.all(edge == 1.0) for edge in edges)


def test_odd_names_make_an_honest_title(tmp_path: Path) -> None:
    odd = with_part_texts(build_inspection(2, flagged=0, shape=(24, 32), baseline=False), "a\x00(b)\ud800$\\")
    written = write_report(odd, tmp_path)
    pdf = PdfReader(next(path for path in written if path.suffix == ".pdf"))
    assert pdf.metadata is not None
    assert (pdf.metadata.title or "").startswith("Thermal inspection of a (b)")
    assert os.environ.get("SOURCE_DATE_EPOCH") is not None or pdf.metadata.creation_date is not None
