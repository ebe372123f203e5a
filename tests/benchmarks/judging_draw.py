"""
One board of the judging trials, drawn and written as files: layouts, frames and run files as a user has them, and the
truth in a file of its own, which the judging side opens only after the tool has spoken.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from judging_camera import SHAPES, Camera, Shot, draw_camera, take
from judging_world import (
    AMBIENT_K,
    GOOD_LOAD,
    LOAD,
    BoardType,
    Broken,
    Watts,
    break_alone,
    break_board,
    draw_duty,
    draw_type,
    draw_unit,
)

from samples.simulator import BoardField, write_tiff
from thermscan.layout.board import Board

# A handful of looks at each board: good and hot at every one, two others in turn.
ALWAYS, IN_TURN = ("good", "hot"), ("hot", "unmapped", "dead", "warmed")
# And two of which only a data sheet tells.
ALONE = ("tripled", "dead alone")
GOOD_RUNS = 3
# On so many of the boards the good runs are of the very unit that is judged; else of three others.
SAME_UNIT = 0.3
# What a user reads off a thermometer and a supply is off by so much.
THERMOMETER_K, SUPPLY_SHARE, SUPPLY_KNOWN = 0.4, 0.02, 0.5
# Data sheets state typical watts within about a third, and the most at up to 2.5 times that.
SHEET_SPREAD, SHEET_MOST = 0.3, (1.5, 2.5)


def draw_board(seed: int, number: int, folder: Path, *, parts: int | None = None) -> None:
    """Everything about one board; the truth is written last, so that its file says that all is there."""
    if (folder / "truth.json").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, number])
    kind = draw_type(rng, parts=parts)
    camera = draw_camera(rng, SHAPES[number % len(SHAPES)])
    same_unit = bool(rng.random() < SAME_UNIT)
    supply_known = bool(rng.random() < SUPPLY_KNOWN)
    sheet_w = write_layouts(rng, folder, kind)
    unit_w = draw_unit(rng, kind)
    good_w = []
    for look in range(GOOD_RUNS):
        if look and not same_unit:
            unit_w = draw_unit(rng, kind)
        watts = draw_duty(rng, kind, unit_w, float(rng.uniform(*GOOD_LOAD)))
        good_w.append(sum(watts.values()))
        field = kind.solve(watts, _some_day(rng, kind))
        shot = take(rng, camera, kind.true, field, kind.emissivity)
        serial = "unit-0" if same_unit else f"unit-{look + 1}"
        _write_look(rng, folder, f"good-{look + 1}", shot, field, serial=serial, supply_known=supply_known)
    if not same_unit:
        unit_w = draw_unit(rng, kind)
    looks = []
    # The camera goes by the number too: every camera sees every sort of fault.
    turn = number // len(SHAPES) + number
    others = [IN_TURN[(turn + step) % len(IN_TURN)] for step in (0, 1)]
    typical_w = {ref: typical for ref, (typical, _) in sheet_w.items()}
    for look, what in enumerate([*ALWAYS, *others, *ALONE]):
        stream = np.random.default_rng([seed, number, look])
        made = _Made(kind, camera, unit_w, typical_w, known=supply_known)
        looks.append(_look(stream, folder, f"look-{look}", what, made=made))
    truth = {
        "seed": seed,
        "board": number,
        "cols": camera.shape[1],
        "same_unit": same_unit,
        "supply_known": supply_known,
        "good_w": good_w,
        "camera": [camera.netd_k, camera.blur_px, camera.bend, camera.severity],
        "facts": kind.facts,
        "looks": looks,
    }
    (folder / "truth.json").write_text(json.dumps(truth))


@dataclass(frozen=True, slots=True, eq=False)
class _Made:
    """The unit under test, what looks at it, and what its user knows."""

    kind: BoardType
    camera: Camera
    unit_w: Watts
    typical_w: Watts
    known: bool


def _look(rng: np.random.Generator, folder: Path, name: str, what: str, *, made: _Made) -> dict[str, object]:
    """One look at the unit under test, and what is true of it."""
    kind, camera, unit_w, known = made.kind, made.camera, made.unit_w, made.known
    load, ambient_c = float(rng.uniform(*LOAD)), _some_day(rng, kind)
    watts = draw_duty(rng, kind, unit_w, load)
    if what in ALONE:
        broken = break_alone(rng, kind, watts, made.typical_w, dead=what == "dead alone", ambient_c=ambient_c)
    else:
        broken = None if what == "good" else break_board(rng, kind, watts, what=what, ambient_c=ambient_c)
    field = kind.solve(broken.watts if broken else watts, ambient_c, broken.fault if broken else None)
    shot = take(rng, camera, kind.true, field, kind.emissivity)
    _write_look(rng, folder, name, shot, field, serial="unit-0", supply_known=known)
    return {
        "name": name,
        "kind": what,
        "load": load,
        "ambient_c": ambient_c,
        "tilt_deg": shot.pose.tilt_deg,
        "fault": _told_fault(broken),
        "parts": _true_parts(kind, shot, field),
    }


def _told_fault(broken: Broken | None) -> dict[str, object] | None:
    if broken is None:
        return None
    fault = broken.fault
    return {
        "ref": fault.ref,
        "warmed": fault.warmed_ref,
        "spot_mm": [fault.disc.x_mm, fault.disc.y_mm] if fault.disc else None,
        "watts": fault.watts,
        "own_rise_k": broken.own_rise_k,
        "usual_own_k": broken.usual_own_k,
        "z": broken.z,
        "z_same_unit": broken.z_same_unit,
    }


def _true_parts(kind: BoardType, shot: Shot, field: BoardField) -> dict[str, list[float]]:
    """By ref: mean temperature of the top, watts, and where the layout's centre of it is seen."""
    places = shot.px(np.array([[part.x_mm, part.y_mm] for part in kind.told.parts]))
    return {
        part.ref: [
            round(field.truth(part).mean_c, 3),
            round(field.powers_w[part.ref], 4),
            *(round(float(xy), 3) for xy in place),
        ]
        for part, place in zip(kind.true.parts, places, strict=True)
    }


def _some_day(rng: np.random.Generator, kind: BoardType) -> float:
    return kind.ambient_c + float(rng.uniform(-AMBIENT_K, AMBIENT_K))


def _write_look(
    rng: np.random.Generator,
    folder: Path,
    name: str,
    shot: Shot,
    field: BoardField,
    *,
    serial: str,
    supply_known: bool,
) -> None:
    write_tiff(folder / f"{name}.tiff", [shot.apparent_c], unit="cK")
    lines = [
        f'frames = ["{name}.tiff"]',
        f"ambient_c = {field.ambient_c + float(rng.normal(0.0, THERMOMETER_K)):.1f}",
        'stage = "idle"',
        "minutes_on = 40",
        f'board_serial = "{serial}"',
    ]
    amps = field.lost_w / 5.0 * (1 + SUPPLY_SHARE * float(rng.normal()))
    supply = f'supply = [{{ rail = "+5 V", volts = 5.0, amps = {amps:.3f} }}]'
    text = "\n".join([*lines, *([supply] if supply_known else [])]) + "\n"
    (folder / f"{name}.toml").write_text(f'layout = "board.toml"\n{text}')
    if name.startswith("look"):
        (folder / f"{name}-lone.toml").write_text(f'layout = "lone.toml"\n{text}')
        (folder / f"{name}-lone-plain.toml").write_text(f'layout = "lone-plain.toml"\n{text}')


def write_layouts(rng: np.random.Generator, folder: Path, kind: BoardType) -> dict[str, tuple[float, float]]:
    """
    The board's layout; and, for a lone board, one without groups, with and without the data sheets' watts.

    Those watts (typical, most) are returned.
    """
    sheet_w = {}
    for ref, usual in kind.usual_w.items():
        typical = usual * float(np.exp(rng.normal(0.0, SHEET_SPREAD)))
        sheet_w[ref] = (typical, typical * float(rng.uniform(*SHEET_MOST)))
    _write_layout(folder / "board.toml", kind.told)
    _write_layout(folder / "lone.toml", kind.told, grouped=False, sheet_w=sheet_w)
    _write_layout(folder / "lone-plain.toml", kind.told, grouped=False)
    return sheet_w


def _write_layout(
    path: Path, board: Board, *, grouped: bool = True, sheet_w: dict[str, tuple[float, float]] | None = None
) -> None:
    outline = ", ".join(f"[{x:.2f}, {y:.2f}]" for x, y in np.asarray(board.outline_mm))
    head = ["[board]", f'name = "{board.name}"', 'revision = "A"', f"outline_mm = [{outline}]"]
    if sheet_w is None:
        head.append(f'parts = "{path.stem}-parts.csv"')
        with (path.parent / f"{path.stem}-parts.csv").open("w", encoding="utf-8", newline="") as file:
            table = csv.writer(file, lineterminator="\n")
            table.writerow(["ref", "kind", "package", "length_mm", "width_mm", "x_mm", "y_mm", "rotation_deg", "group",
                            "surface"])  # fmt: skip
            for part in board.parts:
                group = part.group if grouped else None
                table.writerow([part.ref, part.kind, part.package or "", part.length_mm, part.width_mm,
                                f"{part.x_mm:.2f}", f"{part.y_mm:.2f}", part.rotation_deg, group or "",
                                part.surface.name])  # fmt: skip
        path.write_text("\n".join(head) + "\n")
        return
    for part in board.parts:
        typical, most = sheet_w[part.ref]
        head += [
            "[[part]]",
            f'ref = "{part.ref}"',
            f'kind = "{part.kind}"',
            *([f'package = "{part.package}"'] if part.package else []),
            f"body_mm = [{part.length_mm}, {part.width_mm}]",
            f"at_mm = [{part.x_mm:.2f}, {part.y_mm:.2f}]",
            f"rotation_deg = {part.rotation_deg}",
            f'surface = "{part.surface.name}"',
            f"watts = [{typical:.4f}, {most:.4f}]",
        ]
    path.write_text("\n".join(head) + "\n")
