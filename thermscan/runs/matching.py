"""Files that a pattern of names matches, without going through a whole disk for it."""

from __future__ import annotations

import fnmatch
import glob
import os
from collections.abc import Iterator
from pathlib import Path

from thermscan.errors import InputError
from thermscan.named_file import is_file, is_folder

# A day of frames, one file each, at one a second; a pattern that looks at more was meant for fewer.
MOST_LOOKED_AT = 100_000
_ANY_DEPTH = "**"


def has_pattern(name: str) -> bool:
    """
    Whether a name holds ``*``, ``?`` or ``[``.

    Examples
    --------
    >>> has_pattern("idle-*.tiff"), has_pattern("idle.tiff")
    (True, False)
    """
    return glob.has_magic(name)


def matching_files(pattern: Path) -> list[Path]:
    """
    The regular files that a pattern matches; ``**`` stands for folders of any depth.

    Names that begin with a dot are left out unless the pattern has the dot; links to folders are not followed below
    ``**``.

    Raises
    ------
    InputError
        More names than are looked at lie below it.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     for name in ("a1.tiff", "a2.tiff", ".a3.tiff", "b.csv"):
    ...         _ = Path(folder, name).write_text("1")
    ...     [path.name for path in sorted(matching_files(Path(folder, "a*.tiff")))]
    ['a1.tiff', 'a2.tiff']
    """
    looked_at = _Budget()
    start = Path(pattern.anchor) if pattern.anchor else Path()
    found = _below(start, pattern.parts[1:] if pattern.anchor else pattern.parts, looked_at)
    return list(dict.fromkeys(path for path in found if is_file(path)))


class _Budget:
    """How many names were looked at so far."""

    def __init__(self) -> None:
        self._count = 0

    def entries(self, folder: Path) -> Iterator[os.DirEntry[str]]:
        """What a folder holds; a folder that cannot be read holds nothing."""
        try:
            with os.scandir(folder) as inside:
                for entry in inside:
                    self._count += 1
                    if self._count > MOST_LOOKED_AT:
                        raise InputError(
                            f"more than {MOST_LOOKED_AT} names lie below it", fix="name the folder of the frames"
                        )
                    yield entry
        except OSError:
            return


def _below(folder: Path, parts: tuple[str, ...], budget: _Budget) -> Iterator[Path]:
    if not parts:
        yield folder
        return
    part, rest = parts[0], parts[1:]
    if part == _ANY_DEPTH:
        yield from _below(folder, rest, budget) if rest else ()
        for entry in budget.entries(folder):
            if entry.name.startswith("."):
                continue
            if entry.is_dir(follow_symlinks=False):
                yield from _below(Path(entry.path), parts, budget)
            elif not rest:
                yield Path(entry.path)
    elif has_pattern(part):
        for entry in budget.entries(folder):
            hidden = entry.name.startswith(".") and not part.startswith(".")
            if not hidden and fnmatch.fnmatch(entry.name, part) and (not rest or is_folder(Path(entry.path))):
                yield from _below(Path(entry.path), rest, budget)
    else:
        yield from _below(folder / part, rest, budget)
