"""One self-contained page on which a person makes a layout: no server, no network, the picture in it."""

from __future__ import annotations

import json
import re
from importlib.resources import files

from thermscan.layout.board import Board, Part
from thermscan.layout.packages import known_packages
from thermscan.layout.picture import PagePicture
from thermscan.layout.surfaces import known_surfaces
from thermscan.layout.writing import photo_name, sticker_values

# Each file may use what stands before it.
_SCRIPTS = (
    "geometry.mjs",
    "model.mjs",
    "files.mjs",
    "loading.mjs",
    "storage.mjs",
    "view.mjs",
    "app.mjs",
    "actions.mjs",
    "showing.mjs",
    "keeping.mjs",
    "pointer.mjs",
    "keyboard.mjs",
    "form.mjs",
    "page.mjs",
)


def page_text(picture: PagePicture, *, board: Board | None = None, size_mm: tuple[float, float] | None = None) -> str:
    """
    The page as HTML text.

    Parameters
    ----------
    picture : PagePicture
    board : Board, optional
        A layout to go on with.
    size_mm : pair of float, optional
        Width and height of a new board.

    Examples
    --------
    >>> from thermscan.layout.picture import picture_of_frame
    >>> page = page_text(picture_of_frame([[1.0, 2.0], [3.0, 4.0]]), size_mm=(100.0, 80.0))
    >>> page.count("<script"), "http://" in page, "https://" in page
    (2, False, False)
    """
    given = {
        "key": picture.key,
        "picture": {"kind": picture.kind, "url": picture.url, "scale": picture.scale},
        "board": _board_values(board, size_mm),
        "parts": [_part_values(part) for part in board.parts] if board else [],
        "packages": [
            {
                "name": body.name,
                "length_mm": body.length_mm,
                "width_mm": body.width_mm,
                "surface": body.surface,
                "round": body.round_body,
                "aliases": list(body.aliases),
            }
            for body in known_packages()
        ],
        "surfaces": list(known_surfaces()),
    }
    # Within a script element only "<" could end it or open a comment.
    data = json.dumps(given, ensure_ascii=False, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")
    filling = {"/*STYLE*/": _page_file("page.css"), "/*GIVEN*/": data, "/*SCRIPT*/": _script()}
    pattern = re.compile("|".join(re.escape(mark) for mark in filling))
    return pattern.sub(lambda mark: filling[mark[0]], _page_file("page.html"))


def _script() -> str:
    """All scripts as one module: what they import from one another stands before them."""
    text = "\n".join(_page_file(name) for name in _SCRIPTS)
    text = re.sub(r"^import .*$", "", text, flags=re.MULTILINE)
    return re.sub(r"^export (?=async|function|class|const|let)", "", text, flags=re.MULTILINE)


def _page_file(name: str) -> str:
    return files("thermscan").joinpath("layout", "page", name).read_text(encoding="utf-8")


def _board_values(board: Board | None, size_mm: tuple[float, float] | None) -> dict[str, object]:
    if board is None:
        width, height = size_mm or (None, None)
        return {
            "name": "", "revision": "", "width_mm": width, "height_mm": height, "thickness_mm": 1.6,
            "surface": "solder-mask", "emissivity": None, "outline_mm": None,
        }  # fmt: skip
    table = known_surfaces().get(board.surface.name)
    rectangle = len(board.outline_mm) == 4 and abs(board.outline_mm - board.corners_mm).max() < 1e-9
    return {
        "name": board.name,
        "revision": board.revision or "",
        "width_mm": board.width_mm,
        "height_mm": board.height_mm,
        "thickness_mm": board.thickness_mm,
        "surface": board.surface.name,
        "emissivity": None if table == board.surface else board.surface.emissivity,
        "outline_mm": None if rectangle else board.outline_mm.tolist(),
        "photo": photo_name(board, board.path) if board.path else None,
        "stickers": [sticker_values(sticker) for sticker in board.stickers],
    }


def _part_values(part: Part) -> dict[str, object]:
    table = known_surfaces().get(part.surface.name)
    return {
        "ref": part.ref, "kind": part.kind or "", "package": part.package or "", "length_mm": part.length_mm,
        "width_mm": part.width_mm, "round": part.round_body, "x_mm": part.x_mm, "y_mm": part.y_mm,
        "rotation_deg": part.rotation_deg, "group": part.group or "", "surface": part.surface.name,
        "emissivity": None if table == part.surface else part.surface.emissivity, "max_c": part.max_c,
        "height_mm": part.height_mm, "value": part.value or "", "polarity": part.polarity or "",
        "note": part.note or "", "psi_jt_k_per_w": part.psi_jt_k_per_w,
        "max_junction_c": part.max_junction_c, "watts_typical": part.watts[0] if part.watts else None,
        "watts_most": part.watts[1] if part.watts else None, "family": part.family or "",
    }  # fmt: skip
