"""The small text files that make a folder a bag: the declaration, and labels with values."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable

from thermscan.archive.sources import BagFiles, Damage, read_whole
from thermscan.frozen import dataclass

KNOWN_VERSIONS = ((0, 93), (0, 94), (0, 95), (0, 96), (0, 97), (1, 0))
# Those that archives have used; some of Python's others take very long over hostile text.
_ENCODINGS = ("utf-8", "utf-16", "utf-16-be", "utf-16-le", "utf-32", "ascii", "iso8859-1", "iso8859-15", "cp1252")
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


@dataclass(frozen=True, slots=True)
class Declaration:
    """What bagit.txt says."""

    version: tuple[int, int] = (1, 0)
    encoding: str = "UTF-8"


def read_declaration(files: BagFiles, damage: list[Damage]) -> Declaration:
    """
    The bag's declaration; where it is damaged, that is noted and BagIt 1.0 in UTF-8 assumed.

    References
    ----------
    .. [1] RFC 8493, 2.1.1: two lines in UTF-8, without a byte order mark.
    """
    if "bagit.txt" not in files.sizes:
        damage.append(Damage("bagit.txt", "is missing: this is not a bag"))
        return Declaration()
    data = read_whole(files, "bagit.txt", most_bytes=4096)
    if data is not None and data.startswith(codecs.BOM_UTF8):
        damage.append(Damage("bagit.txt", "begins with a byte order mark"))
        data = data[3:]
    text = tag_text(data or b"", "UTF-8") or ""
    match = re.fullmatch(
        r"BagIt-Version: ?([0-9]+)\.([0-9]+)[ \t]*(?:\r\n|\r|\n)"
        r"Tag-File-Character-Encoding: ?([A-Za-z0-9._-]+)[ \t]*(?:\r\n|\r|\n)*",
        text,
    )
    if match is None:
        damage.append(Damage("bagit.txt", "is not the two lines that declare a bag"))
        return Declaration()
    version = (int(match[1]), int(match[2]))
    if version not in KNOWN_VERSIONS:
        damage.append(Damage("bagit.txt", f"BagIt version {match[1]}.{match[2]} is not known"))
    if not _known_encoding(match[3]):
        damage.append(Damage("bagit.txt", f'the encoding "{match[3][:40]}" is not known'))
        return Declaration(version)
    return Declaration(version, match[3])


def _known_encoding(name: str) -> bool:
    try:
        return codecs.lookup(name).name in _ENCODINGS
    except (LookupError, ValueError):
        return False


def tag_text(data: bytes, encoding: str) -> str | None:
    """A tag file's text, or None where it is not in that encoding; a byte order mark is left out."""
    try:
        return data.decode(encoding).removeprefix("\ufeff")
    except (UnicodeError, LookupError):
        return None


def read_pairs(text: str, *, strict: bool) -> tuple[list[tuple[str, str]], list[str]]:
    """
    Labels and values of a tag file, with what is wrong in it; an indented line goes on the one before.

    Examples
    --------
    >>> read_pairs("Contact: A\\n  B\\nno colon\\n", strict=True)
    ([('Contact', 'A B')], ['line 3 is not a label, a colon and a value'])
    """
    pairs: list[tuple[str, str]] = []
    faults = []
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        if not line.strip():
            continue
        if line[0] in " \t" and pairs:
            label, value = pairs[-1]
            pairs[-1] = (label, f"{value} {line.strip()}")
            continue
        label, colon, value = line.partition(":")
        # RFC 8493, 2.2.2: a colon and a single space or tab; older bags have any white space.
        spaced = label != label.strip() or (strict and value and value[0] not in " \t")
        if not colon or not label.strip() or spaced:
            faults.append(f"line {number} is not a label, a colon and a value")
        else:
            pairs.append((label, value.strip()))
    return pairs, faults


def pairs_text(pairs: Iterable[tuple[str, str]]) -> str:
    """
    Labels and values as a tag file has them, one line each.

    Examples
    --------
    >>> pairs_text([("External-Description", "two\\nlines")])
    'External-Description: two lines\\n'
    """
    return "".join(f"{label}: {_one_line(value)}\n" for label, value in pairs)


def _one_line(value: str) -> str:
    flat = " ".join(value.split())
    return "".join(sign for sign in flat if sign.isprintable())
