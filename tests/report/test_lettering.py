"""Any text can be drawn, and stays within its width."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from thermscan.report.lettering import fitted_text, printable, text_width_pt, wrapped_text


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
