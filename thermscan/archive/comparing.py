"""Two results of one run: what differs by more than arithmetic on another machine may."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

# A tenth of the noise of a good camera's pixel (30 to 80 mK) averaged over a small part, and a hundred times more than
# other processors and libraries were seen to change a result by.
TEMPERATURE_TOLERANCE_K = 0.01
# Of the camera's pixel: a fifth of the standard uncertainty of a good registration (0.1 px).
PLACE_TOLERANCE_PX = 0.02
PLACE_TOLERANCE_MM = 0.02
ANGLE_TOLERANCE_DEG = 0.1
SCORE_TOLERANCE = 0.1
SHARE_TOLERANCE = 0.01
# A pixel on the edge of a body may fall to either side.
PIXELS_TOLERANCE_SHARE = 0.01

TOLERANCES: Mapping[str, float] = {
    "mean_c": TEMPERATURE_TOLERANCE_K,
    "max_c": TEMPERATURE_TOLERANCE_K,
    "rise_k": TEMPERATURE_TOLERANCE_K,
    "u_c": TEMPERATURE_TOLERANCE_K,
    "excess_k": TEMPERATURE_TOLERANCE_K,
    "u_k": TEMPERATURE_TOLERANCE_K,
    "peak_c": TEMPERATURE_TOLERANCE_K,
    "score": SCORE_TOLERANCE,
    "emissivity": 0.0,
    "residual_px": PLACE_TOLERANCE_PX,
    "corners_px": PLACE_TOLERANCE_PX,
    "uncertainty_mm": PLACE_TOLERANCE_MM,
    "view_angle_deg": ANGLE_TOLERANCE_DEG,
    "x_mm": PLACE_TOLERANCE_MM,
    "y_mm": PLACE_TOLERANCE_MM,
}
_PART_KEYS = ("emissivity", "pixels", "mean_c", "max_c", "rise_k", "u_c", "measurable", "verdict")
_FINDING_KEYS = ("level", "excess_k", "u_k", "score")
_REGISTRATION_KEYS = ("method", "corners_px", "residual_px", "uncertainty_mm", "view_angle_deg")
_UNMAPPED_KEYS = ("x_mm", "y_mm", "peak_c", "rise_k", "nearest_ref")


@dataclass(frozen=True, slots=True)
class Difference:
    """One number, or word, that is not what it was."""

    what: str
    was: Any
    now: Any


def compare_results(was: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[Difference, ...]:
    """
    What differs between two results documents beyond ``TOLERANCES``.

    Parameters
    ----------
    was, now : mapping
        As ``results.json`` has them: recorded, and derived again.

    Returns
    -------
    tuple of Difference
        ``what`` names the part and the key, such as "U7 mean_c".

    Examples
    --------
    >>> was = {"overall": "clear", "parts": [{"ref": "U7", "mean_c": 40.0, "verdict": "normal"}]}
    >>> now = {"overall": "clear", "parts": [{"ref": "U7", "mean_c": 40.02, "verdict": "normal"}]}
    >>> compare_results(was, now)
    (Difference(what='U7 mean_c', was=40.0, now=40.02),)
    """
    found = list(_keys("", {"overall": was.get("overall")}, {"overall": now.get("overall")}, ("overall",)))
    found += _keys("registration", was.get("registration"), now.get("registration"), _REGISTRATION_KEYS)
    found += _named(_by(was, "parts", "ref"), _by(now, "parts", "ref"), _PART_KEYS)
    found += _named(_findings(was), _findings(now), _FINDING_KEYS)
    found += _named(_places(was), _places(now), _UNMAPPED_KEYS)
    for key in ("not_compared",):
        before, after = was.get(key), now.get(key)
        if before is not None and after is not None and sorted(before) != sorted(after):
            found.append(Difference(key, before, after))
    return tuple(found)


def _by(document: Mapping[str, Any], table: str, key: str) -> dict[str, Mapping[str, Any]]:
    return {str(row.get(key)): row for row in document.get(table) or []}


def _findings(document: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """Findings by part, rule and direction; several of one kind are numbered."""
    named: dict[str, Mapping[str, Any]] = {}
    for row in document.get("findings") or []:
        name = f"{row.get('ref') or 'board'} {row.get('rule')} finding ({row.get('direction')})"
        number = 1
        while (full := name if number == 1 else f"{name} {number}") in named:
            number += 1
        named[full] = row
    return named


def _places(document: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    return {f"unmapped heat {number}": row for number, row in enumerate(document.get("unmapped") or [], start=1)}


def _named(
    was: Mapping[str, Mapping[str, Any]], now: Mapping[str, Mapping[str, Any]], keys: tuple[str, ...]
) -> Iterator[Difference]:
    for name in (*was, *(name for name in now if name not in was)):
        if name not in was or name not in now:
            yield Difference(name, "there" if name in was else None, "there" if name in now else None)
        else:
            yield from _keys(name, was[name], now[name], keys)


def _keys(name: str, was: Any, now: Any, keys: tuple[str, ...]) -> Iterator[Difference]:
    if not isinstance(was, Mapping) or not isinstance(now, Mapping):
        if was != now:
            yield Difference(name, was, now)
        return
    for key in keys:
        before, after = was.get(key), now.get(key)
        if not _same(key, before, after):
            yield Difference(f"{name} {key}".strip(), before, after)


def _same(key: str, was: Any, now: Any) -> bool:
    if isinstance(was, list) and isinstance(now, list):
        return len(was) == len(now) and all(_same(key, one, other) for one, other in zip(was, now, strict=True))
    if isinstance(was, bool) or isinstance(now, bool) or not _numbers(was, now):
        return bool(was == now)
    tolerance = TOLERANCES.get(key, 0.0)
    if key == "pixels":
        tolerance = max(1.0, PIXELS_TOLERANCE_SHARE * abs(was))
    return bool(abs(was - now) <= tolerance + 1e-12)


def _numbers(*values: Any) -> bool:
    return all(isinstance(value, int | float) for value in values)
