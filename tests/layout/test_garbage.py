"""Whatever a file holds, reading it ends with a result or with plain lines, never with a fault of the program."""

# ruff: noqa: E501 - pieces of files read better one a line
from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from thermscan.errors import InputError
from thermscan.layout.importing.importing import import_layout, save_imported
from thermscan.layout.reading import read_board
from thermscan.runs.reading import read_run

BOARD = '[board]\nwidth_mm = 100\nheight_mm = 80\nparts = "parts.csv"\n'

# TOML values of all kinds, wrong ones as well as right ones.
VALUES = st.sampled_from(
    ["1", "-1", "0", "1e400", "nan", "inf", "true", '""', '"x"', '"\\u0000"', "[]", "[1, 2]", "[[1, 2], [3]]", "{}",
     "[{}]", "{ a = 1 }", "2026-05-02", "2026-05-02T10:00:00Z", "10:00:00", '"U1"', '"DIP-16"', "[50, 40]", '["a", "b"]',
     "99999999999999999999999999", '"/etc/passwd"', '".."', '"*"', '"[" ']
)  # fmt: skip
BOARD_KEYS = st.sampled_from(
    ["name", "revision", "width_mm", "height_mm", "outline_mm", "thickness_mm", "surface", "parts"]
)
PART_KEYS = st.sampled_from(["ref", "kind", "package", "body_mm", "at_mm", "rotation_deg", "group", "surface", "max_c"])
RUN_KEYS = st.sampled_from(
    ["layout", "frames", "unit", "ambient_c", "reflected_c", "minutes_on", "camera", "taken", "supply", "corners_px", "landmarks"]
)  # fmt: skip


def table(keys: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    pairs = st.dictionaries(keys, VALUES, max_size=6)
    return pairs.map(lambda found: "".join(f"{key} = {value}\n" for key, value in found.items()))


def plain_lines(error: InputError) -> None:
    assert error.exit_status == 2
    assert all(line and "\n" not in line for line in error.lines())
    assert not any("Error" in line or "pydantic" in line.lower() for line in error.lines())


@given(table(BOARD_KEYS), st.lists(table(PART_KEYS), max_size=3))
@settings(max_examples=120, deadline=None)
@example("width_mm = 100\nheight_mm = 80\n", ['ref = "U1"\nat_mm = [50, 40]\npackage = "DIP-16"\n'])
def test_any_layout_is_read_or_refused_in_plain_lines(board, parts):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "board.toml")
        path.write_text(f"[board]\n{board}" + "".join(f"[[part]]\n{part}" for part in parts), encoding="utf-8")
        try:
            read_board(path)
        except InputError as error:
            plain_lines(error)


@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(st.sampled_from('ref,x_mm;y_mm\tpackage\n"#U1DIP8 5.'), max_size=120).map(str.encode),
    )
)
@settings(max_examples=120, deadline=None)
@example(b'ref,x_mm,y_mm,package\n"U1,5,5,DIP-8\n')
@example(b"ref,x_mm,y_mm,package\nU1,5,5,DIP-8\n\x00")
@example(b"\xff\xfer\x00e\x00f")
def test_any_parts_file_is_read_or_refused_in_plain_lines(data):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "board.toml")
        path.write_text(BOARD)
        Path(folder, "parts.csv").write_bytes(data)
        try:
            read_board(path)
        except InputError as error:
            plain_lines(error)


@given(table(RUN_KEYS))
@settings(max_examples=120, deadline=None)
def test_any_run_file_is_read_or_refused_in_plain_lines(text):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "run.toml")
        path.write_text(text, encoding="utf-8")
        try:
            read_run(path, overrides={})
        except InputError as error:
            plain_lines(error)


CENTROID = st.text(st.sampled_from('Ref,X;Y\tPackage\nSide Rot"#U1DIP-8 5.-mmil'), max_size=150)
GERBER = st.lists(
    st.sampled_from(
        ["%TF.FileFunction,Component,L1,Top*%", "%TF.FileFunction,Profile*%", "%FSLAX46Y46*%", "%FS*%", "%MOIN*%", "%TA.AperFunction,ComponentMain*%",
         "%ADD10C,0.3*%", "D10*", "%TO.C,R1*%", "%TO.CRot,x*%", "%TO.CFtp,DIP-8*%", "X5000000Y2500000D03*", "X1D01*", "Y2D02*", "G02X1Y1I5J5D01*",
         "%TD*%", "%TD.C*%", "G36*", "M02*", "%TO*%", "%", "*", "X99999999999999999999D03*"]
    ), max_size=14,
).map("".join)  # fmt: skip
XML = st.lists(
    st.sampled_from(
        ['<IPC-2581 xmlns="http://webstds.ipc.org/2581">', "</IPC-2581>", '<CadHeader units="INCH"/>', "<Step>", "</Step>", '<Component refDes="U1"/>',
         '<Component refDes="U2"><Location x="1" y="nan"/></Component>', '<Component refDes="U3" packageRef="DIP-8"><Location x="1" y="2"/><Xform rotation="a"/></Component>',
         '<Profile><Polygon><PolyBegin x="1"/></Polygon></Profile>', "<Package/>"]
    ), max_size=10,
).map("".join)  # fmt: skip


CELLS = st.tuples(
    st.sampled_from(["U1", "U2", "", "#1", " ", "a;b", "\u202eU3", "x" * 300, "U\x00"]),
    st.sampled_from(["DIP-16", "CAP-RADIAL-8", "0805", "", "L5mm_W0mm", "X_L1.5mm_W2mm", "?", "1"]),
    *[st.sampled_from(["0", "20", "35.5", "-3", "nan", "inf", "1e9", "1e400", "", "12mm", "3 in", "x"])] * 3,
    st.sampled_from(["top", "Bottom", "T", "", "?"]),
)
ROWS = st.lists(CELLS, min_size=1, max_size=6).map(
    lambda rows: "Ref\tPackage\tX (mm)\tY (mm)\tRot\tSide\n" + "".join("\t".join(row) + "\n" for row in rows)
)


@given(st.one_of(ROWS, CENTROID, GERBER, XML, st.text(max_size=80)))
@settings(max_examples=200, deadline=None)
@example(
    '<IPC-2581><CadHeader units="INCH"/><Step><Component refDes="U3" packageRef="DIP-8"><Location x="1" y="2"/></Component></Step></IPC-2581>'
)
def test_any_file_of_another_program_is_imported_or_refused_in_plain_lines(text):
    with tempfile.TemporaryDirectory() as folder:
        source, out = Path(folder, "in.txt"), Path(folder, "board.toml")
        source.write_text(text, encoding="utf-8")
        try:
            save_imported(import_layout([source]), out)
        except InputError as error:
            plain_lines(error)
            return
        read_board(out)


@pytest.mark.parametrize("name", ["board.toml", "run.toml"])
def test_a_file_as_large_as_a_disk_image_is_not_read(tmp_path, name):
    path = tmp_path / name
    with path.open("wb") as file:
        file.truncate(30_000_000)
    with pytest.raises(InputError, match="has 30000000 bytes, too many for a text file like this"):
        read_board(path) if name == "board.toml" else read_run(path, overrides={})
