"""What a part may draw, as a layout says it: a pair, two columns, one cell, or a family by name."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from thermscan.errors import InputError
from thermscan.layout.board import Board
from thermscan.layout.placing import _part_values
from thermscan.layout.powers import family_by_kind, known_families, power_family
from thermscan.layout.reading import read_board
from thermscan.layout.writing import write_board
from thermscan.resources import data_path

HEAD = '[board]\nname = "b"\nwidth_mm = 100\nheight_mm = 80\n'


def _inline(tmp_path: Path, says: str) -> Board:
    path = tmp_path / "board.toml"
    path.write_text(f'{HEAD}[[part]]\nref = "U1"\npackage = "DIP-40"\nat_mm = [50, 40]\n{says}\n')
    return read_board(path)


def _table(tmp_path: Path, header: str, row: str) -> Board:
    (tmp_path / "parts.csv").write_text(f"ref,package,x_mm,y_mm,{header}\nU1,DIP-40,50,40,{row}\n")
    path = tmp_path / "board.toml"
    path.write_text(f'{HEAD}parts = "parts.csv"\n')
    return read_board(path)


def test_a_pair_in_the_layout(tmp_path):
    (part,) = _inline(tmp_path, "watts = [0.4, 0.75]").parts
    assert part.watts == (0.4, 0.75)


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("watts_typical,watts_most", "0.4,0.75"),
        ("watts", '"0.4, 0.75"'),
        ("watts", '"0.4,0.75"'),
        ("watts", "0.4 0.75"),
        ("watts", "0.4/0.75"),
        ("watts", '"0,4; 0,75"'),
    ],
)
def test_columns_of_a_parts_file(tmp_path, header, row):
    (part,) = _table(tmp_path, header, row).parts
    assert part.watts == (0.4, 0.75)


def test_a_family_by_name_as_the_table_writes_it(tmp_path):
    (part,) = _inline(tmp_path, 'family = "NMOS CPU"').parts
    assert (part.family, part.watts) == ("nmos-cpu", None)


@pytest.mark.parametrize(
    ("says", "told"),
    [
        ("watts = [0.75, 0.4]", "typical 0.75 is above most 0.4"),
        ("watts = [-1, 0.4]", "-1 is below 0"),
        ("watts = 0.4", "0.4 is not two numbers"),
        ("watts = [0.4, 0.5, 0.6]", "is not two numbers"),
        ("watts_most = 0.4", r"write watts = \[typical, most\]"),
        ('family = "nmos-cqu"', "did you mean nmos-cpu"),
    ],
)
def test_what_cannot_be_is_one_line_with_its_place(tmp_path, says, told):
    with pytest.raises(InputError, match=told) as caught:
        _inline(tmp_path, says)
    assert len(caught.value.faults) == 1
    assert "part 1 (U1)" in str(caught.value)


@pytest.mark.parametrize(
    ("header", "row", "told"),
    [
        ("watts_typical", "0.4", "row 2, watts_most: it is missing"),
        ("watts_typical,watts_most", "0.8,0.4", "typical 0.8 is above most 0.4"),
        ("watts", "lots", "is not two numbers"),
        ("watts", "0.4 lots", '"lots" is not a number'),
        ("watts,watts_typical,watts_most", "0.4 0.5,0.4,0.5", "say it too"),
        ("wats", "1", "did you mean watts"),
    ],
)
def test_what_cannot_be_in_a_parts_file_names_row_and_column(tmp_path, header, row, told):
    with pytest.raises(InputError, match=told):
        _table(tmp_path, header, row)


@pytest.mark.parametrize("parts_name", [None, "parts.csv"])
@pytest.mark.parametrize("says", ["watts = [0, 0]", "watts = [0.4, 0.75]", 'family = "ls-ttl-gate"'])
def test_it_is_written_and_read_back_alike(tmp_path, says, parts_name):
    board = _inline(tmp_path, says)
    again = tmp_path / "again"
    again.mkdir()
    write_board(board, again / "board.toml", parts_name=parts_name)
    (part,) = read_board(again / "board.toml").parts
    assert (part.watts, part.family) == (board.parts[0].watts, board.parts[0].family)


def test_the_placing_page_keeps_it(tmp_path):
    (part,) = _inline(tmp_path, 'watts = [0.4, 0.75]\nfamily = "nmos-cpu"').parts
    values = _part_values(part)
    assert [values[key] for key in ("watts_typical", "watts_most", "family")] == [0.4, 0.75, "nmos-cpu"]


def test_every_family_has_a_source_and_figures_in_order():
    names = [family.name for family in known_families()]
    assert len(names) == len(set(names)) >= 40
    for family in known_families():
        assert 0 <= family.typical_w <= family.most_w
        assert family.source
        assert power_family(family.name) is family
    with data_path("calibration", "powers.csv").open() as file:
        assert all(len(row) == 8 for row in csv.reader(line for line in file if not line.startswith("#")))


@pytest.mark.parametrize(
    ("ref", "kind", "value", "family"),
    [
        ("J1", None, None, "connector"),
        ("C3", "100n", None, "capacitor"),
        ("X1", "crystal", None, "crystal"),
        ("X1", "crystal oscillator", None, None),
        ("SW1", None, None, "switch"),
        ("Q1", "5 V regulator", None, "linear-regulator"),
        ("IC3", None, "78L05", "small-regulator"),
        ("IC3", None, "LM7812CT", "linear-regulator"),
        ("U1", "8-bit CPU", None, None),
        ("CR2", None, None, None),
        ("U9", None, "74LS00", None),
        ("P3", "potentiometer", None, None),
        ("U4", "analog switch", None, None),
    ],
)
def test_parts_that_give_no_heat_are_known_by_kind(ref, kind, value, family):
    found = family_by_kind(ref, kind, value)
    assert (found.name if found else None) == family
