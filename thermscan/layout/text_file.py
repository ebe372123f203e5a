"""Text of files that people write or send: UTF-8, of a size that makes sense, with faults in our words."""

from __future__ import annotations

import codecs
import re
import tomllib
from hashlib import sha256
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from thermscan.errors import InputError
from thermscan.frozen import dataclass
from thermscan.named_file import refuse_irregular
from thermscan.visible import brief

# A layout of 10 000 parts has about 2 MB; beyond this it is another kind of file.
LARGEST_TEXT_BYTES = 20_000_000
_LONGEST_ADVICE = 60
_KEY_AND_VALUE = re.compile(r"\s*([\w.-]+)\s*=\s*([^\"'\[\]{}#]{1,200}?)\s*(?:#.*)?")


@dataclass(frozen=True, slots=True)
class TextFile:
    """The text of a file and the SHA-256 of its bytes."""

    text: str
    sha256: str


def read_text_file(path: Path, *, from_a_spreadsheet: bool = False) -> TextFile:
    """
    The text of a file, without byte order mark and with plain line ends.

    Parameters
    ----------
    path : Path
    from_a_spreadsheet : bool
        Text that is not UTF-8 is taken to be Windows-1252, as spreadsheets save it.

    Raises
    ------
    InputError
        Missing, a folder, empty, too large, or not UTF-8 (UTF-16 with its byte order mark is read too).

    Examples
    --------
    >>> read_text_file(Path("no-such.toml"))
    Traceback (most recent call last):
    thermscan.errors.InputError: no-such.toml: no such file; check the name and the folder
    """
    refuse_irregular(path)
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise InputError("is a folder", where=str(path), fix="name the file in it")
        if size > LARGEST_TEXT_BYTES:
            raise InputError(f"has {size} bytes, too many for a text file like this", where=str(path))
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise InputError("no such file", where=str(path), fix="check the name and the folder") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(f"cannot be read ({reason})", where=brief(str(path))) from error
    if not data.strip():
        raise InputError("the file is empty", where=str(path), fix="save it again")
    encoding = "utf-16" if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        if from_a_spreadsheet and encoding != "utf-16" and b"\0" not in data:
            return TextFile(_plain_ends(data.decode("cp1252", errors="replace")), sha256(data).hexdigest())
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError("not UTF-8 text", where=f"{path}, line {line}", fix="save the file as UTF-8") from error
    return TextFile(_plain_ends(text), sha256(data).hexdigest())


def _plain_ends(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def parse_toml(text: str, path: Path) -> dict[str, Any]:
    """
    The tables of a TOML text.

    Raises
    ------
    InputError
        Not TOML; with the line.

    Examples
    --------
    >>> parse_toml("width_mm = 1.5", Path("board.toml"))
    {'width_mm': 1.5}
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"\(at (line \d+), (column \d+)\)", str(error))
        where = f"{path}, {place[1]}, {place[2]}" if place else str(path)
        what = re.sub(r"\s*\(at .*\)$", "", str(error))
        fix = _advice(text, int(place[1].split()[1])) if place else None
        raise InputError(
            f"not valid TOML: {what[:1].lower()}{what[1:]}", where=where, fix=fix or "correct it"
        ) from error
    except RecursionError as error:
        raise InputError("nested too deeply", where=str(path), fix="write plain tables") from error
    except ValueError as error:
        # Python turns no text of more than some thousand digits into a number.
        raise InputError("a number has too many digits", where=str(path), fix="write a shorter one") from error


def _advice(text: str, number: int) -> str | None:
    """
    What to write instead of a line that is no TOML, for the slips that people make most.

    Examples
    --------
    >>> _advice("ambient_c = 22,0", 1), _advice("stage = soak", 1)
    ('write it with a point: ambient_c = 22.0', 'write text between quotes: stage = "soak"')
    >>> _advice("ambient_c = 22.4 C", 1)
    'write the number alone: ambient_c = 22.4'
    """
    lines = text.split("\n")
    # The fault is found at the line's end, or at the beginning of the next.
    for line in reversed(lines[max(number - 2, 0) : number]):
        found = _KEY_AND_VALUE.fullmatch(line)
        if found is None:
            continue
        key, value = found[1], found[2].strip()
        if re.fullmatch(r"[-+]?\d+,\d+", value):
            return f"write it with a point: {key} = {value.replace(',', '.')}"
        if (
            unit := re.fullmatch(r"([-+]?\d+(?:\.\d+)?)\s*[^\W\d_].*|([-+]?\d+(?:\.\d+)?)\s*[°%].*", value)
        ) is not None:
            return f"write the number alone: {key} = {unit[1] or unit[2]}"
        if value[:1].isalpha() or value[:1] in "./~_":
            return f'write text between quotes: {key} = "{brief(value, _LONGEST_ADVICE)}"'
    return None


def path_beside(name: str, owner: Path) -> Path | None:
    """
    The path of a file that an untrusted file names, or None where it would leave that file's folder.

    Absolute paths, drive letters, ``~`` and ``..`` are refused, and so are links that lead out of the folder.

    Examples
    --------
    >>> path_beside("../secret.csv", Path("job/board.toml")) is None
    True
    >>> path_beside("parts.csv", Path("job/board.toml")).as_posix()
    'job/parts.csv'
    """
    plain, windows = PurePosixPath(name), PureWindowsPath(name)
    parts = {*plain.parts, *windows.parts}
    if not name or "\0" in name or plain.is_absolute() or windows.anchor or ".." in parts or name.startswith("~"):
        return None
    path = owner.parent / plain
    try:
        return path if path.resolve().is_relative_to(owner.parent.resolve()) else None
    except (OSError, RuntimeError):  # a name longer than the system takes, links that lead in a circle
        return None
