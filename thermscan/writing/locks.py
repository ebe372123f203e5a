"""Locks that die with their process, and what is left of processes that died."""

from __future__ import annotations

import os
import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Literal

try:
    import fcntl
except ImportError:  # Windows knows no flock: there, two writers at once are not noticed
    fcntl = None  # type: ignore[assignment]

PREFIX, SUFFIX = ".thermscan-", ".part"

# Where the file system knows no locks: no run takes as long as that.
_SURELY_DEAD_S = 86_400.0

Held = Literal["ours", "another's", "unknown"]


def take_lock(descriptor: int) -> Held:
    """Lock an open file or folder until it is closed, or its process ends, however it ends."""
    if fcntl is None:
        return "unknown"
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return "another's"
    except OSError:
        return "unknown"
    return "ours"


@contextmanager
def temporary_file(folder: Path) -> Iterator[tuple[Path, int]]:
    """A new file in a folder and its descriptor; what is left of it at the end is removed."""
    while True:
        path = folder / f"{PREFIX}{secrets.token_hex(6)}{SUFFIX}"
        descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR | getattr(os, "O_BINARY", 0), 0o666)
        take_lock(descriptor)
        if _still_there(path, descriptor):
            break
        os.close(descriptor)  # taken for a dead one between its making and its lock
    try:
        yield path, descriptor
    finally:
        if _still_there(path, descriptor):
            path.unlink(missing_ok=True)
        os.close(descriptor)


@contextmanager
def temporary_folder(folder: Path) -> Iterator[Path]:
    """A new folder in a folder; what is left of it at the end is removed."""
    while True:
        path = folder / f"{PREFIX}{secrets.token_hex(6)}{SUFFIX}"
        path.mkdir()
        descriptor = folder_descriptor(path)
        if descriptor is None:
            break
        take_lock(descriptor)
        if _still_there(path, descriptor):
            break
        os.close(descriptor)
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)
        if descriptor is not None:
            os.close(descriptor)


def folder_descriptor(path: Path) -> int | None:
    """A folder opened, to be locked; None where it is gone, or the system opens no folders."""
    try:
        return os.open(path, os.O_RDONLY)
    except (FileNotFoundError, PermissionError):
        return None


def remove_leftovers(folder: Path) -> None:
    """Remove the temporary files and folders of processes that are no more; never those of one at work."""
    for path in folder.glob(f"{PREFIX}*{SUFFIX}"):
        with suppress(OSError):
            descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
            try:
                held = take_lock(descriptor)
                old = time.time() - os.fstat(descriptor).st_mtime > _SURELY_DEAD_S
            finally:
                os.close(descriptor)
            if held == "ours" or (held == "unknown" and old):
                shutil.rmtree(path) if path.is_dir() else path.unlink()


def _still_there(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(os.stat(path, follow_symlinks=False), os.fstat(descriptor))
    except FileNotFoundError:
        return False
