"""What a file is, by its content, and its digest."""

from __future__ import annotations

import hashlib
from difflib import get_close_matches
from itertools import islice
from pathlib import Path

from thermscan.errors import LONGEST_NAME, InputError
from thermscan.named_file import is_folder, refuse_irregular

TIFF, TEXT = "TIFF", "CSV"
_TIFF_SIGNATURES = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
_PICTURES = ((b"\xff\xd8\xff", "JPEG"), (b"BM", "BMP"), (b"GIF8", "GIF"), (b"RIFF", "WebP"))
_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_GREY = (0, 4)  # colour types of a grey picture, without and with transparency (PNG specification, 11.2.2)
_OTHERS = (
    (b"PK\x03\x04", "a spreadsheet workbook or ZIP archive", "save the sheet as CSV"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet workbook", "save the sheet as CSV"),
    (b"%PDF", "a PDF document", "export the temperatures as CSV or TIFF"),
    (b"\x1f\x8b", "a gzip-compressed file", "unpack it first"),
    (b"\x89HDF", "an HDF5 file", "export the frames as TIFF or CSV"),
    (b"<html", "a web page", "download the file itself"),
    (b"<!doctype html", "a web page", "download the file itself"),
)
# Names of a folder among which a misspelt one is looked for.
_MOST_NAMES = 2000
_EXPORT = "export the temperature of each pixel as TIFF or CSV"


def file_digest(path: Path) -> str:
    """
    SHA-256 of a file's bytes, as 64 hexadecimal digits.

    Raises
    ------
    InputError
        The file cannot be read.

    References
    ----------
    .. [1] NIST FIPS 180-4 (2015).

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = (Path(folder) / "a").write_bytes(b"abc")
    ...     file_digest(Path(folder) / "a")[:16]
    'ba7816bf8f01cfea'
    """
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(path, error) from error


def file_kind(path: Path) -> str:
    """
    ``TIFF`` or ``CSV``, by what the file holds; its name is of no account, except that no text passes as .tiff.

    Raises
    ------
    InputError
        There is no such file, it is empty or a folder, or it holds a picture or something else.
    """
    head = _head(path)
    where = str(path)
    if head.startswith(_TIFF_SIGNATURES):
        return TIFF
    _refuse_pictures(head, where=where)
    for signature, what, fix in _OTHERS:
        if head[: len(signature)].lower() == signature.lower():
            raise InputError(f"this is {what}, not a frame", where=where, fix=fix)
    if path.suffix.lower() in {".tif", ".tiff"}:
        raise InputError(
            "named as a TIFF, but it does not begin like one: it holds something else, such as text",
            where=where,
            fix="export it again; a table of temperatures should be named .csv",
        )
    return TEXT


def unreadable(path: Path, error: OSError) -> InputError:
    """The error for a file that the system does not give."""
    return InputError(f"it cannot be read ({error.strerror or error})", where=str(path), fix="check its permissions")


def _head(path: Path) -> bytes:
    where = str(path)
    if is_folder(path):
        raise InputError("this is a folder, not a frame file", where=where, fix="name the files in it, such as *.tiff")
    try:
        if not path.exists():
            raise InputError("there is no such file", where=where, fix=_nearest_file(path))
        refuse_irregular(path)
        with path.open("rb") as stream:
            head = stream.read(32)
    except (OSError, ValueError) as error:
        raise unreadable(path, error if isinstance(error, OSError) else OSError(str(error))) from error
    if not head:
        raise InputError("the file is empty", where=where, fix="export or copy it again")
    return head


def _nearest_file(path: Path) -> str:
    try:
        names = [item.name for item in islice(path.parent.iterdir(), _MOST_NAMES)] if is_folder(path.parent) else []
    except OSError:
        names = []
    near = get_close_matches(path.name, names, n=1) if len(path.name) <= LONGEST_NAME else []
    return f"did you mean {near[0]}?" if near else "check the path"


def _refuse_pictures(head: bytes, *, where: str) -> None:
    if head.startswith(_PNG):
        grey = len(head) > 25 and head[25] in _PNG_GREY
        what = "a grey picture (PNG)" if grey else "a colour picture (PNG)"
        raise InputError(f"this is {what} rather than a radiometric frame", where=where, fix=_EXPORT)
    for signature, name in _PICTURES:
        if head.startswith(signature) and (name != "WebP" or head[8:12] == b"WEBP"):
            what = f"this is a colour picture ({name}) rather than a radiometric frame"
            raise InputError(what, where=where, fix=_EXPORT)
