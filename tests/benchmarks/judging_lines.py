"""What one line of the judging trials means: was the fault told, and who was accused besides."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

Line = dict[str, Any]
Finding = dict[str, Any]

# A registration further off than this, and not refused, misleads.
PLACE_WRONG_PX = 1.5
# A finding of heat at no part counts as the fault's if it lies as near as this.
SAME_PLACE_MM = 12.0


def judged(lines: Sequence[Line]) -> list[Line]:
    """Those that were not refused."""
    return [line for line in lines if line["said"]["refused"] is None]


def z_of(line: Line) -> float:
    """The fault's own rise over what good units differ by, as the way of judging could know it."""
    fault = line["fault"]
    of_same_unit = line["same_unit"] and line["way"] == "baseline"
    return float(fault["z_same_unit" if of_same_unit else "z"])


def part_of(line: Line, ref: str) -> list[Any]:
    """The line's entry about a part."""
    return next(part for part in line["said"]["parts"] if part[0] == ref)


def compared(line: Line, ref: str) -> bool:
    """Whether any rule had something to hold the part against."""
    return bool(part_of(line, ref)[7])


def about_fault(line: Line) -> list[Finding]:
    """Findings that tell the fault that is there."""
    fault = line["fault"]
    if fault is None or line["said"]["refused"] is not None:
        return []
    findings: list[Finding] = line["said"]["findings"]
    if fault["spot_mm"] is not None:
        return [f for f in findings if f["rule"] == "unmapped" and _is_there(f, line)]
    way = "cold" if line["kind"].startswith("dead") else "hot"
    return [f for f in findings if f["ref"] == fault["ref"] and f["direction"] == way]


def _is_there(finding: Finding, line: Line) -> bool:
    """Whether a finding of heat at no part is about a place near the fault's; its text names the place."""
    x_mm, y_mm = line["fault"]["spot_mm"]
    near = [p for p in line["said"]["unmapped"] if np.hypot(p[0] - x_mm, p[1] - y_mm) <= SAME_PLACE_MM]
    named = [p for p in line["said"]["unmapped"] if f"x {p[0]:.0f} mm, y {p[1]:.0f} mm" in finding["text"]]
    return any(p in near for p in named) if named else bool(near)


def acted(line: Line) -> bool:
    """The fault is told as something to act on."""
    return any(f["level"] == "act" for f in about_fault(line))


def watched(line: Line) -> bool:
    """The fault is told at all."""
    return bool(about_fault(line))


def false_acts(line: Line) -> list[Finding]:
    """'act' on anything but the fault."""
    return _others(line, "act")


def false_watches(line: Line) -> list[Finding]:
    """'watch' on anything but the fault."""
    return _others(line, "watch")


def _others(line: Line, level: str) -> list[Finding]:
    mine = about_fault(line)
    return [f for f in line["said"].get("findings", []) if f["level"] == level and f not in mine]


def around_fault(line: Line, level: str) -> list[Finding]:
    """What is said of the innocent neighbour that the culprit warms."""
    found = [f for f in line["said"]["findings"] if f["ref"] == line["fault"]["warmed"]]
    return [f for f in found if level in ("any", f["level"])]


def first_is_culprit(line: Line) -> bool:
    """The first finding names the part at fault."""
    return bool(line["said"]["findings"][0]["ref"] == line["fault"]["ref"])
