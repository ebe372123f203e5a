"""Sheets of paper to print at true size."""

from __future__ import annotations

from thermscan.report.canvas import POINTS_AN_INCH

MM_AN_INCH = 25.4
PT_A_MM = POINTS_AN_INCH / MM_AN_INCH
# Width and height of the paper upright.
PAPERS_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
# What common printers cannot print on.
MARGIN_MM = 10.0
