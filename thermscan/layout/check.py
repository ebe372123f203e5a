"""The check of one layout file: its faults and remarks as one list, whether it can be read or not."""

from __future__ import annotations

from pathlib import Path

from thermscan.errors import Fault, InputError
from thermscan.frozen import dataclass
from thermscan.layout.board import Board
from thermscan.layout.reading import read_board


@dataclass(frozen=True, slots=True)
class LayoutCheck:
    """What is wrong (``faults``) or odd (``remarks``) in one layout; ``board`` is None where anything is wrong."""

    path: Path
    board: Board | None
    faults: tuple[Fault, ...]
    remarks: tuple[str, ...]

    @property
    def summary(self) -> str:
        """One line."""
        if self.board is None:
            return f"{self.path}: not usable, {_count(len(self.faults), 'fault')}"
        board = self.board
        return (
            f"{self.path}: sound, {_count(len(board.parts), 'part')} on {board.width_mm:g} x {board.height_mm:g} mm, "
            f"{_count(len(self.remarks), 'remark')}"
        )

    def document(self) -> dict[str, object]:
        """The same as values for JSON."""
        board = self.board
        return {
            "path": str(self.path),
            "sound": board is not None,
            "parts": len(board.parts) if board else None,
            "width_mm": board.width_mm if board else None,
            "height_mm": board.height_mm if board else None,
            "faults": [{"where": fault.where, "what": fault.what, "fix": fault.fix} for fault in self.faults],
            "remarks": list(self.remarks),
        }


def check_layout(path: Path) -> LayoutCheck:
    """
    All that is wrong or odd in a layout file.

    Examples
    --------
    >>> check_layout(Path("no-such.toml")).summary
    'no-such.toml: not usable, 1 fault'
    """
    try:
        board = read_board(path)
    except InputError as error:
        return LayoutCheck(path, None, error.faults, ())
    return LayoutCheck(path, board, (), board.remarks)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
