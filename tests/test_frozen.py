"""Dataclasses that load quickly do what those of the standard library do."""

from __future__ import annotations

import copy
import dataclasses
import pickle
from dataclasses import field
from typing import Any

import pytest

from thermscan import frozen


def _made(dataclass: Any) -> Any:
    @dataclass(frozen=True, slots=True)
    class Place:
        """A place."""

        x_mm: float
        y_mm: float = 0.5
        refs: list[str] = field(default_factory=list, repr=False)
        seen: dict[str, int] = field(init=False)
        why: str = field(default="", compare=False)

        def __post_init__(self) -> None:
            object.__setattr__(self, "seen", {"places": 1})

    return Place


@frozen.dataclass(frozen=True, slots=True)
class Kept:
    """Pickling finds a class by its module."""

    x_mm: float
    refs: tuple[str, ...] = ()


OURS, THEIRS = _made(frozen.dataclass), _made(dataclasses.dataclass)


@pytest.mark.parametrize(
    "given",
    [((1.0,), {}), ((1.0, 2.0, ["U1"]), {}), ((), {"x_mm": 1.0, "why": "x"}), ((float("nan"),), {"refs": ["a"]})],
)
def test_what_is_made_is_what_the_standard_library_makes(given: Any) -> None:
    args, named = given
    ours, theirs = OURS(*args, **named), THEIRS(*args, **named)
    assert repr(ours) == repr(theirs)
    assert dataclasses.asdict(ours) == dataclasses.asdict(theirs) or args[0] != args[0]
    assert dataclasses.replace(ours, y_mm=7.0).y_mm == 7.0
    assert OURS.__match_args__ == THEIRS.__match_args__
    assert OURS.__slots__ == THEIRS.__slots__


def test_the_lists_of_two_results_are_not_one() -> None:
    assert OURS(1.0).refs is not OURS(1.0).refs


@pytest.mark.parametrize(
    "given", [((), {}), ((1.0, 2.0, [], {}, "", 3), {}), ((1.0,), {"seen": {}}), ((1.0,), {"z": 1})]
)
def test_what_does_not_fit_is_refused_as_there(given: Any) -> None:
    args, named = given
    with pytest.raises(TypeError):
        THEIRS(*args, **named)
    with pytest.raises(TypeError, match=r"Place\.__init__"):
        OURS(*args, **named)


def test_equal_is_what_has_equal_fields_that_are_compared() -> None:
    assert OURS(1.0, why="a") == OURS(1.0, why="b")
    assert OURS(1.0) != OURS(2.0)
    assert OURS(1.0) != THEIRS(1.0)
    assert Kept(1.0) == Kept(1.0)
    assert {Kept(1.0), Kept(1.0), Kept(1.0, ("U1",))} == {Kept(1.0), Kept(1.0, ("U1",))}


def test_nothing_is_set_or_deleted_afterwards() -> None:
    kept = Kept(1.0)
    for change in (
        lambda: setattr(kept, "x_mm", 2.0),
        lambda: setattr(kept, "other", 2.0),
        lambda: delattr(kept, "x_mm"),
    ):
        with pytest.raises(dataclasses.FrozenInstanceError):
            change()
    assert kept.x_mm == 1.0


def test_copies_are_the_same_again() -> None:
    kept = Kept(1.0, ("U1",))
    assert pickle.loads(pickle.dumps(kept)) == copy.copy(kept) == copy.deepcopy(kept) == kept


def test_a_result_without_comparison_is_itself_only() -> None:
    @frozen.dataclass(frozen=True, slots=True, eq=False, repr=False)
    class Held:
        x_mm: float

    assert Held(1.0) != Held(1.0)
    assert "x_mm" not in repr(Held(1.0))
