"""What is at most a watch, and what needs no declared peers."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from thermscan.heat.split import PartHeat
from thermscan.judge.holding_back import DIVIDED, NOT_ITS_OWN, PROPOSED, held_back
from thermscan.layout.board import Part, Surface
from thermscan.regions.measurement import PartMeasurement

CAPACITOR = Part("C4", 5.5, 3.0, 40, 40, 0, Surface("painted", 0.93, 0.02), kind="bypass", package="CAP-CERAMIC-5")
HEAT = PartHeat("C4", 22.0, 14.0, 1.0, 8.0, 0.9, 2.0, 1e-3, (), 900.0, 90.0, 90.0)


def _held_back(part: Part, heat: PartHeat, *, excess_k: float, divided: bool = False, proposed: bool = True):
    member = PartMeasurement(part, 40, 44.0, 45.0, 22.0, 2.0)
    split = SimpleNamespace(of=lambda _: heat)
    return held_back(member, [member], excess_k=excess_k, divided=divided, proposed=proposed, split=split)


@pytest.mark.parametrize("divided", [False, True])
def test_a_capacitor_that_surely_heats_needs_no_declared_group(divided: bool):
    assert _held_back(CAPACITOR, HEAT, excess_k=15.0, divided=divided) is None
    chip = replace(CAPACITOR, ref="U4", kind="logic", package="DIP-14")
    assert _held_back(chip, HEAT, excess_k=15.0, divided=divided) == (DIVIDED if divided else PROPOSED)


@pytest.mark.parametrize(
    "heat",
    [
        replace(HEAT, own_k=6.0, received_k=16.0),  # mostly warmed
        replace(HEAT, u_own_k=6.0),  # not sure
        replace(HEAT, rise_k=6.0, own_k=5.0, received_k=1.0),  # a ripple does that
    ],
)
def test_a_warmed_or_rippling_capacitor_does(heat: PartHeat):
    assert _held_back(CAPACITOR, heat, excess_k=5.0) == PROPOSED


def test_a_cool_capacitor_is_nothing_special():
    assert _held_back(CAPACITOR, HEAT, excess_k=-9.0) == PROPOSED


def test_what_has_hardly_any_own_heat_is_not_hot_by_it():
    warmed = replace(HEAT, own_k=0.0, received_k=22.0)
    assert _held_back(CAPACITOR, warmed, excess_k=2.2, proposed=False) == NOT_ITS_OWN
    assert _held_back(CAPACITOR, HEAT, excess_k=9.0, proposed=False) is None
