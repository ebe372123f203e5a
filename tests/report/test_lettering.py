"""Any text can be drawn, and stays within its width."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from thermscan.report.lettering import FONT_FAMILY, fitted_text, printable, text_width_pt, wrapped_text


@given(st.text(max_size=80))
@settings(max_examples=60, deadline=None)
def test_printable_text_is_one_line_and_settled(text: str) -> None:
    shown = printable(text)
    assert shown.isprintable()
    assert printable(shown) == shown


@given(st.text(max_size=60), st.floats(20.0, 300.0))
@settings(max_examples=60, deadline=None)
def test_fitted_text_is_no_wider_than_asked(text: str, width_pt: float) -> None:
    assert text_width_pt(fitted_text(text, width_pt, 7.0), 7.0) <= width_pt


@given(st.text(max_size=120), st.floats(20.0, 300.0))
@settings(max_examples=60, deadline=None)
def test_wrapped_lines_are_no_wider_than_asked_and_lose_nothing(text: str, width_pt: float) -> None:
    lines = wrapped_text(text, width_pt, 7.0)
    assert "".join(lines).replace(" ", "") == printable(text).replace(" ", "")
    # One letter is drawn whole even where it is wider than the line.
    assert all(text_width_pt(line, 7.0) <= width_pt for line in lines if len(line) > 1)


def test_ten_thousand_letters_are_trimmed_with_an_ellipsis() -> None:
    assert fitted_text("x" * 10_000, 100.0, 7.0).endswith("…")


def test_stacked_accents_are_thinned_to_one_a_letter() -> None:
    assert len(printable("x" + "\u0323\u0331\u0330" * 5)) == 2


@pytest.mark.parametrize("text", ["U12 hot +3.4 K", "Fan, left (12 V)", "R\u0301e\u0301gulateur", "±0.6 °C − “quiet”"])
@pytest.mark.parametrize("bold", [False, True])
def test_a_text_is_measured_as_wide_as_it_is_drawn(text: str, bold: bool) -> None:
    font = FontProperties(family=FONT_FAMILY, size=7.0, weight="bold" if bold else "normal")
    drawn, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    # Kerning, which is not counted, takes back a few hundredths of such texts at most.
    assert drawn - 0.02 <= text_width_pt(text, 7.0, bold=bold) <= 1.05 * drawn
