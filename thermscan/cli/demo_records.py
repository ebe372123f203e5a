"""The demo's archive: one board on three visits, each packed as a record, and what became of its parts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermscan.archive.trend import Trend

VISITS = ("good-1", "visit-2027", "visit-2028")
RECORDS_FOLDER = "records"
TREND_FOLDER = "trend"


def pack_visits(target: Path, *, progress: Callable[[str], None]) -> Trend:
    """Pack the visits, without their reports, and look at the board's history; a record that is there is kept."""
    from thermscan.archive.history import looks_at
    from thermscan.archive.index import open_index
    from thermscan.archive.packing import PackOptions, pack_record
    from thermscan.archive.trend import trend_of
    from thermscan.archive.trend_pictures import write_trend_pictures
    from thermscan.runs.reading import read_run
    from thermscan.writing import make_folder

    folder = target / RECORDS_FOLDER
    make_folder(folder)
    for name in VISITS:
        if not (folder / f"{name}.zip").exists():
            run = read_run(target / f"{name}.toml", bench=False)
            options = PackOptions(report=False, command=("thermscan", "record", "pack", f"{name}.toml", "--no-report"))
            pack_record(run, folder / f"{name}.zip", options=options, progress=progress)
    board = _board_of(target)
    with open_index(folder) as index:
        looks = looks_at(index, board=board)
    trend = trend_of(board, looks)
    changed = [change.ref for change in trend.changes]
    shown = trend_of(board, looks, ref=changed[0]) if changed else trend
    write_trend_pictures(shown, target / TREND_FOLDER, inputs=[])
    return trend


def _board_of(target: Path) -> str:
    from thermscan.layout.reading import read_board

    return read_board(target / "board.toml").name


def history_lines(trend: Trend, target: Path) -> list[str]:
    """The board's history for a person."""
    lines = [f"Three visits to one board, as records in {target / RECORDS_FOLDER}:"]
    lines += [f"  {change.text}" for change in trend.changes] or ["  no part changed"]
    board = f'record trend {target / RECORDS_FOLDER} --board "{trend.board}"'
    return [*lines, f"  pictures: {target / TREND_FOLDER}", f"  by hand: thermscan {board}", ""]


def history_document(trend: Trend, target: Path) -> dict[str, Any]:
    """The same for other programs."""
    return {
        "records": [str(target / RECORDS_FOLDER / f"{name}.zip") for name in VISITS],
        "changes": [
            {"ref": change.ref, "change_k": change.change_k, "u_k": change.u_k, "level": change.level}
            for change in trend.changes
        ],
    }
