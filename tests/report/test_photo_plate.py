"""The report's picture of the photo under the temperatures: only with a photo that can be used."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.report.built_inspections import build_inspection
from thermscan.inspection import Inspection
from thermscan.layout.photo import BoardPhoto, save_photo
from thermscan.regions.measurement import Rectified
from thermscan.report.canvas import report_style
from thermscan.report.plate_photo import LONGEST_PX, contour_levels, photo_of
from thermscan.report.plates import plate_figure, plates_of
from thermscan.report.results import results_document


def photographed(tmp_path: Path, inspection: Inspection, mm_per_px: float = 0.25) -> Inspection:
    board = inspection.board
    rows, cols = round(board.height_mm / mm_per_px), round(board.width_mm / mm_per_px)
    shades = np.random.default_rng(5).integers(0, 255, (rows // 8 + 1, cols // 8 + 1, 3)).astype(np.uint8)
    pixels = np.kron(shades, np.ones((8, 8, 1), np.uint8))[:rows, :cols]
    save_photo(BoardPhoto(pixels, mm_per_px), tmp_path / "photo.png")
    return replace(inspection, board=replace(board, photo=tmp_path / "photo.png"))


@pytest.fixture
def inspection(tmp_path: Path) -> Inspection:
    return photographed(tmp_path, build_inspection(12, flagged=3, shape=(48, 64), baseline=False))


def names(inspection: Inspection) -> list[str]:
    with report_style():
        return [plate.name for plate in plates_of(inspection)]


def test_a_layout_with_a_photo_has_one_picture_more(inspection, tmp_path):
    bare = replace(inspection, board=replace(inspection.board, photo=None))
    assert set(names(inspection)) - set(names(bare)) == {"photo-overlay"}
    (tmp_path / "photo.png").unlink()
    assert names(inspection) == names(bare)


def test_the_results_do_not_change_with_the_photo(inspection):
    bare = replace(inspection, board=replace(inspection.board, photo=None))
    assert results_document(inspection) == results_document(bare)


def test_photo_and_temperatures_lie_on_the_boards_millimetres_one_over_the_other(inspection):
    with report_style():
        plate = next(plate for plate in plates_of(inspection) if plate.name == "photo-overlay")
        figure = plate_figure(plate)
        axes = next(axes for axes in figure.axes if axes.images)
        photo, heat = sorted(axes.images, key=lambda image: image.get_zorder())
        board = inspection.board
        assert photo.get_extent() == pytest.approx([0.0, board.width_mm, board.height_mm, 0.0])
        assert heat.get_extent() == pytest.approx([0.0, board.width_mm, board.height_mm, 0.0])
        assert photo.get_cmap().name == "gray"
        assert heat.get_cmap().name == "cividis"
        assert 0.3 <= heat.get_alpha() <= 0.7
        labels = {text.get_text() for text in axes.texts}
    flagged = {finding.ref for finding in inspection.judgement.findings if finding.ref}
    assert flagged
    assert all(any(label.startswith(ref) for label in labels) for ref in flagged)
    assert any("laid over it" in text.get_text() for text in figure.texts)


@pytest.mark.parametrize("apparent", ["level", "empty", "one reading"])
def test_a_raster_with_little_or_nothing_in_it_is_drawn_without_a_warning(inspection, apparent):
    shape = inspection.rectified.apparent_c.shape
    values = np.full(shape, 23.0 if apparent == "level" else np.nan)
    if apparent == "one reading":
        values[3, 3] = 40.0
    bare = replace(inspection, rectified=Rectified(values, inspection.rectified.mm_per_px, np.ones(shape, bool)))
    with report_style(), warnings.catch_warnings():
        warnings.simplefilter("error")
        plate = next(plate for plate in plates_of(bare) if plate.name == "photo-overlay")
        plate_figure(plate).canvas.draw()


def test_a_fine_photo_is_drawn_no_finer_than_a_page_shows(tmp_path):
    fine = photographed(tmp_path, build_inspection(4, flagged=1, shape=(48, 64), baseline=False), mm_per_px=0.08)
    photo = photo_of(fine)
    assert max(photo.pixels.shape) == LONGEST_PX
    assert photo.pixels.shape[1] * photo.mm_per_px == pytest.approx(fine.board.width_mm)


@pytest.mark.parametrize("limits", [(20.0, 21.0), (21.3, 47.9), (-10.0, 140.0), (22.9, 23.0)])
def test_contours_are_few_and_within_the_scale(limits):
    levels = contour_levels(limits)
    assert 1 <= len(levels) <= 7
    assert all(limits[0] < level < limits[1] for level in levels)
