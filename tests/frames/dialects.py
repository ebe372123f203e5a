"""Writes a field as a spreadsheet, a script or a measuring program would, in any dialect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st

HEADERS = {
    "none": (),
    "keys": ("Camera: bench", "Emissivity: 0{dec}95", "Ambient: 22{dec}4 °C", ""),
    "padded": ("Emissivity{sep}0{dec}95{pad}", "Distance{sep}0{dec}3{sep}m{pad}", "{pad}"),
    "quoted": ('"Recorded","2026-05-02 14:30:00"', '"Note","soak, 15 minutes"'),
    "comment": ("# idle after 15 minutes, 12 frames of 160 x 120", "# taken 2026-05-02"),
    "size": ("taken at 14:30",),
}
BAD_MARKS = ("", "NaN", "nan", "-", "n/a", "####", "--", "null", "#N/A", "NULL", "ERR")


@dataclass(frozen=True)
class Written:
    """How a field was written, and the bytes."""

    dialect: dict[str, object]
    raw: bytes


def fields() -> st.SearchStrategy[np.ndarray]:
    """Fields of a bench in hundredths of a degree, some pixels bad; each row and column keeps a few good ones."""

    def build(rows: int, cols: int, seed: int, bad: float) -> np.ndarray:
        rng = np.random.default_rng(seed)
        field = np.round(21.0 + 30.0 * rng.random((rows, cols)), 2)
        holes = rng.random(field.shape) < bad
        holes[:, :2] = holes[:2, :] = holes[:, -1] = False
        field[holes] = np.nan
        return field

    return st.builds(
        build, st.integers(3, 12), st.integers(4, 14), st.integers(0, 10**6), st.sampled_from([0.0, 0.0, 0.05, 0.3])
    )


@st.composite
def dialects(draw: st.DrawFn) -> dict[str, object]:
    """Any combination that a reader could tell apart."""
    separator = draw(st.sampled_from([",", ";", "\t", " ", "   ", "; ", ", ", " ;", ",\t"]))
    blanks = not separator.strip(" ")
    quote = draw(st.booleans()) if not blanks else False
    decimal = draw(st.sampled_from([".", ","]))
    if "," in separator and not quote:
        decimal = "."
    top = draw(st.sampled_from(["none", "from 0", "from 1", "letters"]))
    left = draw(st.sampled_from(["none", "from 0", "from 1", "letters"]))
    return {
        "separator": separator,
        "decimal": decimal,
        "quote": quote,
        "suffix": draw(st.sampled_from(["", "", "", "°C", " °C", " C"])),
        "top": top,
        "left": left,
        "corner": draw(st.sampled_from(["", "T", "y/x"])) if not blanks else "T",
        "trailing": draw(st.booleans()) and not blanks,
        "header": draw(st.sampled_from(sorted(HEADERS))),
        "bad": draw(st.sampled_from(BAD_MARKS if not blanks else BAD_MARKS[1:])),
        "end": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "blank_lines_at_end": draw(st.integers(0, 3)),
        "double_spaced": draw(st.sampled_from([False, False, False, True])),
        "encoding": draw(
            st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1"])
        ),
        "digits": draw(st.sampled_from(["2", "2", "3", "scientific"])),
    }


def write(field: np.ndarray, dialect: dict[str, object]) -> bytes:
    """The field's text in a dialect."""
    sep, dec = str(dialect["separator"]), str(dialect["decimal"])
    rows = [[_cell(value, dialect) for value in row] for row in field]
    if dialect["left"] != "none":
        names = _names(len(rows), str(dialect["left"]), "Y")
        rows = [[name, *row] for name, row in zip(names, rows, strict=True)]
    if dialect["top"] != "none":
        names = _names(field.shape[1], str(dialect["top"]), "X")
        rows = [([str(dialect["corner"]), *names] if dialect["left"] != "none" else names), *rows]
    close = sep if dialect["trailing"] else ""
    gap = ["", ""] if dialect["double_spaced"] else [""]
    lines = [sep.join(row) + close for row in rows]
    pad = (sep * (field.shape[1] - 2)).rstrip(" ")
    header = [line.format(sep=sep, dec=dec, pad=pad) for line in HEADERS[str(dialect["header"])]]
    end = str(dialect["end"])
    body = (end * len(gap)).join(lines)
    text = "".join(line + end for line in header) + body + end * (1 + int(str(dialect["blank_lines_at_end"])))
    return text.encode(str(dialect["encoding"]))


def _names(count: int, kind: str, letter: str) -> list[str]:
    if kind == "letters":
        return [f"{letter}{number}" for number in range(count)]
    first = int(kind.removeprefix("from "))
    return [str(number) for number in range(first, first + count)]


def _cell(value: float, dialect: dict[str, object]) -> str:
    if np.isnan(value):
        text = str(dialect["bad"])
    else:
        digits = dialect["digits"]
        text = f"{value:.6e}" if digits == "scientific" else f"{value:.{digits}f}"
        text = text.replace(".", str(dialect["decimal"])) + str(dialect["suffix"])
    return f'"{text}"' if dialect["quote"] else text
