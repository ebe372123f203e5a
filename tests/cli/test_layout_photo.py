"""The board's photo and its stickers, through the real command."""

# ruff: noqa: E501 - commands read better on one line

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from tests.layout.photo_scenes import corners_seen, drawn_board, scene
from thermscan.cli.main import main
from thermscan.layout.reading import read_board
from thermscan.layout.writing import write_board

POSE = {"tilt_deg": 30.0, "towards_deg": 20.0, "roll_deg": -5.0}


@pytest.fixture
def job(tmp_path: Path) -> tuple[Path, np.ndarray]:
    """A folder with board.toml and board.jpg, and where the corners are in the photo."""
    board, face = drawn_board()
    view = scene(face, corners_seen((150.0, 100.0), **POSE))
    cv2.imwrite(str(tmp_path / "board.jpg"), view.pixels, [cv2.IMWRITE_JPEG_QUALITY, 92])
    write_board(board, tmp_path / "board.toml")
    return tmp_path, view.corners_px


def test_a_photo_is_rectified_and_what_to_do_with_it_is_said(job, capsys):
    folder, _ = job
    out = folder / "photo.png"
    assert (
        main(["layout", "photo", str(folder / "board.jpg"), "--layout", str(folder / "board.toml"), "--out", str(out)])
        == 0
    )
    shown = capsys.readouterr()
    assert "corners found: " in shown.out
    assert 'write photo = "photo.png" below [board]' in shown.out
    text = (folder / "board.toml").read_text().replace("[board]", '[board]\nphoto = "photo.png"', 1)
    (folder / "board.toml").write_text(text)
    assert not [remark for remark in read_board(folder / "board.toml").remarks if "photo" in remark]


def test_json_gives_corners_and_scale_and_nothing_else(job, capsys):
    folder, corners = job
    arguments = ["--layout", str(folder / "board.toml"), "--out", str(folder / "photo.png"), "--json"]
    assert main(["layout", "photo", str(folder / "board.jpg"), *arguments]) == 0
    shown = capsys.readouterr()
    document = json.loads(shown.out)
    assert (document["schema"], document["method"], shown.err) == ("thermscan.layout-photo/1", "found", "")
    assert np.abs(np.array(document["corners_px"]) - corners).max() < 1.5
    with Image.open(folder / "photo.png") as picture:
        assert list(picture.size) == document["size_px"]
        assert 25.4 / picture.info["dpi"][0] == pytest.approx(document["mm_per_px"])


def test_corners_given_are_taken_as_they_are_and_an_old_photo_is_kept(job, capsys):
    folder, corners = job
    given = " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)
    for text in (given, " ".join(given.split()[2:] + given.split()[:2])):
        arguments = ["--layout", str(folder / "board.toml"), "--corners", text, "--out", str(folder / "photo.png")]
        assert main(["layout", "photo", str(folder / "board.jpg"), *arguments]) == 0
    shown = capsys.readouterr()
    assert f"corners given: {given}" in shown.out
    assert "photo.png: kept as" in shown.err
    first, second = (cv2.imread(str(folder / name)) for name in ("photo.png.bak", "photo.png"))
    # The second time the corners were told the other way round.
    assert np.abs(np.rot90(first, 2).astype(float) - second).mean() < 3.0


@pytest.mark.parametrize(
    ("corners", "said"),
    [
        ("1,1 2,2", "2 corners where four are needed"),
        ("0,0 0,9 9,9 9,0", "the corners run anticlockwise, which would show the board in a mirror"),
        ("0,0 9,9 9,0 0,9", "the corners cross over"),
        ("0,0 9,a 9,9 0,9", '--corners "9,a" is not two numbers X,Y'),
    ],
)
def test_impossible_corners_are_refused(job, capsys, corners, said):
    folder, _ = job
    arguments = ["--layout", str(folder / "board.toml"), "--corners", corners, "--out", str(folder / "photo.png")]
    assert main(["layout", "photo", str(folder / "board.jpg"), *arguments]) == 2
    assert said in capsys.readouterr().err
    assert not (folder / "photo.png").exists()


def test_a_board_that_cannot_be_found_ends_with_3_and_says_what_to_give(job, capsys):
    folder, _ = job
    cv2.imwrite(str(folder / "empty.png"), np.full((300, 400, 3), 128, np.uint8))
    arguments = ["--layout", str(folder / "board.toml"), "--out", str(folder / "photo.png")]
    assert main(["layout", "photo", str(folder / "empty.png"), *arguments]) == 3
    shown = capsys.readouterr()
    assert (shown.out, shown.err.count("\n")) == ("", 1)
    assert "no board stands out from its background in the photo; give --corners" in shown.err
    assert not (folder / "photo.png").exists()


@pytest.mark.parametrize(
    ("photo", "out", "said"),
    [
        ("lost.jpg", "photo.png", "lost.jpg: cannot be read (No such file or directory)"),
        ("board.toml", "photo.png", "board.toml: not a picture that can be read"),
        ("board.jpg", "photo.jpg", "photo.jpg: the photo is written as a PNG; give a name that ends with .png"),
        ("board.jpg", "none/photo.png", "none/photo.png: cannot be written (No such file or directory)"),
    ],
)
def test_what_cannot_be_read_or_written_is_said_in_one_line(job, capsys, photo, out, said):
    folder, _ = job
    arguments = ["--layout", str(folder / "board.toml"), "--out", str(folder / out)]
    assert main(["layout", "photo", str(folder / photo), *arguments]) == 2
    shown = capsys.readouterr()
    assert said in shown.err
    assert shown.err.count("\n") == 1


def test_help_ends_with_an_example(capsys):
    assert main(["layout", "photo", "--help"]) == 0
    assert "Example: thermscan layout photo" in capsys.readouterr().out


@pytest.mark.parametrize("with_photo", [False, True], ids=["no photo", "photo"])
def test_the_printed_sheet_lists_the_stickers_with_a_crop_of_the_photo(job, with_photo):
    folder, _ = job
    layout = folder / "board.toml"
    nasty = ["CAL 11/86", "<b>$x^2$</b>", "שלום", "🔥", "x" * 10_000, *(f"label {n}" for n in range(6, 16))]
    tables = "".join(
        f"[[sticker]]\nat_mm = [{10 * n}, 50]\nsize_mm = [9, 5]\ntext = {json.dumps(text, ensure_ascii=False)}\nnote = 'n'\n"
        for n, text in enumerate(nasty, start=1)
    )
    text = layout.read_text()
    if with_photo:
        arguments = ["--layout", str(layout), "--out", str(folder / "photo.png")]
        assert main(["layout", "photo", str(folder / "board.jpg"), *arguments]) == 0
        text = text.replace("[board]", '[board]\nphoto = "photo.png"', 1)
    layout.write_text(text + tables, encoding="utf-8")
    assert main(["layout", "draw", str(layout), "--out", str(folder / "sheet.pdf")]) == 0
    pages = PdfReader(folder / "sheet.pdf").pages
    # One page with the drawing (150 x 100 mm), and 11 stickers a page: (277 mm - 30 pt) / 64 pt.
    assert len(pages) == 1 + 2
    told = pages[1].extract_text()
    assert "15 stickers and labels" in told
    assert "CAL 11/86" in told
    assert "at (10, 50) mm, 9 x 5 mm" in told
    # The drawing's ground and a crop each; matplotlib's pages share one list of images.
    assert len(pages[0].images) == (1 + 15 if with_photo else 0)
