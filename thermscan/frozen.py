"""Results that stay as they were made, also once they have been pickled and read again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from types import MappingProxyType
from typing import Any


def reduce_frozen(result: Any) -> tuple[Callable[..., Any], tuple[type, dict[str, Any]]]:
    """
    How to pickle a result: by its fields, so that it is checked and frozen again when it is read.

    Meant as a `__reduce__`. Plain pickling would bring arrays back writeable, and cannot hold a frozen mapping.

    Examples
    --------
    >>> import copy
    >>> from thermscan.radiometry.sensor import SensorErrors
    >>> made, (kind, values) = reduce_frozen(SensorErrors(0.1, 0.1, 0.5, 0.05))
    >>> made(kind, values).shading_k
    0.5
    """
    values = {each.name: getattr(result, each.name) for each in fields(result) if each.init}
    plain = {name: dict(value) if isinstance(value, MappingProxyType) else value for name, value in values.items()}
    return _made, (type(result), plain)


def _made(kind: type, values: dict[str, Any]) -> Any:
    return kind(**values)
