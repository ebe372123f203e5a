"""The four corner targets: found at any turn and slant, told apart, and refused where they are not there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from pypdf import PdfReader
from pypdf.generic import ContentStream

from tests.registration.target_views import random_pose, view_of, warm_board
from thermscan.cli.main import main
from thermscan.errors import CannotJudge, InputError
from thermscan.inspection import inspect_run
from thermscan.layout.board import Board
from thermscan.layout.writing import write_board
from thermscan.registration.targets.target_design import TARGETS
from thermscan.registration.targets.targets import find_targets
from thermscan.runs.reading import read_run

PT_A_MM = 72.0 / 25.4
MID, SMALL = (240, 320), (192, 256)


@pytest.fixture(scope="module")
def warm():
    return warm_board()


@pytest.mark.parametrize("seed", [2, 4, 5, 7])
@pytest.mark.parametrize("shape", [MID, SMALL])
def test_the_corners_are_found_at_any_turn_and_slant(warm, seed, shape):
    board, field = warm
    view = view_of(field, board, random_pose(seed, board, shape), rng=np.random.default_rng(seed))
    found = find_targets(view.image, board)
    # Cards laid exactly: what remains is the fit's, a few hundredths of a pixel at each target, up to three times
    # that at a corner beyond it; the slant blurs the foil's edges to a tenth.
    assert np.abs(found.corners_px - view.corners_px).max() < 0.4
    assert (found.contrast_k < 0).all()


def test_the_stated_uncertainty_covers_how_cards_are_laid_by_hand(warm):
    board, field = warm
    pulls = []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        view = view_of(field, board, random_pose(seed, board, SMALL), rng=rng, placing_mm=0.5)
        found = find_targets(view.image, board)
        off = (found.corners_px - view.corners_px).ravel()
        pulls.append(off @ np.linalg.solve(found.corner_covariance_px2, off) / len(off))
    # Mean of 40 squares of standard normal deviates, if what is stated is true: 1 with a deviation of 0.22.
    assert 0.4 < np.mean(pulls) < 1.6


@pytest.mark.parametrize("laid", [(), (0, 1, 3)])
def test_fewer_than_four_are_refused_with_what_was_seen(warm, laid):
    board, field = warm
    view = view_of(field, board, random_pose(1, board, MID), rng=np.random.default_rng(1), laid=laid)
    with pytest.raises(CannotJudge, match=r"cold patch\w* seen") as refused:
        find_targets(view.image, board)
    assert "corner" in str(refused.value)


def test_cards_on_the_wrong_corners_are_refused(warm):
    board, field = warm
    view = view_of(field, board, random_pose(2, board, MID), rng=np.random.default_rng(2), order=(1, 0, 2, 3))
    with pytest.raises(CannotJudge, match="no four of them"):
        find_targets(view.image, board)


def test_a_cold_board_shows_no_targets(warm):
    board, _ = warm
    _, cold = warm_board(powers=0.0)
    view = view_of(cold, board, random_pose(3, board, MID), rng=np.random.default_rng(3))
    with pytest.raises(CannotJudge, match="let the board warm up"):
        find_targets(view.image, board)


def test_a_board_without_a_corner_is_refused(warm):
    board, field = warm
    cut = Board(board.name, None, [[0, 0], [100, 0], [130, 30], [130, 90], [0, 90]], 1.6, board.surface, board.parts)
    view = view_of(field, board, random_pose(4, board, MID), rng=np.random.default_rng(4))
    with pytest.raises(InputError, match="no top right corner"):
        find_targets(view.image, cut)


def test_no_turn_of_the_board_makes_one_arrangement_look_like_another():
    sizes = [target.patch_mm for target in TARGETS]
    for turn in (1, 2, 3):
        turned = [size[::-1] if turn % 2 else size for size in sizes[turn:] + sizes[:turn]]
        assert turned != sizes


@pytest.fixture(scope="module")
def job(warm, tmp_path_factory: pytest.TempPathFactory) -> Path:
    board, field = warm
    tmp_path = tmp_path_factory.mktemp("targets")
    view = view_of(field, board, random_pose(5, board, MID), rng=np.random.default_rng(5), placing_mm=0.3)
    write_board(board, tmp_path / "board.toml")
    tifffile.imwrite(tmp_path / "frame.tiff", np.round((view.image.apparent_c + 273.15) * 100).astype(np.uint16))
    bare = view_of(field, board, random_pose(5, board, MID), rng=np.random.default_rng(5), laid=())
    tifffile.imwrite(tmp_path / "bare.tiff", np.round((bare.image.apparent_c + 273.15) * 100).astype(np.uint16))
    text = 'layout = "board.toml"\nframes = ["frame.tiff"]\nunit = "cK"\nambient_c = 22.0\ntargets = true\n'
    (tmp_path / "run.toml").write_text(text, encoding="utf-8")
    np.save(tmp_path / "corners.npy", view.corners_px)
    return tmp_path


def test_a_run_registers_by_its_targets(job):
    run = read_run(job / "run.toml", overrides={})
    inspection = inspect_run(run)
    assert run.targets
    assert inspection.registration.method == "corners"
    # Cards are laid to 0.3 mm, the frame has about 2 pixels a millimetre, and its own edges refine that.
    assert np.abs(inspection.registration.corners_px - np.load(job / "corners.npy")).max() < 1.5
    assert all(part.measurable for part in inspection.measurements if part.part.ref.startswith("U"))
    # Foil is no cold spot of the board's.
    assert not [finding for finding in inspection.judgement.findings if finding.rule == "unmapped"]


def test_inspect_without_targets_in_view_cannot_judge(job, capsys):
    status = main(["inspect", str(job / "bare.tiff"), "--layout", str(job / "board.toml"), "--unit", "cK",
                   "--ambient", "22", "--targets"])  # fmt: skip
    out, err = capsys.readouterr()
    assert (status, out) == (3, "")
    assert len(err.strip().splitlines()) == 1
    assert "cold patch" in err


def test_two_ways_to_tell_where_the_board_is_are_refused(job):
    path = job / "two-ways.toml"
    path.write_text(
        (job / "run.toml").read_text() + "corners_px = [[0, 0], [90, 0], [90, 90], [0, 90]]\n", encoding="utf-8"
    )
    with pytest.raises(InputError, match="targets and corners_px both tell where the board is; keep one of them"):
        read_run(path, overrides={})
    assert read_run(path, overrides={"targets": True}).corners_px is None
    given = read_run(path, overrides={"corners_px": [[1, 1], [90, 0], [90, 90], [0, 90]]})
    assert not given.targets


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (210, 297)), ("letter", (215.9, 279.4))])
def test_the_sheet_is_true_to_scale(tmp_path, capsys, paper, size_mm):
    out = tmp_path / "targets.pdf"
    assert main(["layout", "targets", "--out", str(out), "--paper", paper]) == 0
    assert capsys.readouterr().out == f"{out}: four corner targets at 1:1 for {paper}\n"
    (page,) = PdfReader(out).pages
    box = page.mediabox
    assert (float(box.width) / PT_A_MM, float(box.height) / PT_A_MM) == pytest.approx(size_mm, abs=0.1)
    shapes = drawn_boxes_mm(page)
    for target in TARGETS:
        assert any(size == pytest.approx(target.patch_mm, abs=0.02) for _, size in shapes)
    cards = [(place, size) for place, size in shapes if size == pytest.approx((18.0, 18.0), abs=0.02)]
    assert len(cards) == 4
    # Each foil lies in its card as the finder expects it: its middle 10 mm from two edges of 18 mm.
    for target in TARGETS:
        foil = next(place for place, size in shapes if size == pytest.approx(target.patch_mm, abs=0.02))
        apart = [np.abs(np.subtract(foil, place)) for place, _ in cards]
        assert any(offset == pytest.approx([10.0 - 18.0 / 2] * 2, abs=0.02) for offset in apart)


def drawn_boxes_mm(page) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Middle and size of every closed path with straight sides on a page, from its drawing operators."""
    boxes, points = [], []
    for operands, operator in ContentStream(page.get_contents(), page.pdf).operations:
        if operator in (b"m", b"l"):
            points = [] if operator == b"m" else points
            points.append([float(value) / PT_A_MM for value in operands])
        elif operator == b"h" and len(points) >= 4:
            low, high = np.min(points, axis=0), np.max(points, axis=0)
            boxes.append((tuple((low + high) / 2), tuple(high - low)))
    return boxes
