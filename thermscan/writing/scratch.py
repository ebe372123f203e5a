"""A folder that is gone afterwards, for copies of what lies elsewhere."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """
    An empty folder, removed with all that is in it at the end.

    Examples
    --------
    >>> import io
    >>> with scratch_folder() as folder:
    ...     _ = put_scratch(folder, "frames/idle.tiff", io.BytesIO(b"II"))
    ...     (folder / "frames" / "idle.tiff").read_bytes()
    b'II'
    >>> folder.exists()
    False
    """
    with tempfile.TemporaryDirectory(prefix="thermscan-") as folder:
        yield Path(folder).resolve()


def put_scratch(folder: Path, name: str, stream: BinaryIO) -> Path:
    """A file in such a folder; ``name`` is relative to it, and nothing is above it."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as copy:
        shutil.copyfileobj(stream, copy)
    return path
