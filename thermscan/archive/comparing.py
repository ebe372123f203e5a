"""Two results of one run: what differs by more than arithmetic on another machine may."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from thermscan.frozen import dataclass

# A tenth of the noise of a good camera's pixel (30 to 80 mK) averaged over a small part, and a hundred times more than
# other processors and libraries were seen to change a result by.
TEMPERATURE_TOLERANCE_K = 0.01
# Of the camera's pixel: a fifth of the standard uncertainty of a good registration (0.1 px).
PLACE_TOLERANCE_PX = 0.02
PLACE_TOLERANCE_MM = 0.02
ANGLE_TOLERANCE_DEG = 0.1
SCORE_TOLERANCE = 0.1
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
    "change_k": TEMPERATURE_TOLERANCE_K,
    "start_c": TEMPERATURE_TOLERANCE_K,
    "end_c": TEMPERATURE_TOLERANCE_K,
    # Beyond the last frame by the curve.
    "steady_c": 10 * TEMPERATURE_TOLERANCE_K,
    "phase_deg": 1.0,
    "score": SCORE_TOLERANCE,
    "emissivity": 0.0,
    "residual_px": PLACE_TOLERANCE_PX,
    "corners_px": PLACE_TOLERANCE_PX,
    "uncertainty_mm": PLACE_TOLERANCE_MM,
    "view_angle_deg": ANGLE_TOLERANCE_DEG,
    "x_mm": PLACE_TOLERANCE_MM,
    "y_mm": PLACE_TOLERANCE_MM,
}
# What is fitted to a curve or a field hangs on how far the fit was driven: a hundredth of the value.
_RELATIVE: Mapping[str, float] = {
    "t63_s": 0.01, "slope_k_per_s": 0.01, "watts": 0.01, "amplitude_k": 0.01, "period_s": 0.001,
}  # fmt: skip
_PART_KEYS = ("emissivity", "pixels", "mean_c", "max_c", "rise_k", "u_c", "measurable", "verdict")
_FINDING_KEYS = ("level", "excess_k", "u_k", "score")
_REGISTRATION_KEYS = ("method", "corners_px", "residual_px", "uncertainty_mm", "view_angle_deg")
_WARM_UP_KEYS = ("measurable", "start_c", "end_c", "steady_c", "t63_s", "slope_k_per_s", "steady", "verdict")
_SOURCE_KEYS = ("x_mm", "y_mm", "watts", "amplitude_k", "phase_deg", "ref")
_CHANGE_KEYS = ("outcome", "change_k", "was", "now")
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
    found += _named(_changes(was), _changes(now), _CHANGE_KEYS)
    for key in ("not_compared",):
        before, after = was.get(key), now.get(key)
        if before is not None and after is not None and sorted(before) != sorted(after):
            found.append(Difference(key, before, after))
    return tuple(found)


def compare_time_results(kind: str, was: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[Difference, ...]:
    """
    What differs between two documents of a recording, ``warmup`` or ``locate``, beyond ``TOLERANCES``.

    Examples
    --------
    >>> was = {"overall": "clear", "parts": [{"ref": "U7", "t63_s": 100.0}]}
    >>> now = {"overall": "clear", "parts": [{"ref": "U7", "t63_s": 102.0}]}
    >>> compare_time_results("warmup", was, now)
    (Difference(what='warmup U7 t63_s', was=100.0, now=102.0),)
    """
    found = list(_keys(kind, was, now, ("overall", "method", "period_s")))
    found += _named(_parts_of(kind, was), _parts_of(kind, now), _WARM_UP_KEYS)
    found += _named(_sources(kind, was), _sources(kind, now), _SOURCE_KEYS)
    return tuple(found)


def _by(document: Mapping[str, Any], table: str, key: str) -> dict[str, Mapping[str, Any]]:
    return {str(row.get(key)): row for row in document.get(table) or []}


def _parts_of(kind: str, document: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    return {f"{kind} {ref}": row for ref, row in _by(document, "parts", "ref").items()}


def _sources(kind: str, document: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    return {f"{kind} source {number}": row for number, row in enumerate(document.get("sources") or [], start=1)}


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


def _changes(document: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """Of each part since the look before, where there was one."""
    before = document.get("before")
    rows = _by(before, "changes", "ref") if isinstance(before, Mapping) else {}
    return {f"{ref} since before": row for ref, row in rows.items()}


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
    if key in _RELATIVE:
        tolerance = _RELATIVE[key] * abs(was)
    if key == "pixels":
        tolerance = max(1.0, PIXELS_TOLERANCE_SHARE * abs(was))
    return bool(abs(was - now) <= tolerance + 1e-12)


def _numbers(*values: Any) -> bool:
    return all(isinstance(value, int | float) for value in values)
