"""A photo in the board's millimetres: drawn where it belongs, with its scale, and read again as it was written."""

from __future__ import annotations

import time
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.layout.photo_scenes import board_for, board_of, bundled, corners_seen, drawn_board, scene
from thermscan.errors import InputError
from thermscan.layout.photo import BoardPhoto, board_photo, rectify_photo, save_photo
from thermscan.layout.picture import LONGEST_SIDE_PX, photo_pixels
from thermscan.layout.reading import read_board
from thermscan.layout.writing import write_board

BOARD = '[board]\nname = "b"\nwidth_mm = 150\nheight_mm = 100\n'


@pytest.mark.parametrize("name", ["coffee", "brick", "chelsea"])
def test_a_picture_seen_at_an_angle_is_drawn_straight_again(name):
    """The pictures are scikit-image's own; the homography that tilts them is known."""
    face = cv2.GaussianBlur(bundled(name), (0, 0), 2.0)
    board = board_for(face)
    seen = corners_seen((board.width_mm, board.height_mm), tilt_deg=30.0, towards_deg=70.0, roll_deg=8.0)
    view = scene(face, seen, noise=0.0)
    made = rectify_photo(view.pixels, board, corners_px=seen)
    rows, cols = made.pixels.shape[:2]
    assert (cols * made.mm_per_px, rows * made.mm_per_px) == pytest.approx((board.width_mm, board.height_mm), abs=0.2)
    truth = cv2.cvtColor(cv2.resize(face, (cols, rows), interpolation=cv2.INTER_LINEAR), cv2.COLOR_BGR2GRAY)
    drawn = cv2.cvtColor(made.pixels, cv2.COLOR_RGB2GRAY)
    shift, _ = cv2.phaseCorrelate(truth.astype(np.float64), drawn.astype(np.float64))
    assert np.abs(shift).max() < 0.3
    # The light falls off to one side, which costs some; drawn upside down or mirrored, nothing would be left.
    assert np.corrcoef(truth.ravel(), drawn.ravel())[0, 1] > 0.95


def test_a_mark_on_the_board_is_at_its_millimetres():
    board, face = drawn_board()
    face = face.copy()
    face[80 * 8 : 80 * 8 + 16, 40 * 8 : 40 * 8 + 16] = (0, 0, 255)  # 2 x 2 mm from (40, 80), at 8 pixels a millimetre
    view = scene(face, corners_seen((150.0, 100.0), tilt_deg=35.0, towards_deg=10.0, roll_deg=4.0), noise=0.0)
    made = rectify_photo(view.pixels, board)
    red = (made.pixels[..., 0] > 120) & (made.pixels[..., 1] < 80)
    row, col = (float(np.mean(index)) for index in np.nonzero(red))
    assert ((col + 0.5) * made.mm_per_px, (row + 0.5) * made.mm_per_px) == pytest.approx((41.0, 81.0), abs=0.2)


def test_the_scale_stands_in_the_png_as_other_programs_read_it():
    corners = [[0, 0], [600, 0], [600, 400], [0, 400]]
    made = rectify_photo(np.full((401, 601, 3), 90, np.uint8), board_of(150.0, 100.0), corners_px=corners)
    with Image.open(BytesIO(made.png())) as picture:
        picture.load()  # checks every chunk's CRC
        # Pillow tells pixels per inch, of pixels per metre.
        assert picture.info["dpi"] == pytest.approx((25.4 / made.mm_per_px,) * 2)
        assert picture.size == (600, 400)
        assert np.array_equal(np.asarray(picture), made.pixels)


def test_a_photo_turned_by_its_camera_is_stood_upright(tmp_path):
    board, face = drawn_board()
    view = scene(face, corners_seen((150.0, 100.0), tilt_deg=10.0, towards_deg=0.0, roll_deg=2.0), noise=0.0)
    stored = Image.fromarray(np.ascontiguousarray(np.rot90(view.pixels[..., ::-1])))
    exif = Image.Exif()
    exif[0x0112] = 6  # Orientation: turn the stored picture a quarter clockwise to see it upright (EXIF 2.32, 4.6.4)
    stored.save(tmp_path / "photo.jpg", quality=95, exif=exif)
    pixels = photo_pixels(tmp_path / "photo.jpg")
    assert pixels.shape == view.pixels.shape
    assert np.abs(rectify_photo(pixels, board).corners_px - view.corners_px).max() < 1.5


def test_a_photo_of_48_megapixels_takes_no_longer_than_a_breath():
    board, face = drawn_board(px_per_mm=40)
    pixels = cv2.copyMakeBorder(face, 1000, 1000, 1000, 1000, cv2.BORDER_CONSTANT, value=(200, 200, 200))
    assert pixels.shape[0] * pixels.shape[1] == 48_000_000
    began = time.process_time()
    made = rectify_photo(pixels, board)
    assert max(made.pixels.shape) == LONGEST_SIDE_PX
    corners = np.array([[1000, 1000], [7000, 1000], [7000, 5000], [1000, 5000]]) - 0.5
    # A pixel of the fit's picture is 3.3 of the photo's.
    assert np.abs(made.corners_px - corners).max() < 3.3
    # About a second of one core; this is here to notice work that grows with the photo's pixels many times over.
    assert time.process_time() - began < 15.0


def photo_beside(tmp_path: Path, width_mm: float = 150.0, height_mm: float = 100.0) -> None:
    rows, cols = round(height_mm * 4), round(width_mm * 4)
    shades = np.linspace(0, 255, rows * cols * 3).astype(np.uint8).reshape(rows, cols, 3)
    save_photo(BoardPhoto(shades, 0.25), tmp_path / "photo.png")


def layout(tmp_path: Path, line: str) -> Path:
    path = tmp_path / "board.toml"
    text = f"{BOARD}{line}\n[[part]]\nref = 'U1'\npackage = 'DIP-16'\nat_mm = [50, 50]\n"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_layout_names_its_photo_and_keeps_it_when_written(tmp_path):
    photo_beside(tmp_path)
    board = read_board(layout(tmp_path, "photo = 'photo.png'"))
    assert (board.photo, board.remarks) == (tmp_path / "photo.png", ())
    assert board_photo(board).pixels.shape == (400, 600, 3)
    write_board(board, tmp_path / "again.toml")
    assert read_board(tmp_path / "again.toml").photo == tmp_path / "photo.png"
    (tmp_path / "elsewhere").mkdir()
    write_board(board, tmp_path / "elsewhere" / "board.toml")
    assert read_board(tmp_path / "elsewhere" / "board.toml").photo is None


@pytest.mark.parametrize("name", ["../photo.png", "/tmp/photo.png", r"C:\\photo.png", "~/photo.png", "a/../../b.png"])
def test_a_photo_outside_the_layouts_folder_is_refused(tmp_path, name):
    with pytest.raises(InputError, match=r"board, photo: .* leads out of the layout's folder; name a file in"):
        read_board(layout(tmp_path, f'photo = "{name}"'))


def test_a_photo_that_is_no_text_is_a_fault_like_any_other(tmp_path):
    with pytest.raises(InputError, match=r"board.toml, board, photo: 3 is not text"):
        read_board(layout(tmp_path, "photo = 3"))


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda _: None, "cannot be read (No such file or directory)"),
        (lambda path: path.mkdir(), "cannot be read (Is a directory)"),
        (lambda path: path.write_bytes(b"GIF89a"), "is not a PNG"),
        (lambda path: path.write_bytes(b"\x89PNG\r\n\x1a\n"), "is not a PNG"),
        (lambda path: Image.new("RGB", (600, 400)).save(path), "does not state its scale"),
        (lambda path: photo_beside(path.parent, 150.0, 110.0), "is 110.0 mm high and the board 100 mm"),
    ],
    ids=["missing", "folder", "another format", "cut short", "no scale", "another board"],
)
def test_a_photo_that_cannot_be_used_is_remarked_and_no_fault(tmp_path, make, said):
    make(tmp_path / "photo.png")
    board = read_board(layout(tmp_path, "photo = 'photo.png'"))
    assert [remark for remark in board.remarks if said in remark], board.remarks
    assert board_photo(board) is None


def test_a_damaged_photo_is_left_out(tmp_path):
    photo_beside(tmp_path)
    data = (tmp_path / "photo.png").read_bytes()
    (tmp_path / "photo.png").write_bytes(data[:80])
    assert board_photo(replace(board_of(150.0, 100.0), photo=tmp_path / "photo.png")) is None


@pytest.mark.parametrize(
    ("place", "shape"),
    [
        ((-9, -9, 10, 5), (20, 40, 3)),
        ((140, 95, 900, 900), (20, 40, 3)),
        ((-9, -9, -1, -1), None),
        ((200, 0, 210, 9), None),
    ],
)
def test_a_crop_keeps_to_the_board(place, shape):
    crop = BoardPhoto(np.zeros((400, 600, 3), np.uint8), 0.25).crop(*place)
    assert (None if crop is None else crop.shape) == shape
