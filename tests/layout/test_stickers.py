"""Stickers and labels in a layout: read, checked like parts, and written back."""

# ruff: noqa: E501 - cases read better as a table, one a line
from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.layout.photo_scenes import board_of
from thermscan.errors import InputError
from thermscan.layout.board import Sticker
from thermscan.layout.picture import picture_of_frame
from thermscan.layout.placing import page_text
from thermscan.layout.reading import read_board
from thermscan.layout.writing import write_board

BOARD = (
    '[board]\nname = "b"\nwidth_mm = 180\nheight_mm = 120\n[[part]]\nref = "U1"\npackage = "DIP-40"\nat_mm = [60, 40]\n'
)
STICKER = '[[sticker]]\nat_mm = [100, 80]\nsize_mm = [30, 8.5]\ntext = "CAL 11/86"\n'


def layout(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "board.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(path: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_board(path)
    return [line.replace(f"{path.parent}/", "") for line in caught.value.lines()]


def test_stickers_are_read_with_their_place_and_text(tmp_path):
    more = '[[sticker]]\nat_mm = [20, 20]\nsize_mm = [9, 9]\nnote = """torn,\n  orange"""\n'
    board = read_board(layout(tmp_path, BOARD + STICKER + more))
    assert board.stickers == (
        Sticker(100.0, 80.0, 30.0, 8.5, "CAL 11/86"),
        Sticker(20.0, 20.0, 9.0, 9.0, None, "torn, orange"),
    )
    assert board.stickers[0].corners_mm()[[0, 2]].tolist() == [[85.0, 75.75], [115.0, 84.25]]
    assert read_board(layout(tmp_path, BOARD)).stickers == ()


def test_stickers_move_with_an_outline_that_starts_elsewhere(tmp_path):
    outline = "outline_mm = [[10, 20], [190, 20], [190, 140], [10, 140]]"
    text = (BOARD + STICKER).replace("width_mm = 180\nheight_mm = 120", outline)
    sticker = read_board(layout(tmp_path, text)).stickers[0]
    assert (sticker.x_mm, sticker.y_mm) == (90.0, 60.0)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("at_mm = [100, 80]", ""), "sticker 1 (CAL 11/86), at_mm: it is missing; write at_mm = [x, y], the sticker's centre"),
        (("size_mm = [30, 8.5]", ""), "sticker 1 (CAL 11/86), size_mm: it is missing; write size_mm = [width, height]"),
        (("[30, 8.5]", "[30, 0]"), "sticker 1 (CAL 11/86), size_mm, item 2: 0 is not above 0; write millimetres, such as 12.5"),
        (("[30, 8.5]", "30"), "sticker 1 (CAL 11/86), size_mm: 30 is not a width and a height; write [width, height]"),
        (('text = "CAL', 'txet = 1\ntext = "CAL'), "sticker 1 (CAL 11/86), txet: unknown key; did you mean text?"),
        (("text =", "width_mm = 3\ntext ="), "sticker 1 (CAL 11/86), width_mm: unknown key; write size_mm = [width, height]"),
        (('"CAL 11/86"', "1186"), "sticker 1, text: 1186 is not text; write it between quotes"),
        (('text = "CAL 11/86"', 'text = " "'), 'sticker 1: has neither text nor note; write text = "what is on it", or a note'),
        (("[100, 80]", "[300, 80]"), "sticker 1 (CAL 11/86): the sticker at (300, 80) lies outside the board; check its place: millimetres from the top left corner, y down"),
        (("[[sticker]]", "[sticker]"), "sticker: is not a list of tables; write [[sticker]] before each sticker"),
        (("[[sticker]]", "[[stickers]]"), "stickers: unknown key; did you mean sticker?"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_sticker_is_said_with_its_number_and_key(tmp_path, change, said):
    assert faults(layout(tmp_path, BOARD + STICKER.replace(*change))) == [f"board.toml, {said}"]


def test_faults_of_stickers_and_parts_are_told_together(tmp_path):
    text = BOARD.replace("DIP-40", "DIP-4O") + STICKER.replace("30", '"x"') + STICKER.replace("at_mm", "at")
    assert [line.split(":")[0] for line in faults(layout(tmp_path, text))] == [
        "board.toml, part 1 (U1), package",
        "board.toml, sticker 1 (CAL 11/86), size_mm, item 1",
        "board.toml, sticker 2 (CAL 11/86), at_mm",
        "board.toml, sticker 2 (CAL 11/86), at",
    ]


def test_a_sticker_that_reaches_over_the_edge_is_no_fault(tmp_path):
    assert read_board(layout(tmp_path, BOARD + STICKER.replace("[100, 80]", "[-14, 80]"))).stickers


WORDS = st.one_of(
    st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=30),
    st.sampled_from(["<script>", "$x^2$", "שלום", "🔥" * 20, "a\"b'c", "\\n", "x" * 10_000, "]]", "'" * 3, "# none"]),
)


@settings(max_examples=40, deadline=None)
@given(text=WORDS.filter(str.strip), note=st.one_of(st.none(), WORDS), x=st.floats(0, 100), size=st.floats(0.1, 90))
def test_stickers_written_are_read_back_whatever_their_text(text, note, x, size):
    known = Sticker(1, 2, 3, 4, "b")
    board = replace(board_of(100.0, 100.0), stickers=(Sticker(x, 50.0, size, size, text, note), known))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "board.toml")
        write_board(board, path)
        first = read_board(path)
        write_board(first, path)
        again = read_board(path)
    assert first.stickers[1] == known
    assert (first.stickers[0].x_mm, first.stickers[0].width_mm) == (x, size)
    # Blanks and combined letters come back in their plain form; after that nothing changes.
    assert again.stickers == first.stickers
    if text.isascii():
        assert first.stickers[0].text == " ".join(text.split())


def test_the_page_is_given_what_it_must_keep(tmp_path):
    text = (BOARD + STICKER).replace("[board]", "[board]\nphoto = 'photos/top.png'")
    page = page_text(picture_of_frame([[1.0, 2.0], [3.0, 4.0]]), board=read_board(layout(tmp_path, text)))
    assert '"photo":"photos/top.png"' in page
    assert '"stickers":[{"at_mm":[100.0,80.0],"size_mm":[30.0,8.5],"text":"CAL 11/86","note":null}]' in page
