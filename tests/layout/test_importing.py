"""Layouts from other programs' files."""

# ruff: noqa: E501 - tables of files read better as they are
from __future__ import annotations

from pathlib import Path

import pytest

from thermscan.errors import InputError
from thermscan.layout.importing.importing import import_layout, save_imported
from thermscan.layout.importing.layout_from import Imported
from thermscan.layout.reading import read_board

SIZE = (100.0, 80.0)

# The usual dialects of one board: U1 (DIP-16) at 20, 30 and U2 at 60, 30 mm from the lower left, R1 on the bottom.
TABLES = {
    "comma, units in cells": "Designator,Comment,Layer,Footprint,Center-X(mm),Center-Y(mm),Rotation\n"
    '"U1","RAM","TopLayer","DIP-16","20.0000","30.0000","0"\n"U2","RAM","TopLayer","DIP-16","60.0000","30.0000","0"\n"R1","1k","BottomLayer","0805","5","6","90"\n',
    "mil, unit in a line before": 'Board information\nUnits used: mil\n\n"Designator","Footprint","Mid X","Mid Y","Ref X","Ref Y","TB","Rotation","Comment"\n'
    '"U1","DIP-16","787.4mil","1181.1mil","0mil","0mil","T","0.00","RAM"\n"U2","DIP-16","2362.2mil","1181.1mil","0mil","0mil","T","0.00","RAM"\n"R1","0805","196.85mil","236.22mil","0mil","0mil","B","90","1k"\n',
    "blanks, comment header": "### Footprint positions ###\n## Unit = mm, Angle = deg.\n## Side : All\n# Ref     Val       Package                PosX       PosY       Rot  Side\n"
    "U1        RAM       DIP-16_W7.62mm      20.0000    30.0000    0.0000  top\nU2        RAM       DIP-16_W7.62mm      60.0000    30.0000    0.0000  top\nR1        1k        R_0805_2012Metric    5.0000     6.0000   90.0000  bottom\n## End\n",
    "semicolon, decimal comma": "RefDes;Package;X (mm);Y (mm);Angle;Side;Value\nU1;DIP-16;20,0;30,0;0;top;RAM\nU2;DIP-16;60,0;30,0;0;top;RAM\nR1;0805;5;6;90;bottom;1k\n",
    "inch, unit in the header": "Ref,Package,X (in),Y (in),Rot,Side,Value\nU1,DIP-16,0.787402,1.181102,0,Top,RAM\nU2,DIP-16,2.362205,1.181102,0,Top,RAM\nR1,0805,0.19685,0.23622,90,Bot,1k\n",
}


def imported(tmp_path: Path, text: str, **options: object) -> Imported:
    path = tmp_path / "pick.csv"
    path.write_text(text, encoding="utf-8")
    return import_layout([path], **options)


@pytest.mark.parametrize("text", TABLES.values(), ids=TABLES.keys())
def test_centroid_tables_are_read_in_their_usual_dialects(tmp_path, text):
    result = imported(tmp_path, text, size_mm=SIZE)
    # y counts down from the top edge: 80 - 30.
    places = [(row["ref"], row["package"], row["x_mm"], row["y_mm"], row["value"]) for row in result.rows]
    assert [place[:2] for place in places] == [("U1", "DIP-16"), ("U2", "DIP-16")]
    assert [place[2:4] for place in places] == [pytest.approx((20, 50), abs=0.001), pytest.approx((60, 50), abs=0.001)]
    assert places[0][4] == "RAM"
    assert "1 parts on the other side were left out" in result.remarks


@pytest.mark.parametrize("text", TABLES.values(), ids=TABLES.keys())
def test_the_bottom_is_seen_when_the_board_is_turned_over(tmp_path, text):
    (row,) = imported(tmp_path, text, size_mm=SIZE, side="bottom").rows
    # Turned over from left to right: x = 100 - 5; what was up stays up.
    assert (row["x_mm"], row["y_mm"]) == pytest.approx((95, 74), abs=0.001)
    assert (row["package"], row["rotation_deg"]) == ("0805", 90.0)


def test_rotation_turns_from_counterclockwise_to_clockwise(tmp_path):
    text = "Ref,Package,X (mm),Y (mm),Rot,Side\nR1,1206,20,30,30,top\nR2,1206,20,60,30,bottom\n"
    (row,) = imported(tmp_path, text, size_mm=SIZE).rows
    assert row["rotation_deg"] == 330.0
    (row,) = imported(tmp_path, text, size_mm=SIZE, side="bottom").rows
    assert row["rotation_deg"] == 30.0


def test_a_table_that_counts_down_from_the_top_is_taken_so(tmp_path):
    text = "Ref,Package,X (mm),Y (mm),Rot\nR1,1206,20,30,30\n"
    up, down = (imported(tmp_path, text, size_mm=SIZE, y_down=y_down) for y_down in (False, True))
    assert [(row["x_mm"], row["y_mm"], row["rotation_deg"]) for row in (*up.rows, *down.rows)] == [
        (20.0, 50.0, 330.0),
        (20.0, 30.0, 30.0),
    ]
    assert any("give --y-down" in remark for remark in up.remarks)
    assert not any("give --y-down" in remark for remark in down.remarks)
    moved = imported(tmp_path, text, size_mm=SIZE, origin_mm=(10.0, 5.0), y_down=True)
    assert (moved.rows[0]["x_mm"], moved.rows[0]["y_mm"]) == (10.0, 25.0)


def test_dual_row_packages_stand_upright_unless_fewer_bodies_overlap_lying(tmp_path):
    # 10 mm apart side by side: a DIP-16 (19.3 x 6.35) must stand upright.
    beside = "Ref,Package,X (mm),Y (mm),Rot\n" + "".join(f"U{i},DIP-16,{20 + 10 * i},40,0\n" for i in range(4))
    result = imported(tmp_path, beside, size_mm=SIZE)
    assert {row["rotation_deg"] for row in result.rows} == {270.0}
    assert any("were taken to stand upright at rotation 0" in remark for remark in result.remarks)
    # 10 mm apart one above the other: they lie level.
    above = "Ref,Package,X (mm),Y (mm),Rot\n" + "".join(f"U{i},DIP-16,40,{20 + 10 * i},0\n" for i in range(4))
    assert {row["rotation_deg"] for row in imported(tmp_path, above, size_mm=SIZE).rows} == {None}
    told = imported(tmp_path, above, size_mm=SIZE, dual_rows="upright")
    assert {row["rotation_deg"] for row in told.rows} == {270.0}


def test_what_was_not_understood_is_listed_and_kept_for_completing(tmp_path):
    text = (
        "Ref,Package,X (mm),Y (mm),Rot,Side,Supplier\n"
        "U1,DIP-16,20,30,0,top,a\nU2,MODULE-X,60,30,0,top,a\nU3,DIP-8,sixty,30,0,top,a\n"
        "U4,DIP-8,60,30,0,inner,a\nU1,DIP-16,20,60,0,top,a\n"
    )
    result = imported(tmp_path, text, size_mm=SIZE)
    assert [row["ref"] for row in result.rows] == ["U1"]
    assert set(result.not_understood) == {
        "row 4: no ref, or no number for its place or rotation: U3,DIP-8,sixty,30,0,top,a",
        'U4: side "inner" is neither top nor bottom',
        "columns not used: Supplier",
        "U1 is there more than once; the first was taken",
        'U2: package "MODULE-X" is not known',
    }
    out = tmp_path / "board.toml"
    save_imported(result, out)
    assert [part.ref for part in read_board(out).parts] == ["U1"]
    parts = (tmp_path / "board-parts.csv").read_text()
    assert "\n#U2,MODULE-X,60.0,50.0" in parts
    completed = parts.replace("#U2,MODULE-X", "U2,DIP-8")
    (tmp_path / "board-parts.csv").write_text(completed)
    assert [part.ref for part in read_board(out).parts] == ["U1", "U2"]


def test_a_spreadsheet_of_ones_own_is_read_with_a_column_map(tmp_path):
    text = "Bauteil;Rechts;Hoch;Gehäuse;Gruppe;Grenze\nIC1;20,5;30;DIP-16;ram;85\n"
    column_map = {
        "ref": "Bauteil",
        "x_mm": "Rechts",
        "y": "hoch",
        "package": "Gehäuse",
        "group": "Gruppe",
        "max_c": "Grenze",
    }
    result = imported(tmp_path, text, size_mm=SIZE, unit="mm", column_map=column_map)
    (row,) = result.rows
    assert (row["ref"], row["x_mm"], row["y_mm"], row["group"], row["max_c"]) == ("IC1", 20.5, 50.0, "ram", "85")
    with pytest.raises(InputError, match='no column "Gehause"; write the column\'s name as in the file'):
        imported(tmp_path, text, unit="mm", column_map={**column_map, "package": "Gehause"})


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a,b,c\n1,2,3\n", 'pick.csv: no header with a ref, an x and a y column; it begins "a,b,c"; name them with --map'),
        ("Ref,X,Y\n", "pick.csv: the table has no rows with ref, x and y"),
        ("Ref,X,Y,Package\nU1,0,0,DIP-8\nU2,20,20,DIP-8\n", "pick.csv: no unit is stated (the parts would span mm: 20 mm, inch: 508 mm, mil: 0.508 mm)"),
        ("Ref,X (mm),Y (mm),Package,Side\nU1,1,1,DIP-8,bottom\n", "pick.csv: no part on the top side; the file has 1 on the other side: give --side"),
        ("Ref,X (mm),Y (mm),Package\nU1,-40,1,DIP-8\n", "pick.csv: places run from (-40, 1) to (-40, 1) mm, beyond the board given; give --origin X,Y"),
        ("%FSLAX46Y46*%%MOMM*%%TF.FileFunction,Copper,L1,Top*%M02*", "pick.csv: not a Gerber component layer: its file function is Copper,L1,Top"),
        ("<board/>", "pick.csv: the outermost element is board, not IPC-2581"),
        ("<!DOCTYPE x [<!ENTITY a 'b'>]><IPC-2581/>", "pick.csv: the file defines entities, which are refused"),
        ("<IPC-2581>", "pick.csv: not valid XML (no element found"),
        ("<IPC-2581/>", "pick.csv: the CadHeader states no known unit"),
    ],
)  # fmt: skip
def test_what_cannot_be_imported_is_said_in_one_line(tmp_path, text, expected):
    with pytest.raises(InputError) as caught:
        imported(tmp_path, text, size_mm=SIZE)
    (line,) = caught.value.lines()
    assert line.replace(f"{tmp_path}/", "").startswith(expected)


def test_a_unit_that_only_one_reading_makes_plausible_is_taken_and_said(tmp_path):
    text = "Ref,X,Y,Package\nU1,1000,1000,DIP-8\nU2,3000,2000,DIP-8\n"
    result = imported(tmp_path, text)
    assert result.remarks[0] == "no unit is stated: mil was taken; if that is wrong, give --unit"
    assert float(result.rows[1]["x_mm"]) - float(result.rows[0]["x_mm"]) == pytest.approx(50.8)


# A component layer in the manner of the specification's own examples: attributes .C, .CRot, .CVal, .CFtp; the aperture
# function ComponentMain at the centroid, ComponentOutline drawn round the body.
GERBER = """%TF.FileFunction,Component,L1,{side}*%
%FSLAX46Y46*%
%MOMM*%
%TA.AperFunction,ComponentMain*%
%ADD10C,0.300000*%
%TA.AperFunction,ComponentOutline,Courtyard*%
%ADD11C,0.100000*%
%TA.AperFunction,ComponentOutline,Body*%
%ADD12C,0.100000*%
%TA.AperFunction,ComponentPin*%
%ADD13C,0.100000*%
%TD*%
D10*
%TO.C,U1*%
%TO.CRot,90*%
%TO.CFtp,DIP-16_W7.62mm*%
%TO.CVal,RAM \\u002C fast*%
X20000000Y30000000D03*
D11*
X10000000Y22000000D02*
X50000000Y22000000D01*
X50000000Y32000000D01*
X10000000Y32000000D01*
X10000000Y22000000D01*
D13*
%TO.P,U1,1*%
X20000000Y30000000D03*
%TD*%
D10*
%TO.C,K1*%
%TO.CRot,30*%
%TO.CFtp,RELAY-X*%
X70000000Y40000000D03*
D12*
X75000000Y40000000D02*
Y44000000D01*
X65000000D01*
Y36000000D01*
X75000000D01*
Y40000000D01*
%TD*%
M02*
"""
PROFILE = """%TF.FileFunction,Profile,NP*%
%FSLAX46Y46*%
%MOMM*%
%ADD10C,0.1*%
D10*
X0Y0D02*
X100000000Y0D01*
X100000000Y80000000D01*
X0Y80000000D01*
X0Y0D01*
M02*
"""


def gerber(tmp_path: Path, layer: str, **options: object) -> Imported:
    (tmp_path / "top.gbr").write_text(GERBER.replace("{side}", layer))
    (tmp_path / "edge.gbr").write_text(PROFILE)
    return import_layout([tmp_path / "top.gbr", tmp_path / "edge.gbr"], **options)


def test_a_gerber_component_layer_gives_places_and_bodies(tmp_path):
    result = gerber(tmp_path, "Top")
    u1, k1 = result.rows
    assert (max(result.outline_mm), min(result.outline_mm)) == ((100.0, 80.0), (0.0, 0.0))
    # The place is pin 1; the courtyard (10..50 x 22..32) tells the middle, and that the body lies along x.
    assert (u1["x_mm"], u1["y_mm"], u1["package"], u1["value"]) == (30.0, 53.0, "DIP-16", "RAM , fast")
    assert u1["rotation_deg"] in (None, 180.0)
    assert u1["length_mm"] is None
    # An unknown package takes the body that is drawn, along its own rotation (30 degrees): a box round the drawn one.
    assert (k1["x_mm"], k1["y_mm"]) == (70.0, 40.0)
    assert k1["package"] == "RELAY-X"
    assert float(k1["length_mm"]) == pytest.approx(10 * 0.8660254 + 8 * 0.5, abs=0.001)


def test_a_gerber_bottom_layer_is_mirrored(tmp_path):
    result = gerber(tmp_path, "Bot", side="bottom")
    assert [row["x_mm"] for row in result.rows] == [70.0, 30.0]
    with pytest.raises(InputError, match="no part on the top side"):
        gerber(tmp_path, "Bot")


# After the elements of IPC-2581: units in inches, one package drawn off its origin, one part turned, one on the bottom.
IPC = """<?xml version="1.0" encoding="UTF-8"?>
<IPC-2581 revision="C" xmlns="http://webstds.ipc.org/2581">
 <Bom name="b"><BomItem><RefDes name="U1"/><Characteristics><Textual textualCharacteristicName="Value" textualCharacteristicValue="RAM"/></Characteristics></BomItem></Bom>
 <Ecad name="d"><CadHeader units="INCH"/><CadData>
  <Layer name="F" side="TOP"/><Layer name="B" side="BOTTOM"/>
  <Step name="display">
   <Profile><Polygon><PolyBegin x="1" y="1"/><PolyStepSegment x="5" y="1"/><PolyStepSegment x="5" y="4"/><PolyStepSegment x="1" y="4"/></Polygon></Profile>
   <Package name="BOX"><Outline><Polygon><PolyBegin x="0" y="0"/><PolyStepSegment x="0.4" y="0"/><PolyStepSegment x="0.4" y="0.2"/><PolyStepSegment x="0" y="0.2"/></Polygon></Outline></Package>
   <Package name="DIP-16"/>
   <Component refDes="U1" packageRef="BOX" layerRef="F"><Xform rotation="90"/><Location x="2" y="2"/></Component>
   <Component refDes="U2" packageRef="BOX" layerRef="B"><Xform rotation="0" mirror="true"/><Location x="2" y="2"/></Component>
   <Component refDes="U3" packageRef="DIP-16" layerRef="F"><Location x="3" y="3"/></Component>
   <Component refDes="U4" packageRef="DIP-16" layerRef="F"/>
  </Step></CadData></Ecad>
</IPC-2581>"""


def test_an_ipc_2581_board_gives_outline_bodies_and_values(tmp_path):
    path = tmp_path / "board.xml"
    path.write_text(IPC)
    result = import_layout([path])
    assert (result.name, max(result.outline_mm)) == ("display", (101.6, 76.2))
    u1, u3 = result.rows
    # Turned by 90 degrees counterclockwise, the box (0..0.4, 0..0.2 in) covers -0.2..0 by 0..0.4 in from (2, 2):
    # its middle is at (1.9, 2.2) in, 0.9 in from the left edge and 1.8 in below the top edge.
    assert (u1["x_mm"], u1["y_mm"]) == pytest.approx((0.9 * 25.4, 1.8 * 25.4))
    assert (u1["length_mm"], u1["width_mm"], u1["rotation_deg"], u1["value"]) == (10.16, 5.08, 270.0, "RAM")
    assert (u3["ref"], u3["package"], u3["x_mm"], u3["y_mm"]) == ("U3", "DIP-16", 50.8, 25.4)
    assert result.not_understood == ("U4: no place, or no number for it",)
    (u2,) = import_layout([path], side="bottom").rows
    # Mirrored: the box covers -0.4..0 by 0..0.2 in: middle (1.8, 2.1) in, seen from below 5 - 1.8 in from the left.
    assert (u2["x_mm"], u2["y_mm"]) == pytest.approx((3.2 * 25.4, 1.9 * 25.4))


def test_text_of_any_kind_in_a_table_makes_a_sound_layout(tmp_path):
    nasty = ["<b>U1</b>", "שלום", "🔥", "x" * 10_000, "=1+1"]
    text = "Ref,Package,X (mm),Y (mm)\n" + "".join(f'"{ref}",DIP-8,{10 + 15 * i},40\n' for i, ref in enumerate(nasty))
    out = tmp_path / "board.toml"
    save_imported(imported(tmp_path, text, size_mm=SIZE), out)
    assert [part.ref for part in read_board(out).parts] == nasty


def test_a_profile_is_put_together_from_lines_in_any_order_and_its_cutouts_left_aside(tmp_path):
    lines = [
        "X100000000Y0D02*X0Y0D01*",  # bottom edge, right to left
        "X40000000Y40000000D02*X60000000Y40000000D01*X60000000Y50000000D01*X40000000Y50000000D01*X40000000Y40000000D01*",
        "X0Y80000000D02*X90000000Y80000000D01*",
        "X100000000Y70000000D02*X100000000Y0D01*",
        "X0Y0D02*X0Y80000000D01*",
        "G75*G02*X90000000Y80000000D02*X100000000Y70000000I0J-10000000D01*",  # a rounded corner of radius 10
    ]
    (tmp_path / "top.gbr").write_text(GERBER.replace("{side}", "Top"))
    (tmp_path / "edge.gbr").write_text(
        "%TF.FileFunction,Profile,NP*%%FSLAX46Y46*%%MOMM*%%ADD10C,0.1*%D10*G01*" + "".join(lines) + "M02*"
    )
    outline = import_layout([tmp_path / "top.gbr", tmp_path / "edge.gbr"]).outline_mm
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    assert (min(xs), max(xs), min(ys), max(ys)) == (0.0, 100.0, 0.0, 80.0)
    area = (
        abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(outline, outline[1:] + outline[:1], strict=True))) / 2
    )
    # The rectangle less the corner outside a quarter circle: 8000 - (1 - pi / 4) * 100; chords take a little more.
    assert area == pytest.approx(8000 - (1 - 3.14159265 / 4) * 100, abs=0.7)


def test_a_round_board_of_ipc_2581_is_round(tmp_path):
    profile = '<Profile><Polygon><PolyBegin x="2" y="1"/><PolyStepCurve x="0" y="1" centerX="1" centerY="1" clockwise="false"/><PolyStepCurve x="2" y="1" centerX="1" centerY="1" clockwise="false"/></Polygon></Profile>'
    component = '<Component refDes="U3" packageRef="DIP-16" layerRef="TOP"><Location x="1" y="1"/></Component>'
    path = tmp_path / "board.xml"
    path.write_text(f'<IPC-2581><CadHeader units="INCH"/><Step>{profile}{component}</Step></IPC-2581>')
    outline = import_layout([path]).outline_mm
    assert len(outline) == 32
    assert {round(((x - 25.4) ** 2 + (y - 25.4) ** 2) ** 0.5, 2) for x, y in outline} == {25.4}
