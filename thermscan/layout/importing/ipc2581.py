"""Boards and parts of IPC-2581 (XML) files."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

from thermscan.errors import InputError
from thermscan.layout.importing.drawn import MM_PER, Drawing, DrawnPart, Point, Side, arc_points

_UNITS = {"MILLIMETER": "mm", "MM": "mm", "INCH": "inch", "MICRON": "um"}


def read_ipc2581(text: str, where: str) -> Drawing:
    """
    Parts, bodies and outline of the first step that holds parts.

    Parameters
    ----------
    text : str
    where : str
        The file, as messages name it.

    Raises
    ------
    InputError
        Not XML, not IPC-2581, no unit or no parts.

    References
    ----------
    .. [1] IPC-2581C, sections 3.3 (Xform: mirrored about the y axis, then turned counterclockwise), 8.2 (Step, Package,
       Component), from memory; element names as in public files.

    Examples
    --------
    >>> part = '<Component refDes="U1" layerRef="TOP"><Location x="1" y="2"/></Component>'
    >>> text = f'<IPC-2581><CadHeader units="INCH"/><Step name="b">{part}</Step></IPC-2581>'
    >>> read_ipc2581(text, "board.xml").parts[0].x_mm
    25.4
    """
    root = _root(text, where)
    header = next(_all(root, "CadHeader"), None)
    unit = _UNITS.get((header.get("units", "") if header is not None else "").upper())
    if unit is None:
        raise InputError("the CadHeader states no known unit", where=where, fix="export it in MILLIMETER or INCH")
    scale = MM_PER[unit]
    steps = [step for step in _all(root, "Step") if next(_all(step, "Component"), None) is not None]
    if not steps:
        raise InputError("no step of the file holds parts", where=where)
    step = steps[0]
    layers = {layer.get("name", ""): layer.get("side", "").upper() for layer in _all(root, "Layer")}
    packages = {package.get("name", ""): _outline(package, scale) for package in _all(step, "Package")}
    values = _values(root)
    parts, lost = [], [f"step {other.get('name')} was left out" for other in steps[1:]]
    for component in _all(step, "Component"):
        part = _part(component, scale, layers, packages, values)
        if part:
            parts.append(part)
        else:
            lost.append(f"{component.get('refDes', 'a part')[:40]}: no place, or no number for it")
    profile = next(_all(step, "Profile"), None)
    edge = _points(profile, scale) if profile is not None else []
    return Drawing(
        tuple(parts), outline=tuple(edge) if len(edge) >= 3 else None, name=step.get("name"), not_understood=tuple(lost)
    )


def _root(text: str, where: str) -> Element:
    # Entities are the way to make a small file huge, and no IPC-2581 file needs them.
    if re.search(r"<!(DOCTYPE|ENTITY)", text):
        raise InputError("the file defines entities, which are refused", where=where)
    try:
        root = ElementTree.fromstring(text.encode("utf-8"))
    except ElementTree.ParseError as error:
        raise InputError(f"not valid XML ({error})", where=where, fix="export it again") from error
    if _local(root) != "IPC-2581":
        raise InputError(f"the outermost element is {_local(root)[:40]}, not IPC-2581", where=where)
    return root


def _local(element: Element) -> str:
    return str(element.tag).rpartition("}")[2]


def _all(element: Element, name: str) -> Iterator[Element]:
    return (child for child in element.iter() if _local(child) == name)


def _child(element: Element, name: str) -> Element | None:
    return next((child for child in element if _local(child) == name), None)


def _number(element: Element | None, name: str, default: float | None = None) -> float | None:
    try:
        number = float(element.get(name, "")) if element is not None else math.nan
    except ValueError:
        return default
    return number if math.isfinite(number) else default


def _points(element: Element, scale: float) -> list[Point]:
    """Points along the first polygon below an element, its curves included."""
    polygon = next(_all(element, "Polygon"), None)
    points: list[Point] = []
    for child in polygon if polygon is not None else ():
        x, y = _number(child, "x"), _number(child, "y")
        if x is None or y is None or not _local(child).startswith("Poly"):
            continue
        at = (x * scale, y * scale)
        across, down = _number(child, "centerX"), _number(child, "centerY")
        if points and across is not None and down is not None:
            clockwise = child.get("clockwise", "").lower() == "true"
            points += arc_points(points[-1], at, (across * scale, down * scale), clockwise=clockwise)
        else:
            points.append(at)
    return points


def _outline(package: Element, scale: float) -> list[Point]:
    outline = _child(package, "Outline")
    if outline is None:
        return []
    points = _points(outline, scale)
    for shape in outline:
        width = _number(shape, "width") or _number(shape, "diameter")
        height = _number(shape, "height") or _number(shape, "diameter")
        if not points and width and height:
            x, y = width * scale / 2, height * scale / 2
            points = [(-x, -y), (x, -y), (x, y), (-x, y)]
    return points if len(set(points)) >= 3 else []


def _part(
    component: Element, scale: float, layers: dict[str, str], packages: dict[str, list[Point]], values: dict[str, str]
) -> DrawnPart | None:
    ref, location, xform = component.get("refDes"), _child(component, "Location"), _child(component, "Xform")
    x, y = _number(location, "x"), _number(location, "y")
    if not ref or x is None or y is None:
        return None
    rotation_deg = _number(xform, "rotation", 0.0) or 0.0
    layer = component.get("layerRef", "")
    layer_side = layers.get(layer) or layer.upper()
    mirrored = xform is not None and xform.get("mirror", "").lower() == "true"
    side: Side = "bottom" if layer_side.startswith("BOT") or layer_side.startswith("B.") else "top"
    turn = math.radians(rotation_deg)
    body = []
    for px, py in packages.get(component.get("packageRef", ""), []):
        # On the bottom the package is mirrored whether the file says so or not.
        across = -px if mirrored or side == "bottom" else px
        body.append(
            (
                x * scale + across * math.cos(turn) - py * math.sin(turn),
                y * scale + across * math.sin(turn) + py * math.cos(turn),
            )
        )
    own = {item.get("name", "").upper(): item.get("value") for item in _all(component, "NonstandardAttribute")}
    return DrawnPart(
        ref=ref, x_mm=round(x * scale, 6), y_mm=round(y * scale, 6), rotation_deg=rotation_deg, side=side,
        package=component.get("packageRef"), value=own.get("VALUE") or values.get(ref), kind=component.get("part"),
        body_points=tuple(body),
    )  # fmt: skip


def _values(root: Element) -> dict[str, str]:
    """Values by ref, from the bill of materials."""
    found = {}
    for item in _all(root, "BomItem"):
        text = next(
            (
                entry.get("textualCharacteristicValue")
                for entry in _all(item, "Textual")
                if entry.get("textualCharacteristicName", "").upper() == "VALUE"
            ),
            None,
        )
        for ref in _all(item, "RefDes"):
            if text and ref.get("name"):
                found[str(ref.get("name"))] = text
    return found
