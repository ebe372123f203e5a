"""An inspection whose paths are those in the record, so that nothing tells of the machine that made it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from thermscan.inspection import Inspection
from thermscan.runs.run import Run


def portable(inspection: Inspection, root: Path) -> Inspection:
    """
    The same inspection with every path below ``root`` made relative to it.

    The board's photo keeps its place, since the report reads it from there.
    """
    before = inspection.before_look
    return replace(
        inspection,
        before_look=None if before is None else portable(before, root),
        run=portable_run(inspection.run, root),
        board=replace(_relative(inspection.board, root), photo=inspection.board.photo),
        camera=_relative(inspection.camera, root),
        frames=tuple(replace(frame, source=_relative(frame.source, root)) for frame in inspection.frames),
        remarks=portable_texts(inspection.remarks, root),
    )


def portable_run(run: Run, root: Path) -> Run:
    """The same run with every path below ``root`` made relative to it."""
    changed: Run = _relative(run, root)
    return changed


def portable_texts(texts: tuple[str, ...], root: Path) -> tuple[str, ...]:
    """The same texts without ``root``."""
    return tuple(_text(text, root) for text in texts)


def _relative(item: Any, root: Path) -> Any:
    """A dataclass with its path fields, and tuples of paths, made relative; texts that hold such a path too."""
    changed: dict[str, Any] = {}
    for each in dataclasses.fields(item):
        value = getattr(item, each.name)
        if isinstance(value, Path):
            changed[each.name] = _path(value, root)
        elif isinstance(value, str):
            changed[each.name] = _text(value, root)
        elif isinstance(value, Mapping) and all(isinstance(one, Path) for one in value.values()):
            changed[each.name] = {key: _path(one, root) for key, one in value.items()}
        elif isinstance(value, tuple) and value and all(isinstance(one, Path) for one in value):
            changed[each.name] = tuple(_path(one, root) for one in value)
        elif isinstance(value, tuple) and value and all(isinstance(one, str) for one in value):
            changed[each.name] = tuple(_text(one, root) for one in value)
    return replace(item, **changed)


def _path(path: Path, root: Path) -> Path:
    return path.relative_to(root) if path.is_relative_to(root) else path


def _text(text: str, root: Path) -> str:
    return text.replace(f"{root}/", "")
