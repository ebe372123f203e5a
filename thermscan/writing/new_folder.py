"""A folder that is there whole or not at all, such as a record."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from thermscan.errors import InputError
from thermscan.writing.locks import remove_leftovers, temporary_folder
from thermscan.writing.places import ANOTHER_PLACE, check_no_record, refuse_inputs


@contextmanager
def new_folder(path: Path, *, inputs: Iterable[Path | None], fix: str = ANOTHER_PLACE) -> Iterator[Path]:
    """
    A temporary folder beside a place, which takes that place at the end; after a fault nothing of it is left.

    Parameters
    ----------
    path : Path
        Must not be there yet, and must not lie in a record.
    inputs : iterable of Path
        All files that the command reads.

    Raises
    ------
    InputError
        There is something already, or the folder cannot be written; faults of the writing inside included.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with new_folder(Path(folder, "record"), inputs=[]) as fresh:
    ...         _ = (fresh / "bagit.txt").write_text("")
    ...     [path.name for path in Path(folder).iterdir()]
    ['record']
    """
    refuse_inputs([path], inputs, fix=fix)
    if os.path.lexists(path):
        raise InputError("there is something already, which is not replaced", where=str(path), fix=fix)
    if not path.parent.is_dir():
        raise InputError("its folder is not there", where=str(path), fix=fix)
    check_no_record(path.parent, fix=fix)
    try:
        remove_leftovers(path.parent)
        with temporary_folder(path.parent) as fresh:
            yield fresh
            if os.path.lexists(path):
                raise InputError("something was put there in the meantime", where=str(path), fix=fix)
            os.rename(fresh, path)
    except OSError as error:
        if error.filename is not None and not str(error.filename).startswith(str(path.parent)):
            raise  # of something else than this folder
        raise InputError(f"cannot be written ({error.strerror or error})", where=str(path), fix=fix) from error
