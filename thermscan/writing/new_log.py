"""A log that grows line by line: never over what is there, each line on the disk before the next."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from thermscan.errors import InputError


@contextmanager
def new_log(path: Path) -> Iterator[Callable[[str], None]]:
    """
    A new file that takes lines.

    Parameters
    ----------
    path : Path
        Must not be there.

    Raises
    ------
    InputError
        It is there, or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with new_log(Path(folder) / "watch.jsonl") as put:
    ...         put("one")
    ...     (Path(folder) / "watch.jsonl").read_text()
    'one\\n'
    """
    try:
        stream = path.open("x", encoding="utf-8", newline="\n")
    except FileExistsError as error:
        what = "there is such a file; a log is never replaced"
        raise InputError(what, where=str(path), fix="name another") from error
    except OSError as error:
        what = f"it cannot be written ({error.strerror or error})"
        raise InputError(what, where=str(path), fix="name another place") from error

    def put(line: str) -> None:
        try:
            stream.write(line + "\n")
            stream.flush()
            os.fsync(stream.fileno())
        except OSError as error:
            what = f"it cannot be written on ({error.strerror or error})"
            raise InputError(what, where=str(path), fix="make room, and watch again with another log") from error

    with stream:
        yield put
