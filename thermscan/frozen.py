"""
Results that stay as they were made: frozen dataclasses that load quickly, and are frozen again once they were pickled.

`dataclass` is the standard library's to whoever writes and checks code. To a program that starts it is quicker: the
standard one compiles six methods for each frozen class (0.5 ms, and a look has more than 200 of them); here only
`__init__` is compiled, and all classes share the others.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import MISSING, FrozenInstanceError, fields
from operator import attrgetter
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

__all__ = ["dataclass", "reduce_frozen"]

if TYPE_CHECKING:
    from dataclasses import dataclass
else:

    def dataclass(*, frozen=False, slots=False, eq=True, repr=True):
        """
        As `dataclasses.dataclass`: the same fields, `__init__`, words, comparison, hash and refusal to be changed.

        Fields that are keywords only or `InitVar` are not meant.

        Examples
        --------
        >>> @dataclass(frozen=True, slots=True)
        ... class Place:
        ...     x_mm: float
        ...     y_mm: float = 0.0
        >>> Place(1.5), Place(1.5) == Place(1.5, 0.0), len({Place(1.5), Place(1.5)})
        (Place(x_mm=1.5, y_mm=0.0), True, 1)
        >>> Place(1.5).x_mm = 2.0
        Traceback (most recent call last):
        dataclasses.FrozenInstanceError: cannot assign to field 'x_mm'
        """
        if not (frozen and slots):
            return dataclasses.dataclass(frozen=frozen, slots=slots, eq=eq, repr=repr)

        def made(cls):
            shared = {"__setattr__": _never_set, "__delattr__": _never_deleted, "__setstate__": _read_again}
            shared |= {"__repr__": _told} if repr else {}
            shared |= {"__eq__": _alike, "__hash__": _hashed} if eq else {}
            shared = {name: method for name, method in shared.items() if vars(cls).get(name) is None}
            cls = dataclasses.dataclass(slots=True, init=False, eq=False, repr=False)(cls)
            cls.__init__ = _init_of(cls)
            for name, method in shared.items():
                setattr(cls, name, method)
            # With the class, so that it is a tuple of two things or more whenever there is a field.
            cls._compared = attrgetter("__class__", *(each.name for each in fields(cls) if each.compare))
            return cls

        return made


def _init_of(cls: type) -> Callable[..., None]:
    """`__init__` of these fields, which sets them past the refusal to be changed."""
    known: dict[str, Any] = {"_set": object.__setattr__, "_not_given": object()}
    takes, does = ["self"], []
    for each in fields(cls):
        name, value = each.name, each.name
        if each.default_factory is not MISSING:
            known[f"_made_{name}"] = each.default_factory
            value = f"_made_{name}() if {name} is _not_given else {name}" if each.init else f"_made_{name}()"
        elif each.default is not MISSING:
            known[f"_usual_{name}"] = each.default
        if each.init:
            takes.append(name + ("=_not_given" if value != name else f"=_usual_{name}" * (f"_usual_{name}" in known)))
        if each.init or value != name:
            does.append(f"_set(self, {name!r}, {value})")
    if hasattr(cls, "__post_init__"):
        does.append("self.__post_init__()")
    exec(f"def __init__({', '.join(takes)}):\n " + "\n ".join(does or ["pass"]), known)
    made: Callable[..., None] = known["__init__"]
    made.__qualname__ = f"{cls.__qualname__}.__init__"
    return made


def _never_set(_: Any, name: str, __: Any) -> None:
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _read_again(result: Any, state: tuple[None, dict[str, Any] | None]) -> None:
    """Unpickling: what the fields held."""
    for name, value in (state[1] or {}).items():
        object.__setattr__(result, name, value)


def _never_deleted(_: Any, name: str) -> None:
    raise FrozenInstanceError(f"cannot delete field {name!r}")


def _told(result: Any) -> str:
    told = ", ".join(f"{each.name}={getattr(result, each.name)!r}" for each in fields(result) if each.repr)
    return f"{type(result).__qualname__}({told})"


def _alike(one: Any, other: Any) -> Any:
    return one._compared(one) == other._compared(other) if type(one) is type(other) else NotImplemented


def _hashed(result: Any) -> int:
    return hash(result._compared(result))


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
