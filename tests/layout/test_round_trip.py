"""What is written is read back alike, whatever the text in it."""

# ruff: noqa: E501 - cases read better as a table, one a line
from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.errors import InputError
from thermscan.layout.board import Board, Part
from thermscan.layout.digest import layout_digest
from thermscan.layout.packages import known_packages
from thermscan.layout.reading import read_board
from thermscan.layout.surfaces import known_surfaces, surface_named
from thermscan.layout.writing import write_board

SURFACES = st.sampled_from(sorted(known_surfaces()))
# Any character a file may hold: markup, emoji, right-to-left marks, quotes, delimiters; no control characters.
TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=40)
NASTY = st.sampled_from(
    ["<script>alert(1)</script>", "&amp;", "🔥" * 40, "\u202eRTL\u202c", "שלום", 'a"b\'c', "a,b;c\td".replace("\t", " "),
     "$x^2$", "\\n", "=1+1", "x" * 10_000, "'''", "]]>", "\x7f".replace("\x7f", "del")]
)  # fmt: skip
WORDS = st.one_of(TEXT, NASTY)
MM = st.floats(1.0, 99.0).map(lambda value: round(value, 4))
# Clear of the corner that one of the outlines lacks.
PLACE_MM = st.floats(1.0, 60.0).map(lambda value: round(value, 4))


@st.composite
def parts(draw, ref: str) -> Part:
    package = draw(st.one_of(st.none(), st.sampled_from(known_packages())))
    surface = surface_named(draw(SURFACES), draw(st.one_of(st.none(), st.floats(0.01, 1.0))))
    own_body = package is None or draw(st.booleans())
    length_mm, width_mm = (draw(MM), draw(MM)) if own_body else (package.length_mm, package.width_mm)
    # A package lends its height to a body of about its own outline.
    like_its_package = package is not None and all(
        abs(side - own) <= 0.25 * own
        for side, own in zip(sorted((length_mm, width_mm)), sorted((package.length_mm, package.width_mm)), strict=True)
    )
    return Part(
        ref=ref,
        length_mm=length_mm,
        width_mm=width_mm,
        x_mm=draw(PLACE_MM),
        y_mm=draw(PLACE_MM),
        rotation_deg=draw(st.floats(-360, 360)),
        surface=surface,
        kind=draw(WORDS),
        package=package.name if package else None,
        group=draw(WORDS),
        max_c=draw(st.one_of(st.none(), st.floats(-55, 400))),
        height_mm=draw(st.one_of(st.none(), st.floats(0, 50))),
        value=draw(WORDS),
        polarity=draw(WORDS),
        note=draw(WORDS),
        psi_jt_k_per_w=draw(st.one_of(st.none(), st.floats(0, 90))),
        max_junction_c=draw(st.one_of(st.none(), st.floats(-55, 400))),
        round_body=bool(package and package.round_body and not own_body),
        usual_height_mm=package.height_mm if like_its_package else None,
    )


@st.composite
def boards(draw) -> Board:
    refs = draw(st.lists(WORDS.filter(lambda t: t.strip() and not t.strip().startswith("#")), max_size=4))
    tidy = list(dict.fromkeys(_tidy(ref) for ref in refs))
    outline = draw(
        st.sampled_from([[[0, 0], [100, 0], [100, 100], [0, 100]], [[0, 0], [100, 0], [100, 70], [70, 100], [0, 100]]])
    )
    found = [draw(parts(ref)) for ref in tidy]
    return Board(_tidy(draw(WORDS)) or "b", None, outline, 1.6, surface_named("solder-mask"), tuple(found))


def _tidy(text: str) -> str:
    import unicodedata

    return unicodedata.normalize("NFC", text.strip())


@pytest.mark.parametrize("parts_name", [None, "parts.csv"], ids=["inline", "parts file"])
@settings(max_examples=40, deadline=None)
@given(board=boards())
def test_a_layout_written_is_read_back_alike(parts_name, board):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "board.toml")
        write_board(board, path, parts_name=parts_name)
        again = read_board(path)
    assert again.name == board.name
    assert np.array_equal(again.outline_mm, board.outline_mm)
    for one, other in zip(board.parts, again.parts, strict=True):
        same = {name: _tidy(getattr(one, name)) or None for name in ("kind", "group", "value", "polarity")}
        note = " ".join(_tidy(one.note).split()) or None
        assert replace(one, **same, note=note) == replace(other, note=" ".join((other.note or "").split()) or None)
    assert layout_digest(again) == layout_digest(board)


def board_of(*found: Part) -> Board:
    outline = [[0, 0], [100, 0], [100, 100], [0, 100]]
    return Board("b", None, outline, 1.6, surface_named("solder-mask"), found)


U1 = Part("U1", 20.0, 7.0, 30.0, 40.0, 0.0, surface_named("plastic"))
U2 = replace(U1, ref="U2", x_mm=70.0)


def test_the_digest_knows_geometry_and_nothing_else():
    digest = layout_digest(board_of(U1, U2))
    assert layout_digest(board_of(U2, U1)) == digest
    assert (
        layout_digest(board_of(replace(U1, note="x", surface=surface_named("tape"), rotation_deg=360.0), U2)) == digest
    )
    assert layout_digest(board_of(replace(U1, x_mm=30.0004), U2)) == digest
    for change in ({"x_mm": 30.5}, {"rotation_deg": 90.0}, {"length_mm": 21.0}, {"ref": "U3"}):
        assert layout_digest(board_of(replace(U1, **change), U2)) != digest


def test_a_layout_saved_over_another_keeps_it(tmp_path):
    path = tmp_path / "board.toml"
    assert write_board(board_of(U1), path) == ()
    assert write_board(board_of(U1), path) == ()
    first = path.read_bytes()
    assert write_board(board_of(U2), path) == (tmp_path / "board.toml.bak",)
    assert write_board(board_of(U1, U2), path) == (tmp_path / "board.toml.bak2",)
    assert (tmp_path / "board.toml.bak").read_bytes() == first
    assert sorted(p.name for p in tmp_path.iterdir()) == ["board.toml", "board.toml.bak", "board.toml.bak2"]


def test_a_layout_cannot_be_written_where_there_is_no_folder(tmp_path):
    with pytest.raises(InputError, match=r"board.toml: cannot be written \(No such file or directory\)"):
        write_board(board_of(U1), tmp_path / "none" / "board.toml")
