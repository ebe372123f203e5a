"""The printable sheet, through the real command."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from pypdf import PdfReader

from thermscan.cli.main import main

PT_A_MM = 72.0 / 25.4


def layout(tmp_path: Path, width_mm: float, height_mm: float, *parts: str) -> Path:
    path = tmp_path / "board.toml"
    tables = "".join(f"[[part]]\ngroup = 'g'\n{part}\n" for part in parts)
    path.write_text(
        f'[board]\nname = "display"\nwidth_mm = {width_mm}\nheight_mm = {height_mm}\n{tables}', encoding="utf-8"
    )
    return path


def part(ref: str, x: float, y: float, rest: str = "package = 'DIP-16'") -> str:
    return f"ref = {ref!r}\nat_mm = [{x}, {y}]\n{rest}"


def texts(reader: PdfReader) -> dict[str, tuple[float, float]]:
    """Where each piece of text stands on its page, in points."""
    found: dict[str, tuple[float, float]] = {}

    def note(text, cm, tm, *_):
        if text.strip():
            found.setdefault(text.strip(), (tm[4] + cm[4], tm[5] + cm[5]))

    for page in reader.pages:
        page.extract_text(visitor_text=note)
    return found


def test_the_sheet_is_true_to_scale(tmp_path, capsys):
    path, out = layout(tmp_path, 150, 100, part("A1", 30, 30), part("A2", 110, 80)), tmp_path / "sheet.pdf"
    assert main(["layout", "draw", str(path), "--out", str(out)]) == 0
    assert capsys.readouterr().out == f"{out}: 1 page, 2 parts at 1:1\n"
    reader = PdfReader(out)
    box = reader.pages[0].mediabox
    assert (float(box.width) / PT_A_MM, float(box.height) / PT_A_MM) == pytest.approx((210, 297), abs=0.1)
    places = texts(reader)
    # Both refs are as wide as each other, so their distance on paper is the parts' own: 80 by 50 mm.
    (x1, y1), (x2, y2) = places["A1"], places["A2"]
    assert ((x2 - x1) / PT_A_MM, (y1 - y2) / PT_A_MM) == pytest.approx((80, 50), abs=0.05)


@pytest.mark.parametrize(
    ("size", "paper", "pages"),
    [((240, 120), "A4", 1), ((180, 240), "letter", 2), ((400, 300), "A4", 4)],
)  # fmt: skip
def test_a_board_takes_as_many_pages_as_its_size_needs(tmp_path, size, paper, pages):
    # Windows: A4 upright 190 x 256 mm, lying 277 x 169 mm; neighbours share 5 mm.
    path, out = layout(tmp_path, *size, part("A1", 30, 30)), tmp_path / "sheet.pdf"
    assert main(["layout", "draw", str(path), "--out", str(out), "--paper", paper]) == 0
    assert len(PdfReader(out).pages) == pages


def test_capacitors_are_listed_by_value_to_be_ticked_off(tmp_path):
    cap = "package = 'CAP-RADIAL-8'\nvalue = '{}'\npolarity = 'right'"
    parts = [part(f"C{i}", 20 + 10 * i, 50, cap.format("47 uF" if i % 2 else "100 uF")) for i in range(1, 12)]
    path, out = layout(tmp_path, 180, 100, *parts, part("U1", 40, 80)), tmp_path / "sheet.pdf"
    assert main(["layout", "draw", str(path), "--out", str(out)]) == 0
    text = PdfReader(out).pages[1].extract_text()
    assert "display: 11 capacitors by value" in text
    assert text.index("47 uF: 6") < text.index("C1 ") < text.index("C11") < text.index("100 uF: 5") < text.index("C2 ")
    assert "U1" not in text


def test_a_list_of_many_capacitors_goes_on_over_pages(tmp_path):
    parts = [part(f"C{i}", 5 + 4 * (i % 40), 5 + 4 * (i // 40), "package = '0805'") for i in range(100)]
    path, out = layout(tmp_path, 180, 100, *parts), tmp_path / "sheet.pdf"
    assert main(["layout", "draw", str(path), "--out", str(out)]) == 0
    # One line a capacitor and one for the value; 61 lines of 12 pt on 277 mm less the heading.
    assert len(PdfReader(out).pages) == 1 + math.ceil(101 / 61)


def test_no_text_can_break_the_sheet(tmp_path):
    nasty = ["<script>", "$x^2$ & \\alpha", "שלום", "🔥🔥", "x" * 10_000, "a\u0301\u0302\u0303"]
    quoted = [json.dumps(text, ensure_ascii=False) for text in nasty]
    tables = [f"[board]\nname = {quoted[4]}\nrevision = {quoted[1]}\nwidth_mm = 100\nheight_mm = 80\n"]
    for i, text in enumerate(quoted):
        keys = "".join(f"{key} = {text}\n" for key in ("ref", "value", "kind", "note", "polarity", "group"))
        tables.append(f"[[part]]\npackage = 'CAP-RADIAL-8'\nat_mm = [{15 + 14 * i}, 30]\n{keys}")
    path, out = tmp_path / "board.toml", tmp_path / "sheet.pdf"
    path.write_text("".join(tables), encoding="utf-8")
    assert main(["layout", "draw", str(path), "--out", str(out)]) == 0
    assert len(PdfReader(out).pages) == 2


def test_a_faulty_layout_is_not_drawn(tmp_path, capsys):
    path, out = layout(tmp_path, 100, 100, part("A1", 300, 30)), tmp_path / "sheet.pdf"
    assert main(["layout", "draw", str(path), "--out", str(out)]) == 2
    assert not out.exists()
    assert "A1 at (300, 30) lies outside the board" in capsys.readouterr().err
