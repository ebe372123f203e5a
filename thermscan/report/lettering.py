"""Text that can be drawn: odd characters replaced, long ones trimmed, lines wrapped by measured width."""

from __future__ import annotations

import unicodedata
from functools import cache

from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.textpath import text_to_path

# The font that comes with matplotlib, so that a report looks alike everywhere.
FONT_FAMILY = "DejaVu Sans"

# A name longer than this is no name; the whole text is in results.json.
_MOST_LETTERS = 600
_ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"


def printable(text: str, *, most: int = _MOST_LETTERS) -> str:
    """
    Text on one line of characters that the report's font has.

    Control and direction characters go, runs of blanks become one, at most one accent stays on a
    letter, and what the font lacks is written as its number: a name stays a name.

    Examples
    --------
    >>> print(printable("U1\\nCPU \\u202e$5 \\u4e2d\\U0001f525"))
    U1 CPU $5 \\u4e2d\\U0001f525
    >>> printable("abcdef", most=4)
    'abc…'
    """
    # Ten times the length leaves room for what is dropped, and bounds the work on a text of any size.
    plain = unicodedata.normalize("NFC", text[: 10 * most])
    letters: list[str] = []
    for letter in plain:
        category = unicodedata.category(letter)
        if letter.isspace() or category == "Cc":
            letters.append(" ")
        elif category == "Cf":
            continue
        elif category.startswith("M"):
            if letters and not unicodedata.category(letters[-1]).startswith("M"):
                letters.append(letter)
        else:
            letters.append(letter)
    known = _known_letters()
    shown = "".join(letter if ord(letter) in known else _numbered(letter) for letter in letters)
    shown = " ".join(shown.split())
    return shown if len(shown) <= most else shown[: most - 1] + _ELLIPSIS


def text_width_pt(text: str, size_pt: float, *, bold: bool = False) -> float:
    """
    Width of a line of text in points; kerning, which would make it a little less, is left out.

    Examples
    --------
    >>> text_width_pt("UU", 10.0) > text_width_pt("U", 10.0) > 0
    True
    """
    return size_pt * sum(_letter_width(letter, bold) for letter in text)


def fitted_text(text: str, width_pt: float, size_pt: float, *, bold: bool = False) -> str:
    """
    Printable text, trimmed to a width; the trim shows as an ellipsis.

    Examples
    --------
    >>> fitted_text("a very long name", 40.0, 10.0)
    'a ver…'
    """
    shown = printable(text)
    if text_width_pt(shown, size_pt, bold=bold) <= width_pt:
        return shown
    low, high = 0, len(shown)
    while low < high:
        middle = (low + high + 1) // 2
        if text_width_pt(shown[:middle].rstrip() + _ELLIPSIS, size_pt, bold=bold) <= width_pt:
            low = middle
        else:
            high = middle - 1
    return shown[:low].rstrip() + _ELLIPSIS


def wrapped_text(text: str, width_pt: float, size_pt: float, *, bold: bool = False) -> list[str]:
    """
    Lines of printable text, none wider than asked; a word too long for a line is broken.

    Examples
    --------
    >>> wrapped_text("two words", 30.0, 10.0)
    ['two', 'words']
    """
    lines: list[str] = []
    line = ""
    for word in printable(text).split(" "):
        longer = f"{line} {word}".strip()
        if text_width_pt(longer, size_pt, bold=bold) <= width_pt:
            line = longer
            continue
        if line:
            lines.append(line)
        *broken, line = _broken_word(word, width_pt, size_pt, bold)
        lines.extend(broken)
    return [*lines, line]


def signed(value: float) -> str:
    """
    A number with its sign and one decimal.

    Examples
    --------
    >>> signed(2.0), signed(-0.26)
    ('+2.0', '−0.3')
    """
    return f"{value:+.1f}".replace("-", "\N{MINUS SIGN}")


def _numbered(letter: str) -> str:
    code = ord(letter)
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def _broken_word(word: str, width_pt: float, size_pt: float, bold: bool) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_width_pt(pieces[-1] + letter, size_pt, bold=bold) > width_pt:
            pieces.append("")
        pieces[-1] += letter
    return pieces


@cache
def _known_letters() -> frozenset[int]:
    path = findfont(FontProperties(family=FONT_FAMILY))
    return frozenset(get_font(path).get_charmap())


@cache
def _letter_width(letter: str, bold: bool) -> float:
    """As a share of the letter's size; an accent stands over its letter. Laying out whole texts is far dearer."""
    if unicodedata.combining(letter):
        return 0.0
    font = FontProperties(family=FONT_FAMILY, size=1.0, weight="bold" if bold else "normal")
    width, _, _ = text_to_path.get_text_width_height_descent(letter, font, ismath=False)
    return float(width)
