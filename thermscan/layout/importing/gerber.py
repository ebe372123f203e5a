"""Component layers and profiles of Gerber X3 files."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from thermscan.errors import InputError
from thermscan.layout.importing.drawn import MM_PER, Drawing, DrawnPart, Point, Side, arc_points, largest_contour

# A component layer of a large board has about 10 000 statements.
MOST_STATEMENTS = 500_000
# A coordinate has up to 6 + 6 digits, an aperture's number up to 10 (the format's specification).
_TOO_LONG = re.compile(r"\d{18,}")
_WORD = re.compile(r"([XYIJ])([+-]?\d+)")


@dataclass(slots=True)
class _State:
    """What a statement changes for those that follow it."""

    mm_per_unit: float = 1.0
    digits: int = 6
    aperture_attributes: dict[str, list[str]] = field(default_factory=dict)
    object_attributes: dict[str, list[str]] = field(default_factory=dict)
    apertures: dict[int, list[str]] = field(default_factory=dict)
    aperture: int = 0
    at: Point = (0.0, 0.0)
    mode: str = "G01"


@dataclass(slots=True)
class _Component:
    attributes: dict[str, list[str]]
    at: Point | None = None
    outlines: dict[str, list[Point]] = field(default_factory=dict)


def read_gerber(text: str, where: str) -> Drawing:
    """
    The parts of a component layer, or the board's edge of a profile.

    Parameters
    ----------
    text : str
    where : str
        The file, as messages name it.

    Raises
    ------
    InputError
        Not a component layer or a profile.

    Notes
    -----
    Places and rotations are as seen from the top on both sides; rotation is counterclockwise. On the bottom the zero
    orientation is the top's, mirrored about the x axis.

    References
    ----------
    .. [1] The Gerber Layer Format Specification, revision 2022.02, sections 5.6 and 6 (component attributes); its
       rules for rotation as quoted in the public source of a board editor (gbr_netlist_metadata.h).

    Examples
    --------
    >>> text = "%TF.FileFunction,Component,L1,Top*%%FSLAX46Y46*%%MOMM*%%TA.AperFunction,ComponentMain*%%ADD10C,0.3*%"
    >>> text += "D10*%TO.C,R1*%%TO.CRot,90*%X5000000Y2500000D03*M02*"
    >>> read_gerber(text, "top.gbr").parts[0].x_mm
    5.0
    """
    state = _State()
    components: dict[str, _Component] = {}
    edge: list[list[Point]] = []
    function: list[str] = []
    for statement in _statements(text, where):
        if not statement.startswith("T") and _TOO_LONG.search(statement):
            raise InputError("a number has too many digits", where=where, fix="export the file again")
        if statement.startswith("TF.FileFunction,"):
            function = _fields(statement)[1:]
        elif statement[:3] in ("TA.", "TO.", "TF.") or statement.startswith("TD"):
            _attribute(statement, state)
        elif statement.startswith("FS"):
            state.digits = int(re.search(r"X\d(\d)", statement)[1]) if re.search(r"X\d(\d)", statement) else 6  # type: ignore[index]
        elif statement.startswith("MO"):
            state.mm_per_unit = MM_PER["inch" if statement[2:4] == "IN" else "mm"]
        elif added := re.match(r"ADD(\d+)", statement):
            state.apertures[int(added[1])] = state.aperture_attributes.get(".AperFunction", [])
        else:
            _graphics(statement, state, components, edge)
    kind = function[0] if function else ""
    if kind == "Profile":
        outline = largest_contour(edge)
        if not outline:
            raise InputError("the profile draws no closed outline", where=where, fix="give --width-mm and --height-mm")
        return Drawing((), outline=tuple(outline))
    if kind != "Component":
        what = f"its file function is {','.join(function)[:40]}" if function else "it states no file function"
        raise InputError(f"not a Gerber component layer: {what}", where=where, fix="export the component layer (X3)")
    side: Side = "bottom" if function[-1].lower().startswith("bot") else "top"
    lost = [ref for ref, component in components.items() if component.at is None]
    parts = [_part(ref, component, component.at, side) for ref, component in components.items() if component.at]
    return Drawing(tuple(parts), not_understood=tuple(f"{ref}: the file gives no place for it" for ref in lost))


def _statements(text: str, where: str) -> Iterator[str]:
    for number, statement in enumerate(re.split(r"[*%]", text)):
        if number > MOST_STATEMENTS:
            raise InputError("too many statements for a component layer", where=where)
        plain = re.sub(r"\s*\n\s*", "", statement).strip()
        # Older programs put attributes into comments.
        plain = re.sub(r"^G0?4\s*#@!\s*", "", plain)
        if plain and not plain.startswith("G04"):
            yield plain


def _fields(statement: str) -> list[str]:
    return [
        re.sub(r"\\u([0-9A-Fa-f]{4})", lambda code: chr(int(code[1], 16)), part.strip())
        for part in statement.split(",")
    ]


def _attribute(statement: str, state: _State) -> None:
    name, *values = _fields(statement)
    if statement.startswith("TD"):
        for attributes in (state.aperture_attributes, state.object_attributes):
            if name == "TD":
                attributes.clear()
            else:
                attributes.pop(name[2:], None)
    elif statement.startswith("TA"):
        state.aperture_attributes[name[2:]] = values
    elif statement.startswith("TO"):
        if name == "TO.C":
            state.object_attributes = {}
        state.object_attributes[name[2:]] = values


def _graphics(statement: str, state: _State, components: dict[str, _Component], edge: list[list[Point]]) -> None:
    if select := re.fullmatch(r"(?:G54)?D(\d{2,})", statement):
        state.aperture = int(select[1])
        return
    if mode := re.match(r"G0?([123])(?!\d)", statement):
        state.mode = f"G0{mode[1]}"
    words = {word: int(value) * state.mm_per_unit / 10**state.digits for word, value in _WORD.findall(statement)}
    operation = re.search(r"D0?([123])$", statement)
    if operation is None:
        return
    start, state.at = state.at, (words.get("X", state.at[0]), words.get("Y", state.at[1]))
    points = [start, state.at] if operation[1] == "1" else []
    if points and state.mode != "G01" and ("I" in words or "J" in words):
        centre = (start[0] + words.get("I", 0.0), start[1] + words.get("J", 0.0))
        points = [start, *arc_points(start, state.at, centre, clockwise=state.mode == "G02")]
    function = state.apertures.get(state.aperture, [])
    ref = ",".join(state.object_attributes.get(".C", []))
    if not ref:
        if points:
            edge.append(points)
        return
    component = components.setdefault(ref, _Component(state.object_attributes))
    if operation[1] == "3" and function[:1] == ["ComponentMain"]:
        component.at, component.attributes = state.at, dict(state.object_attributes)
    elif points and function[:1] == ["ComponentOutline"]:
        component.outlines.setdefault(function[1] if len(function) > 1 else "Body", []).extend(points)


def _part(ref: str, component: _Component, at: Point, side: Side) -> DrawnPart:
    def text(*names: str) -> str | None:
        return next((",".join(component.attributes[name]) for name in names if component.attributes.get(name)), None)

    drawn = next((name for name in ("Body", "Footprint", "Lead2Lead", "Courtyard") if name in component.outlines), None)
    try:
        rotation_deg = float(text(".CRot") or 0.0)
    except ValueError:
        rotation_deg = 0.0
    return DrawnPart(
        ref=ref, x_mm=round(at[0], 6), y_mm=round(at[1], 6), rotation_deg=rotation_deg, side=side,
        package=text(".CPgN", ".CFtp", ".CPkg"), value=text(".CVal"), kind=text(".CPgD", ".CMPN"),
        body_points=tuple(component.outlines[drawn]) if drawn else (),
        body_is="body" if drawn == "Body" else "courtyard",
    )  # fmt: skip
