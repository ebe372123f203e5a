"""Whether something may be written in a place: asked before the work is done, and again when it is."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from pathlib import Path

from thermscan.errors import InputError

ANOTHER_PLACE = "choose another place"

# What makes a folder a bag (RFC 8493, 2.1.1): a record, to which nothing is added.
_BAG_DECLARATION = "bagit.txt"


def refuse_inputs(outputs: Iterable[Path], inputs: Iterable[Path | None], *, fix: str = ANOTHER_PLACE) -> None:
    """
    Refuse outputs that are an input of the same command: the same file, whatever its name, links followed.

    Parameters
    ----------
    outputs, inputs : iterable of Path
        None among the inputs, and what is not there, is passed over.

    Raises
    ------
    InputError

    Examples
    --------
    >>> refuse_inputs([Path("no-such-sheet.pdf")], [Path("no-such-board.toml"), None])
    """
    by_identity = {identity: path for path in inputs if path and (identity := _identity(path))}
    for path in outputs:
        read = by_identity.get(_identity(path) or (0, 0))
        if read is not None:
            same = "" if os.path.abspath(read) == os.path.abspath(path) else f" (it is {read})"
            raise InputError(f"this is what the command reads{same}; it is not replaced", where=str(path), fix=fix)


def check_place(path: Path, inputs: Iterable[Path | None], *, fix: str = ANOTHER_PLACE) -> Path:
    """
    Refuse a place where a file cannot be written; quick, so that it can be asked before the work is done.

    Parameters
    ----------
    path : Path
    inputs : iterable of Path
        All files that the command reads.

    Returns
    -------
    Path
        The file itself, links followed.

    Raises
    ------
    InputError
        An input of the command, a folder, a device or the like, in no folder, or in a record.

    Examples
    --------
    >>> check_place(Path("/none/sheet.pdf"), [])
    Traceback (most recent call last):
    thermscan.errors.InputError: /none/sheet.pdf: cannot be written (No such file or directory); choose another place
    """
    real = Path(os.path.realpath(path))
    refuse_inputs([path], inputs, fix=fix)
    wrong = _wrong_with(real)
    if wrong is None and (bag := _bag_around(real.parent)):
        wrong = f"{bag} is a record, to which nothing is added"
    if wrong:
        raise InputError(wrong, where=str(path), fix=fix)
    return real


def check_places(paths: Iterable[Path | None], inputs: Iterable[Path | None], *, fix: str = ANOTHER_PLACE) -> None:
    """Ask `check_place` for several; those that are None are not wanted."""
    read = tuple(inputs)
    for path in paths:
        if path is not None:
            check_place(path, read, fix=fix)


def make_folder(path: Path, *, fix: str = ANOTHER_PLACE) -> None:
    """
    Make a folder, and those around it, where they are missing.

    Raises
    ------
    InputError
        It cannot be made, or would lie in a record.
    """
    check_no_record(path, fix=fix)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"cannot be made ({error.strerror or error})", where=str(path), fix=fix) from error


def check_no_record(folder: Path, *, fix: str = ANOTHER_PLACE) -> None:
    """Refuse a folder in a record: evidence is not added to."""
    if bag := _bag_around(Path(os.path.realpath(folder))):
        raise InputError(f"{bag} is a record, to which nothing is added", where=str(folder), fix=fix)


def _wrong_with(path: Path) -> str | None:
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return None if path.parent.is_dir() else "cannot be written (No such file or directory)"
    except (OSError, ValueError) as error:
        return f"it cannot be looked at ({getattr(error, 'strerror', None) or error})"
    if stat.S_ISDIR(mode):
        return "this is a folder, not a file"
    return None if stat.S_ISREG(mode) else "this is not a plain file"


def _bag_around(folder: Path) -> Path | None:
    return next((each for each in (folder, *folder.parents) if (each / _BAG_DECLARATION).is_file()), None)


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = os.stat(path)
    except (OSError, ValueError):
        return None
    return found.st_dev, found.st_ino
