"""results.csv: one row a part, for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

from thermscan.inspection import Inspection

# The unit ends each heading, as in results.json: _c degrees Celsius, _k kelvin.
COLUMNS = (
    "ref",
    "kind",
    "group",
    "package",
    "surface",
    "emissivity",
    "pixels",
    "mean_c",
    "max_c",
    "rise_k",
    "u_c",
    "measurable",
    "verdict",
    "reason",
)

# Spreadsheets take a cell that begins with one of these for a formula (OWASP, "CSV Injection").
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def parts_csv(document: Mapping[str, Any]) -> str:
    """
    The parts of a results document as CSV text, in the layout's order.

    Parameters
    ----------
    document : mapping
        As :func:`thermscan.report.results.results_document` gives it.

    Returns
    -------
    str
        One heading row, then one row a part. What could not be had is an empty cell. A text that a
        spreadsheet would take for a formula gets an apostrophe in front.

    Examples
    --------
    >>> print(parts_csv({"parts": [{"ref": "=U1", "mean_c": -3.25, "measurable": True}]}))
    ref,kind,group,package,surface,emissivity,pixels,mean_c,max_c,rise_k,u_c,measurable,verdict,reason
    '=U1,,,,,,,-3.25,,,,yes,,
    <BLANKLINE>
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for part in document["parts"]:
        writer.writerow([_cell(part.get(column)) for column in COLUMNS])
    return text.getvalue()


def heights_csv(inspection: Inspection) -> str:
    """
    How high each part seems to stand, as CSV text with the columns of a layout's table.

    Returns
    -------
    str
        Only parts of which the views told more than was known before; ``u_mm`` is the standard uncertainty.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("ref", "height_mm", "u_mm", "stated_mm"))
    for part in inspection.board.parts:
        known = inspection.registration.heights.get(part.ref)
        if known is not None and known.seen:
            row = (part.ref, round(known.height_mm, 2), round(known.u_mm, 2), part.height_mm)
            writer.writerow([_cell(value) for value in row])
    return text.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # A hundredth of the smallest uncertainty seen; more digits would only be noise.
        return f"{value:.4f}".rstrip("0").rstrip(".")
    if isinstance(value, int):
        return str(value)
    flat = " ".join(str(value).split())
    return f"'{flat}" if flat.startswith(_FORMULA_STARTS) else flat
