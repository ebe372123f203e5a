"""Several looks at one board side by side, stage by stage: one web page beside the looks' own reports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import matplotlib as mpl
import numpy as np
from markupsafe import Markup

from thermscan.frozen import dataclass
from thermscan.layout.board import Board, Part
from thermscan.report.gathering import FLAGGED_VERDICTS
from thermscan.report.pictures import NO_READING_COLOUR, THERMAL_MAP, colour_range
from thermscan.report.results import software_versions
from thermscan.report.shown import COVERAGE, Shown, visible
from thermscan.report.told import caution_texts
from thermscan.report.verdicts import TOLD_MARKS
from thermscan.report.web_page import MARKS, Cell, Facts, hash_of, page_source, page_template
from thermscan.report.web_panes import ROWS, Pane, plain_shape, points_text, scene_of
from thermscan.report.web_views import View, colour_stops

# More columns than these are no longer read side by side.
MOST_STAGES = 8


@dataclass(frozen=True, slots=True)
class PartSeen:
    """One part in one look; None where it could not be measured. The verdict is as the reader is told it."""

    rise_k: float | None
    u_k: float | None
    verdict: str


@dataclass(frozen=True, slots=True)
class StageLook:
    """
    What of one look is laid beside others.

    Attributes
    ----------
    run : str
        The run file's name.
    link : str or None
        Of its own report, from the page's folder.
    """

    run: str
    link: str | None
    layout: str | None
    serial: str | None
    stage: str | None
    taken: str | None
    ambient_c: float
    minutes_on: float | None
    overall: str
    findings: tuple[str, ...]
    parts: Mapping[str, PartSeen]

    @property
    def board(self) -> tuple[str | None, str | None]:
        """Looks at one board share it: its layout and, where stated, its serial."""
        return self.layout, self.serial


def stage_look(run: str, link: str | None, result: Mapping[str, Any]) -> StageLook:
    """A look's results document, of which only what is shown is kept."""
    about = result["run"]
    alone = set(result.get("not_compared", ()))
    return StageLook(
        run=run,
        link=link,
        layout=_layout_of(about),
        serial=about.get("board_serial"),
        stage=about.get("stage"),
        taken=about.get("taken"),
        ambient_c=about["ambient_c"],
        minutes_on=about.get("minutes_on"),
        overall=result["overall"],
        findings=tuple(each["text"] for each in result["findings"]),
        parts={
            each["ref"]: PartSeen(
                each["rise_k"],
                each["u_c"] if each["rise_k"] is not None else None,
                "not-compared" if each["verdict"] == "normal" and each["ref"] in alone else each["verdict"],
            )
            for each in result["parts"]
        },
    )


def _layout_of(about: Mapping[str, Any]) -> str | None:
    """The layout's whole path: a results document names it from the run file's folder."""
    if not about.get("layout"):
        return None
    folder = Path(about["path"]).parent if about.get("path") else Path()
    return str((folder / about["layout"]).resolve())


def stages_page(looks: Sequence[StageLook], board: Board, shown: Shown) -> str:
    """
    Looks at one board as HTML: each one's result, every part coloured by its rise on one scale, and a table.

    Parameters
    ----------
    looks : sequence of StageLook
        In the order in which they are to stand; two or more, of the same layout.
    board : Board
    shown : Shown
    """
    style, script = page_source("page.css"), page_source("page.js")
    rises = np.array([seen.rise_k for look in looks for seen in look.parts.values() if seen.rise_k is not None])
    limits = colour_range(rises)
    keys = {part.ref: f"p{index}" for index, part in enumerate(board.parts)}
    name = visible(" ".join(filter(None, [board.name, board.revision])))
    used = {seen.verdict for look in looks for seen in look.parts.values()}
    stops = colour_stops(THERMAL_MAP)
    scale = (shown.diff(limits[0], signed=True), shown.diff(limits[1], signed=True))
    headings = headings_of(looks, shown)
    panes = tuple(_pane(*pair, board, limits, shown) for pair in zip(looks, headings, strict=True))
    return page_template("stages.html").render(
        shown=shown,
        say=shown.say,
        version=software_versions()["thermscan"],
        style=Markup(style),
        script=Markup(script),
        style_hash=hash_of(style),
        script_hash=hash_of(script),
        title=shown.say("stages.title", board=name),
        board=name,
        serial=visible(looks[0].serial) if looks[0].serial else None,
        looks=[_told(*pair, shown) for pair in zip(looks, headings, strict=True)],
        marks=MARKS,
        scales=[("thermal", stops)],
        view=View("stages", shown.say("stages.pictures_caption"), panes, scale, stops),
        rows_from=ROWS,
        keys=keys,
        verdicts=[verdict for verdict in TOLD_MARKS if verdict in used],
        rows=[
            {"key": keys[part.ref], "name": visible(part.ref), "cells": [_cell(look, part, shown) for look in looks]}
            for part in board.parts
        ],
        details={keys[part.ref]: _details(part, looks, headings, shown) for part in board.parts},
        cautions=caution_texts(shown),
    )


def headings_of(looks: Sequence[StageLook], shown: Shown) -> list[str]:
    """Each look's stage, or its run file's name; where looks share that, with the date or the run file as well."""
    names = [visible(look.stage or look.run) for look in looks]
    return [
        name if names.count(name) == 1 else f"{name}, {_date(look, shown) or visible(look.run)}"
        for name, look in zip(names, looks, strict=True)
    ]


def _date(look: StageLook, shown: Shown) -> str:
    return shown.say("number.date", value=datetime.fromisoformat(look.taken)) if look.taken else ""


def _told(look: StageLook, heading: str, shown: Shown) -> dict[str, Any]:
    facts = [
        _date(look, shown),
        shown.say("head.room", value=shown.temp(look.ambient_c)),
        shown.say("number.minutes", value=shown.number(look.minutes_on, 0)) if look.minutes_on is not None else "",
        visible(look.run),
    ]
    return {
        "heading": heading,
        "overall": look.overall,
        "facts": ", ".join(filter(None, facts)),
        # A name may hold what a link may not.
        "link": quote(look.link) if look.link else None,
        "findings": [visible(text) for text in look.findings],
    }


def _pane(look: StageLook, heading: str, board: Board, limits: tuple[float, float], shown: Shown) -> Pane:
    scene = scene_of(board.width_mm, board.height_mm, margin=0.02 * max(board.width_mm, board.height_mm))
    flagged_last = sorted(board.parts, key=lambda part: _seen(look, part).verdict in FLAGGED_VERDICTS)
    return Pane(
        name=heading,
        heading=heading,
        width=round(scene.width, 1),
        height=round(scene.height, 1),
        picture=None,
        outline=points_text(scene.place(board.outline_mm)),
        shapes=tuple(
            plain_shape(
                part.ref,
                scene.place(part.corners_mm()),
                _seen(look, part).verdict,
                label=f"{visible(part.ref)}: {_said(_seen(look, part), shown)}",
                fill=_colour(_seen(look, part).rise_k, limits),
            )
            for part in flagged_last
        ),
        rings=(),
        labels=(),
    )


def _colour(rise_k: float | None, limits: tuple[float, float]) -> str:
    if rise_k is None:
        return NO_READING_COLOUR
    share = (rise_k - limits[0]) / (limits[1] - limits[0])
    return str(mpl.colors.to_hex(mpl.colormaps[THERMAL_MAP](float(np.clip(share, 0.0, 1.0)))))


def _seen(look: StageLook, part: Part) -> PartSeen:
    return look.parts.get(part.ref, PartSeen(None, None, "not-measurable"))


def _said(seen: PartSeen, shown: Shown) -> str:
    word = shown.say(f"word.{seen.verdict}")
    if seen.rise_k is None:
        return word
    spread = shown.spread(seen.u_k)
    return f"{shown.diff(seen.rise_k, signed=True)} {spread}, {word}"


def _cell(look: StageLook, part: Part, shown: Shown) -> Cell:
    seen = _seen(look, part)
    mark = seen.verdict if seen.verdict in FLAGGED_VERDICTS else None
    if seen.rise_k is None:
        return Cell("number", "\N{EN DASH}", "", mark)
    text = shown.number(shown.diff_value(seen.rise_k))
    if seen.u_k is not None:
        text += f" ± {shown.number(shown.diff_value(COVERAGE * seen.u_k))}"
    return Cell("number", text, f"{seen.rise_k:.4f}", mark)


def _details(part: Part, looks: Sequence[StageLook], headings: Sequence[str], shown: Shown) -> dict[str, Any]:
    facts: Facts = [(heading, _said(_seen(look, part), shown)) for look, heading in zip(looks, headings, strict=True)]
    own = [("kind", part.kind), ("group", part.group), ("package", part.package)]
    facts += [(shown.say(f"part.{key}"), visible(value)) for key, value in own if value]
    return {"name": visible(part.ref), "facts": facts}
