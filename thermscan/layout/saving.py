"""Files that a person may have worked on are never lost: write beside, keep the old one, then rename."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from thermscan.errors import InputError


def save_text(path: Path, text: str) -> Path | None:
    """
    Write a text file; one that was there with other contents is kept beside it.

    Parameters
    ----------
    path : Path
    text : str
        Written as UTF-8.

    Returns
    -------
    Path or None
        The backup (``board.toml.bak``, ``board.toml.bak2`` …), if there was something to keep.

    Raises
    ------
    InputError
        The folder is missing, or the file cannot be written.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "board.toml")
    ...     print(save_text(path, "old"), save_text(path, "new").name, path.read_text())
    None board.toml.bak new
    """
    return save_bytes(path, text.encode("utf-8"))


def save_bytes(path: Path, data: bytes, *, keep: bool = True) -> Path | None:
    """
    Write a file as ``save_text`` does; ``keep`` false replaces one that can be made again at any time.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "sheet.pdf")
    ...     print(save_bytes(path, b"1", keep=False), save_bytes(path, b"2", keep=False), path.read_bytes())
    None None b'2'
    """
    try:
        descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.", suffix=".part")
        fresh = Path(name)
        try:
            with os.fdopen(descriptor, "wb") as file:
                file.write(data)
            os.chmod(fresh, 0o666 & ~_umask())
            backup = _keep(path, data) if keep else None
            fresh.replace(path)
        finally:
            fresh.unlink(missing_ok=True)
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"cannot be written ({reason})", where=str(path), fix="choose another place") from error
    return backup


def _keep(path: Path, data: bytes) -> Path | None:
    if not path.exists() or path.read_bytes() == data:
        return None
    number = 1
    while (backup := path.with_name(f"{path.name}.bak{number if number > 1 else ''}")).exists():
        number += 1
    os.link(path, backup)
    return backup


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
