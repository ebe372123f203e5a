"""What a record's files are and how they came about, as RO-Crate 1.1 says it."""

from __future__ import annotations

import json
import mimetypes
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath
from typing import Any
from urllib.parse import quote

METADATA_FILE = "ro-crate-metadata.json"
_TYPES = {".toml": "application/toml", ".csv": "text/csv", ".tiff": "image/tiff", ".json": "application/json"}
# What each folder of a record holds.
FOLDERS = {
    "frames": "raw frame, bit for bit as it was given",
    "off_frames": "raw frame with the power off, bit for bit as it was given",
    "layout": "layout of the board",
    "camera": "camera file",
    "baseline": "known-good runs that the board was compared with",
    "kelvin": "the same frame as kelvin, 32-bit floats, to be read without thermscan",
    "report": "result and report",
    "photos": "photo",
    "notes": "note",
    "as-given": "file as the user wrote it",
}


def crate_text(
    files: Mapping[str, int], contents: Mapping[str, Any], *, results: str | None, date: str, operator: str | None
) -> str:
    """
    The text of ``ro-crate-metadata.json``.

    Parameters
    ----------
    files : mapping of str to int
        Bytes of each payload file, by its path below ``data/``.
    contents : mapping
        As ``record.json`` has it.
    results : str or None
        The file that holds the results.
    date : str
        When the evidence was taken, ISO 8601.

    References
    ----------
    .. [1] RO-Crate Metadata Specification 1.1, https://w3id.org/ro/crate/1.1: root data entity, data entities,
       contextual entities, provenance by CreateAction.
    """
    board, serial = contents["board"], contents["serial"]
    frames = [name for name in files if name.startswith("frames/")]
    entities: list[dict[str, Any]] = [
        {
            "@id": METADATA_FILE,
            "@type": "CreativeWork",
            "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
            "about": {"@id": "./"},
        },
        {
            "@id": "./",
            "@type": "Dataset",
            "name": f"Thermal record of {board}" + (f", serial {serial}" if serial else ""),
            "description": "Frames of a thermal camera of one powered circuit board, what they were judged to show, "
            "and all that is needed to judge them again.",
            "datePublished": date,
            "license": {"@id": "#rights"},
            "about": {"@id": "#board"},
            "hasPart": [{"@id": _address(name)} for name in files],
            "mentions": {"@id": "#inspection"},
        },
        {
            "@id": "#rights",
            "@type": "CreativeWork",
            "name": "Rights",
            "description": "No licence was stated when this record was packed; ask the board's owner.",
        },
        _known({"@id": "#board", "@type": "Product", "name": board, "serialNumber": serial}),
        {
            "@id": "#thermscan",
            "@type": "SoftwareApplication",
            "name": "thermscan",
            "softwareVersion": str(contents["software"].get("thermscan")),
        },
        _known(
            {
                "@id": "#inspection",
                "@type": "CreateAction",
                "name": "Inspection of the frames",
                "description": contents["derive_again"],
                "instrument": {"@id": "#thermscan"},
                "agent": {"@id": "#operator"} if operator else None,
                "object": [{"@id": _address(name)} for name in frames],
                "result": {"@id": _address(results)} if results else None,
                "endTime": date,
            }
        ),
        *(_file(name, size) for name, size in files.items()),
    ]
    if operator:
        entities.append({"@id": "#operator", "@type": "Person", "name": operator})
    document = {"@context": "https://w3id.org/ro/crate/1.1/context", "@graph": entities}
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _file(name: str, size: int) -> dict[str, Any]:
    ending = PurePosixPath(name).suffix.lower()
    kind = _TYPES.get(ending) or mimetypes.types_map.get(ending, "application/octet-stream")
    return _known(
        {
            "@id": _address(name),
            "@type": "File",
            "name": PurePosixPath(name).name,
            "description": FOLDERS.get(name.partition("/")[0]),
            "contentSize": str(size),
            "encodingFormat": kind,
        }
    )


def _address(name: str) -> str:
    """
    A path as a URI reference.

    Examples
    --------
    >>> _address("frames/a b.tiff")
    'frames/a%20b.tiff'
    """
    return quote(name, safe="/-._~!$&'()*+,;=@")


def _known(entity: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in entity.items() if value is not None}


def readme_text(files: Sequence[str]) -> str:
    """What a reader without thermscan needs to know, as plain text."""
    present = {name.partition("/")[0] for name in files}
    folders = "".join(f"  {folder + '/':<12} {what}\n" for folder, what in FOLDERS.items() if folder in present)
    return (
        "A thermal record: the frames of a thermal camera of one powered circuit board, and what they were judged to "
        "show.\n\n"
        f"{folders}"
        "  run.toml     how the board was powered and looked at\n"
        "  record.json  what was found in short, with which versions, and the command that derives it again\n"
        "  ro-crate-metadata.json  every file described (RO-Crate 1.1)\n\n"
        "The folder above is a BagIt bag (RFC 8493): manifest-sha512.txt lists the SHA-512 digest of every file here,\n"
        "so that 'sha512sum -c manifest-sha512.txt' checks them; the tagmanifest files do the same for the rest.\n"
        "A file signature-ed25519.json, where there is one, signs tagmanifest-sha512.txt (RFC 8032); the key and the\n"
        "signature in it are Base64.\n\n"
        "Temperatures end in _c (degrees Celsius), differences and standard uncertainties (k = 1) in _k (kelvin).\n"
        "Places on the board are millimetres from its top left corner, x to the right, y down, component side up.\n"
        "A thermal image sees surfaces. It proves nothing about electrical safety.\n"
    )
