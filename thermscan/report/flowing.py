"""Text that flows from page to page."""

from __future__ import annotations

from collections.abc import Sequence

from thermscan.frozen import dataclass
from thermscan.report.canvas import FAINT_INK, INK, Sheet
from thermscan.report.lettering import wrapped_text
from thermscan.report.verdicts import Mark

_LEADING = 1.35

# Sums of heights agree to far better than this.
ROUNDING_PT = 1e-3


@dataclass(frozen=True, slots=True)
class Block:
    """
    A paragraph.

    Attributes
    ----------
    text : str
    size_pt : float
    bold : bool
    indent_pt : float
        Of all its lines; a mark stands in that room.
    gap_pt : float
        Room above it.
    mark : Mark or None
        A verdict's shape, before the first line.
    faint : bool
        In grey: a detail.
    keep : bool
        Never the last on a page: a heading.
    """

    text: str
    size_pt: float = 8.5
    bold: bool = False
    indent_pt: float = 0.0
    gap_pt: float = 2.0
    mark: Mark | None = None
    faint: bool = False
    keep: bool = False


def heading(text: str) -> Block:
    """A block that opens a section."""
    return Block(text, size_pt=11.0, bold=True, gap_pt=10.0, keep=True)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a block, measured."""

    text: str
    block: Block
    first: bool

    @property
    def height_pt(self) -> float:
        """With the room above it."""
        return self.block.size_pt * _LEADING + (self.block.gap_pt if self.first else 0.0)


def flowed_lines(blocks: Sequence[Block], width_pt: float) -> list[Line]:
    """The blocks' lines at that width."""
    lines: list[Line] = []
    for block in blocks:
        wrapped = wrapped_text(block.text, width_pt - block.indent_pt, block.size_pt, bold=block.bold)
        lines.extend(Line(text, block, index == 0) for index, text in enumerate(wrapped))
    return lines


def draw_lines(sheet: Sheet, lines: Sequence[Line]) -> list[Line]:
    """Draw as many lines as the sheet holds, from its top; those left over are handed back."""
    count = _how_many(lines, sheet.height_pt)
    y = sheet.height_pt
    for line in lines[:count]:
        y -= line.height_pt
        block = line.block
        # The baseline lies a little above the line's lower edge.
        base = y + block.size_pt * (_LEADING - 1.0)
        weight = "bold" if block.bold else "normal"
        sheet.text(
            block.indent_pt,
            base,
            line.text,
            fontsize=block.size_pt,
            weight=weight,
            color=FAINT_INK if block.faint else INK,
        )
        if block.mark is not None and line.first:
            sheet.mark(
                block.indent_pt - block.size_pt, base + block.size_pt * 0.36, block.mark, size_pt=block.size_pt * 0.8
            )
    return list(lines[count:])


def _how_many(lines: Sequence[Line], height_pt: float) -> int:
    used, count = 0.0, 0
    for line in lines:
        used += line.height_pt
        if used > height_pt + ROUNDING_PT:
            break
        count += 1
    # A heading stays with what it heads, unless the sheet holds nothing else.
    end = count
    while count < len(lines) and end > 0 and lines[end - 1].block.keep:
        end -= 1
    return end or count
