"""A trend's pictures, drawn from what the records hold, in a folder of their own."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from thermscan.archive.names import portable_name
from thermscan.archive.sources import READ_ERRORS, open_bag, read_whole
from thermscan.archive.trend import Point, Trend, trend_document
from thermscan.errors import ThermscanError
from thermscan.report.trend_figures import BoardPicture, Visit, boards_figure, png_of, trend_figure
from thermscan.writing import reserved_folder

_PICTURE = "data/report/rectified-board.png"
# Parts without a change are drawn too where there are few; more pictures than this nobody looks at.
_MOST_PARTS = 12
LAST_FILE = "trend.json"


def write_trend_pictures(trend: Trend, out: Path, *, inputs: Iterable[Path | None]) -> tuple[Path, ...]:
    """
    Write one picture a part (those that changed first), one of the boards side by side, and ``trend.json``.

    Raises
    ------
    InputError
        The folder cannot be had, or holds somebody's file of such a name.
    """
    with reserved_folder(out, inputs=inputs) as folder:
        contents = {"boards.png": png_of(boards_figure(f"{trend.board}: the last visit to each", _boards(trend)))}
        for ref in _refs(trend):
            contents[f"trend-{portable_name(ref)}.png"] = _part_figure(trend, ref)
        text = json.dumps(trend_document(trend), ensure_ascii=False, allow_nan=False, indent=1) + "\n"
        contents[LAST_FILE] = text.encode("utf-8")
        return folder.put(contents, last=LAST_FILE)


def _refs(trend: Trend) -> list[str]:
    changed = [change.ref for change in trend.changes]
    return list(dict.fromkeys([*changed, *(point.look.ref for point in trend.points)]))[:_MOST_PARTS]


def _part_figure(trend: Trend, ref: str) -> bytes:
    lines: dict[str, list[Visit]] = {}
    stages = {point.look.stage for point in trend.points}
    for point in trend.points:
        look = point.look
        if look.ref == ref and look.moment is not None:
            name = " · ".join(
                filter(None, (look.serial and f"serial {look.serial}", look.stage if len(stages) > 1 else None))
            )
            visit = Visit(look.moment, point.rise_k, point.u_k, look.verdict)
            lines.setdefault(name or trend.board, []).append(visit)
    told = [change.text for change in trend.changes if change.ref == ref] or ["No change beyond what looks differ by."]
    longest_first = sorted(lines.items(), key=lambda item: -len(item[1]))
    return png_of(trend_figure(f"{ref} on {trend.board}", longest_first, told[0]))


def _boards(trend: Trend) -> list[BoardPicture]:
    """The last visit to each specimen."""
    last: dict[str | None, Point] = {}
    for point in trend.points:
        last[point.look.serial] = point
    pictures = []
    for serial, point in last.items():
        when = (point.look.taken or "time not stated")[:10]
        caption = f"{f'serial {serial}' if serial else 'no serial'}, {when}"
        pictures.append(BoardPicture(caption, _picture_in(Path(point.look.bag))))
    return pictures


def _picture_in(bag: Path) -> bytes | None:
    """The board's picture in a record, if it is the one that was packed."""
    try:
        with open_bag(bag, whole=False) as files:
            data, manifest = read_whole(files, _PICTURE), read_whole(files, "manifest-sha512.txt")
    except (ThermscanError, *READ_ERRORS):
        return None
    if data is None or manifest is None:
        return None
    listed = f"{hashlib.sha512(data).hexdigest()}  {_PICTURE}"
    return data if listed in manifest.decode("utf-8", "replace").splitlines() else None
