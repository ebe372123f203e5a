"""Files that a user names, before they are opened: a pipe would be waited for, a device has no end."""

from __future__ import annotations

from pathlib import Path

from thermscan.errors import InputError


def refuse_irregular(path: Path, *, where: str | None = None) -> None:
    """
    Refuse what is neither a file nor a folder; whether anything is there at all is left to the opening.

    Parameters
    ----------
    path : Path
    where : str, optional
        As messages name it; the path unless given.

    Raises
    ------
    InputError
        A named pipe, a device, a socket.

    Examples
    --------
    >>> refuse_irregular(Path("/dev/zero"))
    Traceback (most recent call last):
    thermscan.errors.InputError: /dev/zero: this is not a regular file but a pipe or a device; name a file
    """
    if exists(path) and not (is_file(path) or is_folder(path)):
        raise InputError(
            "this is not a regular file but a pipe or a device", where=where or str(path), fix="name a file"
        )


def is_file(path: Path) -> bool:
    """
    Whether a regular file is there; False for a name that no system could give a file.

    Examples
    --------
    >>> is_file(Path("/dev/null")), is_file(Path("n" * 5000)), is_file(Path("a\\0b"))
    (False, False, False)
    """
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def is_folder(path: Path) -> bool:
    """
    Whether a folder is there.

    Examples
    --------
    >>> is_folder(Path(".")), is_folder(Path("n" * 5000))
    (True, False)
    """
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def exists(path: Path) -> bool:
    """Whether anything is there."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False
