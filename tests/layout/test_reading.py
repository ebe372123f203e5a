"""Layouts as people and spreadsheets write them, sound and faulty."""

# ruff: noqa: E501 - cases read better as a table, one a line
from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from thermscan.errors import InputError
from thermscan.layout.reading import read_board
from thermscan.runs.reading import read_run

BOARD = '[board]\nname = "display"\nwidth_mm = 180\nheight_mm = 120.0\n'
PART = '[[part]]\nref = "U1"\npackage = "DIP-40"\nat_mm = [60, 40]\n'


def layout(tmp_path: Path, text: str, parts: str | bytes | None = None) -> Path:
    path = tmp_path / "board.toml"
    path.write_text(text, encoding="utf-8")
    if parts is not None:
        data = parts.encode("utf-8") if isinstance(parts, str) else parts
        (tmp_path / "parts.csv").write_bytes(data)
    return path


def faults(path: Path) -> list[str]:
    """Fault lines, with the folder taken off."""
    with pytest.raises(InputError) as caught:
        read_board(path)
    return [line.replace(f"{path.parent}/", "") for line in caught.value.lines()]


def test_a_part_takes_its_body_from_the_package_and_is_plastic_unless_stated(tmp_path):
    board = read_board(layout(tmp_path, BOARD + PART))
    part = board.part("U1")
    assert (part.length_mm, part.width_mm) == (52.3, 13.8)
    assert (part.x_mm, part.y_mm, part.rotation_deg) == (60.0, 40.0, 0.0)
    assert (part.surface.name, board.surface.name) == ("plastic", "solder-mask")
    assert (board.width_mm, board.height_mm, board.thickness_mm) == (180.0, 120.0, 1.6)
    assert part.height_mm is None


def test_a_package_tells_how_high_its_body_usually_stands_without_stating_it(tmp_path):
    part = read_board(layout(tmp_path, BOARD + PART)).part("U1")
    assert (part.height_mm, part.usual_height_mm) == (None, 4.5)
    stated = read_board(layout(tmp_path, BOARD + PART + "height_mm = 9.0\n")).part("U1")
    assert (stated.height_mm, stated.usual_height_mm) == (9.0, 4.5)
    bare = PART.replace('package = "DIP-40"', "body_mm = [20.0, 7.0]")
    assert read_board(layout(tmp_path, BOARD + bare)).part("U1").usual_height_mm is None


def test_a_body_given_wins_over_the_package_and_an_emissivity_over_the_surface(tmp_path):
    text = BOARD + PART + "body_mm = [50, 12.5]\nsurface = 'ceramic'\nemissivity = 0.8\nmax_c = 85\nheight_mm = 4\n"
    part = read_board(layout(tmp_path, text)).part("U1")
    assert (part.length_mm, part.width_mm, part.max_c, part.height_mm) == (50.0, 12.5, 85.0, 4.0)
    assert (part.surface.name, part.surface.emissivity) == ("ceramic", 0.8)


def test_a_metal_can_is_metal_unless_stated(tmp_path):
    text = (
        BOARD
        + PART.replace("DIP-40", "HC-49/U")
        + PART.replace("U1", "Q9").replace("DIP-40", "TO-3").replace("60, 40", "120, 40")
        + 'surface = "tape"\n'
    )
    board = read_board(layout(tmp_path, text))
    assert [part.surface.name for part in board.parts] == ["metal", "tape"]


@pytest.mark.parametrize(
    "parts",
    [
        "ref,package,x_mm,y_mm,rotation_deg\nU1,DIP-16,30.5,40,90\nU2,DIP-16,60.5,40,\n",
        "\ufeffref;package;x_mm;y_mm;rotation_deg\r\nU1;DIP-16;30,5;40;90\r\n\r\nU2;DIP-16;60,5;40;\r\n",
        "ref\tpackage\tx_mm\ty_mm\trotation_deg\nU1\tDIP-16\t30.5\t40\t90\nU2\tDIP-16\t60.5\t40\t\n",
        "sep=;\nref;package;x_mm;y_mm;rotation_deg;\nU1;DIP-16;30,5;40;90;\nU2;DIP-16;60,5;40;;\n;;;;;\n",
        '# measured by ruler\n\nRef , Package, X_mm, Y mm, rotation_deg\nU1, "DIP-16", 30.5, 40, 90\n# U9,DIP-8,1,1,0\nU2,DIP-16,60.5,40\n',
        "ref,package,x_mm,y_mm,rotation_deg\nU1,DIP-16,30.5,40,90\nU2,DIP-16,60.5,40,\n".encode("utf-16"),
    ],
    ids=["comma", "semicolon, decimal comma, BOM", "tab", "sep line, trailing delimiters", "comments", "UTF-16"],
)
def test_parts_files_are_read_as_spreadsheets_write_them(tmp_path, parts):
    board = read_board(layout(tmp_path, BOARD + 'parts = "parts.csv"\n', parts))
    assert [(p.ref, p.x_mm, p.y_mm, p.rotation_deg) for p in board.parts] == [
        ("U1", 30.5, 40.0, 90.0),
        ("U2", 60.5, 40.0, 0.0),
    ]
    assert board.parts_path == tmp_path / "parts.csv"


def test_every_fault_of_layout_and_parts_file_is_told_at_once_with_row_and_key(tmp_path):
    text = '[board]\nwidth_mm = "180"\nheight_mm = 120\nsurfase = "tape"\nparts = "parts.csv"\n'
    parts = (
        "ref,package,x_mm,y_mm,rotation_deg,surface,max_c,length_mm,width_mm\n"
        "U1,DIP-40,30,40,ninety,,,,\n"
        "U2,DIP-41,30,80,,plastik,,,\n"
        "U1,DIP-8,nan,90,,,,,\n"
        "U3,,10,10,,,999,4,\n"
        ",DIP-8,10,10,,,,,\n"
        "U4,DIP-8,,10,,,,-5,3\n"
    )
    assert faults(layout(tmp_path, text, parts)) == [
        'board.toml, board, width_mm: "180" is not a number; write it without quotes',
        "board.toml, board, surfase: unknown key; did you mean surface?",
        'parts.csv, row 2, rotation_deg: "ninety" is not a number; write degrees, such as 90',
        'parts.csv, row 3, surface: "plastik" is not a known surface; did you mean plastic?',
        'parts.csv, row 3, package: "DIP-41" is not a known package; did you mean DIP-40? If not, give the body\'s size',
        'parts.csv, row 4: ref "U1" is there twice, first in parts.csv, row 2; give each part its own ref',
        "parts.csv, row 4, x_mm: nan is not a finite number; write millimetres, such as 12.5",
        "parts.csv, row 5, max_c: 999 is not within -55 to 400 degrees Celsius; write degrees Celsius, such as 85",
        "parts.csv, row 6, ref: it is missing; write the part's reference designator, such as U7",
        "parts.csv, row 7, x_mm: it is missing; write where the body's centre is, in millimetres from the board's left edge",
        "parts.csv, row 7, length_mm: -5 is not above 0; write millimetres, such as 12.5",
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "board.toml: the file is empty; save it again"),
        ("[board\n", "board.toml, line 1, column 7: not valid TOML: expected ']' at the end of a table declaration"),
        ('width_mm = 3\n', "board.toml, width_mm: unknown key; write it below a line [board]"),
        ("[board]\nname = 'x'\n", "board.toml, board: width_mm and height_mm missing; give both, or outline_mm"),
        ("[bord]\nwidth_mm = 3\n", "board.toml, bord: unknown key; did you mean board?"),
        (BOARD + "[[parts]]\nref='U1'\n", "board.toml, parts: unknown key; did you mean part?"),
        (BOARD + "[part]\nref='U1'\n", "board.toml, part: is not a list of tables; write [[part]] before each part"),
        (BOARD + "[[part]]\nref='U1'\nat_mm=[10, 10]\n", "board.toml, part 1 (U1): neither package nor body is given"),
        (BOARD + PART.replace("[60, 40]", "[60]"), "board.toml, part 1 (U1), at_mm: [60] is not a pair of numbers"),
        (BOARD + PART + "x_mm = 3\n", "board.toml, part 1 (U1), x_mm: unknown key; write at_mm = [x, y]"),
        (BOARD + PART + "body_mm = [5, 0]\n", "board.toml, part 1 (U1), body_mm, item 2: 0 is not above 0"),
        (BOARD + PART + "rotation_deg = true\n", "board.toml, part 1 (U1), rotation_deg: true is not a number"),
        (BOARD + PART + "emissivity = 1.2\n", "board.toml, part 1 (U1), emissivity: 1.2 is not above 0 and at most 1"),
        (BOARD + PART + "max_c = inf\n", "board.toml, part 1 (U1), max_c: inf is not within -55 to 400"),
        (BOARD + PART.replace('"U1"', "7"), "board.toml, part 1, ref: 7 is not text; write it between quotes"),
        (BOARD + PART.replace('"U1"', '"#1"'), 'board.toml, part 1 (#1), ref: "#1" starts with #'),
        (BOARD + PART.replace('"U1"', '"U\\n1"'), "board.toml, part 1 (U 1), ref: the text holds a line break"),
        (BOARD + PART + PART, 'board.toml, part 2 (U1): ref "U1" is there twice, first in board.toml, part 1 (U1)'),
        (BOARD + PART.replace("60, 40", "600, 40"), "board.toml, part 1 (U1): U1 at (600, 40) lies outside the board"),
        (BOARD + 'parts = "/etc/passwd"\n', 'board.toml, board, parts: "/etc/passwd" leads out of the layout\'s folder'),
        (BOARD + 'parts = "../parts.csv"\n', 'board.toml, board, parts: "../parts.csv" leads out of'),
        (BOARD + 'parts = "~/parts.csv"\n', 'board.toml, board, parts: "~/parts.csv" leads out of'),
        (BOARD + "parts = 'C:\\parts.csv'\n", 'board.toml, board, parts: "C:\\parts.csv" leads out of'),
        (BOARD + 'parts = "parts.csv"\n', "parts.csv: no such file; check the name and the folder"),
        ("[board]\noutline_mm = [[0, 0], [9, 9]]\n", "board.toml, board, outline_mm: 2 different points do not make"),
        ("[board]\noutline_mm = [[0, 0], [9, 9], [9, 0], [0, 9]]\n", "board.toml, board, outline_mm: the sides that start"),
        ("[board]\noutline_mm = [[0, 0], [9, 9], [4, 4]]\n", "board.toml, board, outline_mm: the points lie on one line"),
        ("[board]\noutline_mm = [[0, 0], [9, nan], [4, 4]]\n", "board.toml, board, outline_mm, item 2: nan is not a finite"),
        ("[board]\nwidth_mm = 8\noutline_mm = [[0, 0], [9, 0], [9, 4]]\n", "board.toml, board, width_mm: 8 does not agree"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_one_line(tmp_path, text, expected):
    lines = faults(layout(tmp_path, text))
    assert len(lines) == 1
    assert lines[0].startswith(expected)
    assert "\n" not in lines[0]


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ("ref,x_mm,y_mm,package,rotatoin_deg\nU1,9,9,DIP-8,0\n", "parts.csv, rotatoin_deg: unknown column; did you mean"),
        ("ref,package\nU1,DIP-8\n", "parts.csv: no column x_mm or y_mm; name the columns in the first line"),
        ("ref,x_mm,y_mm,package,ref\nU1,9,9,DIP-8,U1\n", "parts.csv, row 1, ref: the column is there twice"),
        ("ref,x_mm,y_mm,package\nU1,9,9,DIP-8,77\n", "parts.csv, row 2: 5 cells where the header has 4"),
        ("ref,x_mm,y_mm,length_mm\nU1,9,9,3\n", "parts.csv, row 2, width_mm: it is missing; give length_mm and width_mm"),
        ("ref,x_mm,y_mm,package\nU1,9;5,9,DIP-8\n", 'parts.csv, row 2, x_mm: "9;5" is not a number'),
        ("ref,at_mm,x_mm,y_mm,package\nU1,9,9,9,DIP-8\n", "parts.csv, at_mm: unknown column; use the columns x_mm and y_mm"),
        ("\n \n", "parts.csv: the file is empty"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_parts_file_is_said_in_one_line(tmp_path, parts, expected):
    lines = faults(layout(tmp_path, BOARD + 'parts = "parts.csv"\n', parts))
    assert len(lines) == 1
    assert lines[0].startswith(expected)


def test_a_part_that_is_not_on_the_board_is_a_fault_but_one_that_sticks_out_a_remark(tmp_path):
    board = read_board(layout(tmp_path, BOARD + PART.replace("60, 40", "10, 40").replace("U1", "J1")))
    assert board.remarks == ("J1 reaches 16.1 mm beyond the board's edge",)


def test_overlapping_bodies_are_a_remark_and_touching_ones_are_not(tmp_path):
    # Bodies 13.8 mm wide: 13.8 mm apart they touch; 10 mm apart they overlap by 3.8 mm.
    def at(y: float) -> str:
        second = PART.replace("U1", "U2").replace("[60, 40]", f"[60, {y}]")
        return BOARD + "".join(p + 'group = "cpu"\n' for p in (PART, second))

    assert read_board(layout(tmp_path, at(53.8))).remarks == ()
    assert read_board(layout(tmp_path, at(50.0))).remarks == ("U1 and U2 overlap by 3.8 mm",)


def test_rotated_bodies_overlap_as_they_lie_and_round_ones_as_discs(tmp_path):
    def two(first: str, second: str) -> tuple[str, ...]:
        return read_board(
            layout(tmp_path, BOARD + f"[[part]]\nref='A'\ngroup='g'\n{first}\n[[part]]\nref='B'\ngroup='g'\n{second}\n")
        ).remarks

    crossed = two("body_mm=[40, 4]\nat_mm=[50, 50]", "body_mm=[40, 4]\nat_mm=[50, 50]\nrotation_deg=90")
    assert crossed == ("A and B overlap by 22.0 mm",)
    # Squares of side 10 set 8 mm apart along both axes overlap at a corner; discs of that diameter do not (11.3 mm apart).
    assert two("body_mm=[10, 10]\nat_mm=[50, 50]", "body_mm=[10, 10]\nat_mm=[58, 58]") == ("A and B overlap by 2.0 mm",)
    assert two("package='CAP-RADIAL-10'\nat_mm=[50, 50]", "package='CAP-RADIAL-10'\nat_mm=[58, 58]") == ()


def test_an_unknown_package_with_a_body_is_a_remark(tmp_path):
    board = read_board(layout(tmp_path, BOARD + PART.replace("DIP-40", "MODULE-9") + "body_mm = [5, 5]\n"))
    assert board.part("U1").package == "MODULE-9"
    assert board.remarks[0].startswith('U1: package "MODULE-9" is not known, its body is as given')


def test_a_package_that_is_not_known_is_told_once(tmp_path):
    parts = "".join(
        f"[[part]]\nref = 'U{n}'\npackage = 'MODULE-9'\nbody_mm = [5, 5]\nat_mm = [{10 * n}, 20]\n" for n in range(1, 9)
    )
    said = [remark for remark in read_board(layout(tmp_path, BOARD + parts)).remarks if "MODULE-9" in remark]
    assert len(said) == 1
    assert said[0].startswith('U1, U2, U3, U4, U5, U6 and 2 more: package "MODULE-9" is not known, their bodies are as')


def test_a_spreadsheet_in_windows_1252_with_headings_of_its_own_is_read(tmp_path):
    (tmp_path / "parts.csv").write_bytes(
        "Designator;X (mm);Pos Y;Footprint;Rot;note\nÜ1;20,5;30;DIP-16;90;für\n".encode("cp1252")
    )
    (part,) = read_board(layout(tmp_path, BOARD.rstrip() + '\nparts = "parts.csv"\n')).parts
    assert (part.ref, part.x_mm, part.y_mm, part.package, part.rotation_deg, part.note) == (
        "Ü1",
        20.5,
        30.0,
        "DIP-16",
        90.0,
        "für",
    )


@pytest.mark.parametrize(
    ("line", "advice"),
    [
        ("ambient_c = 22,0", "write it with a point: ambient_c = 22.0"),
        ("stage = all chips fitted  # text", 'write text between quotes: stage = "all chips fitted"'),
        ("layout = board.toml", 'write text between quotes: layout = "board.toml"'),
        ("minutes_on = 15 min", "write the number alone: minutes_on = 15"),
        ("note = [1, 2", "correct it"),
    ],
)
def test_slips_in_toml_are_answered_with_what_to_write(tmp_path, line, advice):
    path = tmp_path / "run.toml"
    path.write_text(f"frames = ['idle.tiff']\n{line}\noperator = 'bench'\n")
    with pytest.raises(InputError) as caught:
        read_run(path, overrides={})
    assert str(caught.value).endswith(f"; {advice}")


def test_an_outline_runs_clockwise_from_zero_and_parts_move_with_it(tmp_path):
    # Anticlockwise as seen, closed, and 10, 20 away from the origin.
    text = "[board]\noutline_mm = [[10, 20], [10, 60], [90, 60], [90, 20], [10, 20]]\n" + PART
    board = read_board(layout(tmp_path, text))
    assert board.outline_mm.tolist() == [[0, 0], [80, 0], [80, 40], [0, 40]]
    assert (board.part("U1").x_mm, board.part("U1").y_mm) == (50.0, 20.0)
    assert board.remarks[0].startswith("the outline starts at (10, 20) and not at (0, 0)")


def test_an_l_shaped_board_knows_its_missing_corner(tmp_path):
    text = "[board]\noutline_mm = [[0, 0], [100, 0], [100, 50], [50, 50], [50, 100], [0, 100]]\n"
    assert read_board(layout(tmp_path, text + PART.replace("60, 40", "30, 40"))).remarks == ()
    (line,) = faults(layout(tmp_path, text + PART.replace("60, 40", "80, 80").replace("DIP-40", "DIP-8")))
    assert "U1 at (80, 80) lies outside the board" in line


def test_groups_of_one_and_refs_that_differ_in_capitals_are_remarked(tmp_path):
    text = BOARD + PART + 'group = "cpu"\n' + PART.replace("U1", "u1").replace("60, 40", "60, 80")
    assert set(read_board(layout(tmp_path, text)).remarks) == {
        'group "cpu" has one part, so it has no peers',
        "U1 and u1 differ only in capitals",
    }


def test_a_layout_of_120_parts_all_in_one_place_is_told_shortly(tmp_path):
    rows = "".join(f"U{i},DIP-8,50,50\n" for i in range(120))
    board = read_board(layout(tmp_path, BOARD + 'parts = "parts.csv"\n', f"ref,package,x_mm,y_mm\n{rows}"))
    overlaps = [remark for remark in board.remarks if "overlap" in remark]
    assert len(overlaps) == 21
    assert overlaps[-1] == f"and {120 * 119 // 2 - 20} more overlaps"


def test_a_layout_keeps_the_hashes_of_both_files(tmp_path):
    import hashlib

    path = layout(tmp_path, BOARD + 'parts = "parts.csv"\n', "ref,package,x_mm,y_mm\nU1,DIP-8,50,50\n")
    board = read_board(path)
    assert board.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert board.parts_sha256 == hashlib.sha256((tmp_path / "parts.csv").read_bytes()).hexdigest()


def test_a_link_out_of_the_folder_is_refused(tmp_path):
    outside = tmp_path / "elsewhere.csv"
    outside.write_text("ref,package,x_mm,y_mm\n")
    job = tmp_path / "job"
    job.mkdir()
    (job / "parts.csv").symlink_to(outside)
    assert "leads out of the layout's folder" in faults(layout(job, BOARD + 'parts = "parts.csv"\n'))[0]


def test_rotation_is_clockwise_as_seen(tmp_path):
    part = read_board(layout(tmp_path, BOARD + PART + "rotation_deg = 90\n")).part("U1")
    # The end that points right at rotation 0 points down after a quarter turn clockwise.
    assert part.board_from_body(np.array([[1.0, 0.0]])) == pytest.approx(np.array([[60.0, 41.0]]))


@pytest.mark.parametrize(
    ("body", "usual_mm"), [("", 19.0), ("body_mm = [10.2, 4.6]", 19.0), ("body_mm = [15.0, 10.2]", None)]
)
def test_a_package_lends_its_height_only_to_a_body_of_its_own_outline(tmp_path, body, usual_mm):
    # JEDEC TO-220 (calibration/packages.csv): upright 10.16 x 4.57 and 19 mm high; lying down 15 mm of it show.
    layout = tmp_path / "board.toml"
    layout.write_text(
        '[board]\nname = "b"\nwidth_mm = 60\nheight_mm = 40\n'
        f'[[part]]\nref = "Q1"\npackage = "TO-220"\nat_mm = [30, 20]\n{body}\n'
    )
    assert read_board(layout).parts[0].usual_height_mm == usual_mm
