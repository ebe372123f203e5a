"""
The controller board of a provincial railway station's split-flap departure display. All of it is invented.

The parts stand here once; the layout files of the sample are written from them.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from thermscan.layout.board import Board, Part
from thermscan.layout.packages import package_body
from thermscan.layout.surfaces import surface_named

NAME, REVISION = "departure display controller", "C"
WIDTH_MM, HEIGHT_MM = 190.0, 130.0

_BODY = ("kind", "package", "length_mm", "width_mm")
_PLACE = ("x_mm", "y_mm", "rotation_deg")
COLUMNS = ("ref", *_BODY, *_PLACE, "group", "surface", "max_c")
# ref, kind, package or body (length x width), centre x and y, rotation, group, surface, limit, watts at idle
PARTS = """
U1   8-bit CPU             DIP-40      35     84    0   -               -          85  0.55
U2   program ROM           DIP-28      88     84    0   rom             label      -   0.17
U3   program ROM           DIP-28      130    84    0   rom             label      -   0.17
U4   character ROM         DIP-28      168    84    0   rom             label      -   0.17
U5   static RAM 8Kx8       DIP-28-300  98     54    90  sram            -          -   0.19
U6   static RAM 8Kx8       DIP-28-300  109.5  54    90  sram            -          -   0.19
U7   static RAM 8Kx8       DIP-28-300  121    54    90  sram            -          -   0.19
U8   static RAM 8Kx8       DIP-28-300  132.5  54    90  sram            -          -   0.19
U9   static RAM 8Kx8       DIP-28-300  144    54    90  sram            -          -   0.19
U10  static RAM 8Kx8       DIP-28-300  155.5  54    90  sram            -          -   0.19
U11  static RAM 8Kx8       DIP-28-300  167    54    90  sram            -          -   0.19
U12  static RAM 8Kx8       DIP-28-300  178.5  54    90  sram            -          -   0.19
U13  octal latch           DIP-20      20     54    90  octal latch     -          -   0.10
U14  octal latch           DIP-20      32     54    90  octal latch     -          -   0.10
U15  octal latch           DIP-20      44     54    90  octal latch     -          -   0.10
U16  octal latch           DIP-20      56     54    90  octal latch     -          -   0.10
U17  octal latch           DIP-20      68     54    90  octal latch     -          -   0.10
U18  octal latch           DIP-20      80     54    90  octal latch     -          -   0.10
U19  flap motor driver     DIP-16      20     27    90  motor driver    -          90  0.17
U20  flap motor driver     DIP-16      32     27    90  motor driver    -          90  0.17
U21  flap motor driver     DIP-16      44     27    90  motor driver    -          90  0.17
U22  flap motor driver     DIP-16      56     27    90  motor driver    -          90  0.17
U23  flap motor driver     DIP-16      68     27    90  motor driver    -          90  0.17
U24  flap motor driver     DIP-16      80     27    90  motor driver    -          90  0.17
U25  quad gate             DIP-14      15     103   0   quad gate       -          -   0.05
U26  quad gate             DIP-14      38     103   0   quad gate       -          -   0.05
U27  quad gate             DIP-14      61     103   0   quad gate       -          -   0.05
U28  quad gate             DIP-14      84     103   0   quad gate       -          -   0.05
U29  address decoder       DIP-16      107    103   0   -               -          -   0.09
U30  counter               DIP-16      131    103   0   counter         -          -   0.07
U31  counter               DIP-16      155    103   0   counter         -          -   0.07
U32  clock driver          DIP-14      178    103   0   -               -          -   0.12
U33  octal buffer          DIP-20      20     116   0   octal buffer    -          -   0.11
U34  octal buffer          DIP-20      50     116   0   octal buffer    -          -   0.11
U35  octal buffer          DIP-20      80     116   0   octal buffer    -          -   0.11
U36  serial line adapter   DIP-28      115    117   0   -               -          -   0.20
U37  line receiver         DIP-14      150    116   0   line receiver   -          -   0.06
U38  line receiver         DIP-14      175    116   0   line receiver   -          -   0.06
U39  watchdog timer        DIP-8       149    95.4  0   -               -          -   0.04
U40  reset supervisor      DIP-8       109    95.4  0   -               -          -   0.04
Q1   5 V regulator         25x12       109    29.5   0   -               anodised   95  0.85
Q2   12 V regulator        TO-220      132    24    0   -               -          95  0.15
D1   bridge rectifier      10x10       151    24    0   -               -          -   0.12
C1   electrolytic 2200 uF  CAP-RADIAL-16   168    24    0   -               painted    85  0.01
C2   electrolytic 220 uF   CAP-RADIAL-10   182    24    0   -               painted    85  0.00
C3   bypass capacitor      5x2.5       132.5  33.8  0   -               ceramic    -   0.00
C4   bypass capacitor      5x2.5       144    33.8  0   -               ceramic    -   0.00
C5   bypass capacitor      5x2.5       155.5  33.8  0   -               ceramic    -   0.00
C6   bypass capacitor      5x2.5       20     70    0   -               ceramic    -   0.00
C7   bypass capacitor      5x2.5       44     70    0   -               ceramic    -   0.00
C8   bypass capacitor      5x2.5       68     70    0   -               ceramic    -   0.00
X1   crystal               HC-49/U     65.5   84    90  -               metal      -   0.00
RN1  resistor network      SIP-9       25     74    0   -               -          -   0.03
RN2  resistor network      SIP-9       52     74    0   -               -          -   0.03
RN3  resistor network      SIP-9       100    74.2  0   -               -          -   0.03
RN4  resistor network      SIP-9       140    74.2  0   -               -          -   0.03
J1   flap bus connector    40x9        30     7     0   -               -          -   0.00
J2   flap bus connector    40x9        95     7     0   -               -          -   0.00
J3   line connector        40x9        160    7     0   -               -          -   0.00
"""


@dataclass(frozen=True, slots=True)
class _Row:
    ref: str
    kind: str
    body: str
    x_mm: float
    y_mm: float
    rotation_deg: float
    group: str | None
    surface: str | None
    max_c: float | None
    watts: float

    @property
    def body_mm(self) -> tuple[float, float] | None:
        """Length and width where no package is named."""
        length, times, width = self.body.partition("x")
        return (float(length), float(width)) if times and length[0].isdigit() else None


def _rows() -> list[_Row]:
    """The table's columns stand two or more blanks apart, since kinds and groups hold single ones."""
    rows = []
    for line in PARTS.strip().splitlines():
        cells = [cell.strip() for cell in line.split("  ") if cell.strip()]
        ref, kind, body, x, y, turn, group, surface, limit, watts = cells
        rows.append(
            _Row(
                ref,
                kind,
                body,
                float(x),
                float(y),
                float(turn),
                None if group == "-" else group,
                None if surface == "-" else surface,
                None if limit == "-" else float(limit),
                float(watts),
            )
        )
    return rows


def departure_board() -> Board:
    """The board as the layout files describe it."""
    outline = np.array([[0.0, 0.0], [WIDTH_MM, 0.0], [WIDTH_MM, HEIGHT_MM], [0.0, HEIGHT_MM]])
    parts = []
    for row in _rows():
        body = None if row.body_mm else package_body(row.body)
        length, width = row.body_mm or (body.length_mm, body.width_mm)  # type: ignore[union-attr]
        parts.append(
            Part(
                ref=row.ref,
                length_mm=length,
                width_mm=width,
                x_mm=row.x_mm,
                y_mm=row.y_mm,
                rotation_deg=row.rotation_deg,
                surface=surface_named(row.surface or (body.surface if body else "plastic")),
                kind=row.kind,
                package=body.name if body else None,
                group=row.group,
                max_c=row.max_c,
                height_mm=body.height_mm if body else None,
                round_body=bool(body and body.round_body),
            )
        )
    return Board(NAME, REVISION, outline, 1.6, surface_named("solder-mask"), tuple(parts))


def idle_watts() -> dict[str, float]:
    """What each part gives off on a good board: station clock running, all flaps at rest."""
    return {row.ref: row.watts for row in _rows()}


def write_layout(folder: Path) -> None:
    """``board.toml`` and ``parts.csv``."""
    text = f"""# The controller of a split-flap departure display. Invented: no such board exists.
[board]
name = "{NAME}"
revision = "{REVISION}"
width_mm = {WIDTH_MM}
height_mm = {HEIGHT_MM}
thickness_mm = 1.6
surface = "solder-mask"
parts = "parts.csv"
"""
    (folder / "board.toml").write_text(text, encoding="utf-8", newline="\n")
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in _rows():
        size = row.body_mm or ("", "")
        package = "" if row.body_mm else row.body
        limit = "" if row.max_c is None else f"{row.max_c:g}"
        place = [f"{row.x_mm:g}", f"{row.y_mm:g}", f"{row.rotation_deg:g}"]
        writer.writerow([row.ref, row.kind, package, *size, *place, row.group or "", row.surface or "", limit])
    (folder / "parts.csv").write_text(table.getvalue(), encoding="utf-8", newline="\n")
