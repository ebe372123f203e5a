"""Names of files in a record: which are refused, which are the same to some system, how a manifest writes them."""

from __future__ import annotations

import re
import unicodedata
from pathlib import PurePosixPath, PureWindowsPath

# Longer than any file system in use takes for a whole path (Linux: 4096 bytes).
LONGEST_PATH_BYTES = 4096
# What one file system or another refuses in a name, and '%', which manifest readers treat in different ways.
_NOT_PORTABLE = re.compile(r'[\x00-\x1f\x7f-\x9f<>:"|?*\\/%\u200e\u200f\u202a-\u202e\u2066-\u2069]')
# Device names on Windows (Microsoft, "Naming Files, Paths, and Namespaces").
_DEVICES = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)
# Room for a number in front and for "-page-00001.csv" behind, within the 255 bytes of most file systems.
_LONGEST_NAME_BYTES = 200


def path_fault(path: str) -> str | None:  # noqa: PLR0911 - one return a kind of fault
    """
    Why a path in a bag is refused, or None.

    Examples
    --------
    >>> path_fault("data/frames/idle.tiff") is None
    True
    >>> path_fault("data/../../secret"), path_fault("/etc/passwd"), path_fault("C:\\\\x")
    ('leads out of the bag', 'is an absolute path', 'is an absolute path')
    """
    plain, windows = PurePosixPath(path), PureWindowsPath(path)
    if not path or path.endswith("/"):
        return "is not a file's name"
    if any(unicodedata.category(sign) == "Cc" and sign not in "\r\n\t" for sign in path) or _has_lone_surrogate(path):
        return "holds control characters"
    if plain.is_absolute() or windows.anchor:
        return "is an absolute path"
    if ".." in plain.parts or ".." in windows.parts or path.startswith("~"):
        return "leads out of the bag"
    if "\\" in path:
        return "holds a backslash, which is a folder on some systems"
    if len(path.encode("utf-8")) > LONGEST_PATH_BYTES:
        return "is too long for any file system"
    return None


def _has_lone_surrogate(path: str) -> bool:
    return any(0xD800 <= ord(sign) <= 0xDFFF for sign in path)


def same_name_key(path: str) -> str:
    """
    What two paths share where some file system takes them for one.

    Examples
    --------
    >>> same_name_key("data/Ä.csv") == same_name_key("data/a\\u0308.CSV")
    True
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def portable_name(name: str) -> str:
    """
    A file's name as every system can keep it.

    Examples
    --------
    >>> portable_name("idle 50%.tiff"), portable_name("aux.csv"), portable_name("…")
    ('idle 50_.tiff', '_aux.csv', '…')
    """
    clean = _NOT_PORTABLE.sub("_", unicodedata.normalize("NFC", name.encode("utf-8", "replace").decode("utf-8")))
    clean = clean.rstrip(". ").lstrip("~ ") or "_"
    if _DEVICES.fullmatch(clean) or clean.startswith("."):
        clean = f"_{clean}"
    stem, dot, ending = clean.rpartition(".")
    while len(clean.encode("utf-8")) > _LONGEST_NAME_BYTES:
        stem, ending = (stem[:-1], ending) if len(stem) > 1 else (stem, ending[:-1])
        clean = f"{stem}{dot}{ending}"
    return clean


def free_path(folder: str, name: str, taken: set[str]) -> str:
    """
    A path in a bag's folder that no other file has, by any system's reading; it is noted as taken.

    Examples
    --------
    >>> taken = set()
    >>> [free_path("frames", name, taken) for name in ("idle.tiff", "Idle.tiff")]
    ['frames/idle.tiff', 'frames/Idle-2.tiff']
    """
    clean = PurePosixPath(portable_name(name))
    path, number = f"{folder}/{clean}", 1
    while same_name_key(path) in taken:
        number += 1
        path = f"{folder}/{clean.stem}-{number}{clean.suffix}"
    taken.add(same_name_key(path))
    return path


def manifest_path(path: str) -> str:
    """
    A path as a manifest of BagIt 1.0 writes it.

    References
    ----------
    .. [1] RFC 8493, 2.1.3: line feed, carriage return and per cent are written as %0A, %0D and %25.

    Examples
    --------
    >>> manifest_path("data/50%.csv")
    'data/50%25.csv'
    """
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def path_in_manifest(text: str) -> str:
    """
    The path that a manifest of BagIt 1.0 means.

    Examples
    --------
    >>> path_in_manifest("data/50%25.csv"), path_in_manifest("./data/a%20b")
    ('data/50%.csv', 'data/a%20b')
    """
    meant = {"0a": "\n", "0d": "\r", "25": "%"}
    decoded = re.sub(r"%(0[aAdD]|25)", lambda found: meant[found[1].lower()], text)
    return decoded.removeprefix("./")
