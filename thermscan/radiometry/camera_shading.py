"""A camera file given a shading correction; all else in it stays as it was written, comments too."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from thermscan.errors import InputError
from thermscan.layout.text_file import parse_toml, read_text_file
from thermscan.radiometry.shading import Shading, shading_lines
from thermscan.writing import put_file

_TABLE = re.compile(r"^\s*\[\s*shading\s*\]\s*(#.*)?$")
_ANY_TABLE = re.compile(r"^\s*\[")


def add_shading(shading: Shading, path: Path, *, base: Path | None, inputs: Iterable[Path | None]) -> Path | None:
    """
    Write a camera file with a shading correction.

    Parameters
    ----------
    shading : Shading
    path : Path
    base : Path or None
        The camera file that it is added to; None: a new one.
    inputs : iterable of Path
        Files that the command reads: none of them is replaced.

    Returns
    -------
    Path or None
        The backup, if a file was there.

    Raises
    ------
    InputError
        It cannot be written there.
    """
    text = 'name = "camera with a shading correction"\n' if base is None else read_text_file(base).text
    fresh = with_shading(text, shading)
    if base is not None:
        before, after = parse_toml(text, base), parse_toml(fresh, base)
        before.pop("shading", None), after.pop("shading", None)
        if before != after:
            raise InputError(
                "its [shading] cannot be replaced as it is written", where=str(base), fix="take that table out by hand"
            )
    return put_file(path, fresh.encode("utf-8"), inputs=inputs)


def with_shading(text: str, shading: Shading) -> str:
    """
    The text of a camera file with this shading in place of any other.

    Examples
    --------
    >>> import numpy as np
    >>> flat = Shading((2, 3), 22.0, np.zeros(28), np.zeros(3), np.zeros(2), 0.1)
    >>> print(with_shading('name = "mine"  # of the bench\\n[shading]\\nat_c = 1.0\\n[lens]\\nk1 = 0.1\\n', flat)[:72])
    name = "mine"  # of the bench
    [lens]
    k1 = 0.1
    <BLANKLINE>
    [shading]
    pixels = [2, 3]
    """
    kept, inside = [], False
    for line in text.splitlines():
        if _ANY_TABLE.match(line) and not _is_continued(line):
            inside = bool(_TABLE.match(line))
        if not inside:
            kept.append(line)
    return "\n".join([*kept, "", *shading_lines(shading)]).lstrip("\n") + "\n"


def _is_continued(line: str) -> bool:
    """A row of numbers of a list that goes over lines, rather than a table's name."""
    return bool(re.match(r"^\s*\[\s*[-+\d.\[]", line))
