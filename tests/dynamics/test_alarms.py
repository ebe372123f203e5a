"""Alarms of one moment, by parts whose heat and heat capacity are worked out here."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.dynamics.alarms import Expected, alarms_of
from thermscan.layout.board import Part, Surface

PLASTIC = Surface("plastic", 0.93, 0.02)
CHIP = Part("U1", 19.3, 6.35, 20.0, 20.0, 0.0, PLASTIC, height_mm=3.3, watts=(0.3, 0.5))
# Epoxy with silica and a copper frame, about 1.9e6 J/(m3 K) (a usual figure): 0.77 J/K for this body.
CHIP_J_PER_K = 1.9e6 * 19.3e-3 * 6.35e-3 * 3.3e-3


def told(part: Part, rise_k: float, *, since_s: float | None, expected: Expected | None = None, slope=0.0):
    one = np.array([1.0])
    return alarms_of(
        [part], (22.0 + rise_k) * one, rise_k * one, slope * one, since_s=since_s, u_rise_k=0.03 * one,
        u_slope=0.005 * one, expected=expected or Expected(),
    )  # fmt: skip


@pytest.mark.parametrize(("times_most", "rules"), [(1.0, set()), (1.4, set()), (2.5, {"watts"}), (5.0, {"watts"})])
def test_a_part_that_warms_faster_than_its_most_watts_can_warm_its_body_is_alarmed(times_most, rules):
    """A body by itself rises by P t / C at first; nothing is known of its capacity to better than 1.6."""
    rise_k = times_most * 0.5 * 10.0 / CHIP_J_PER_K
    alarms = told(CHIP, rise_k, since_s=10.0)
    assert {each.rule for each in alarms} == rules
    for each in alarms:
        assert each.level == "act"
        assert each.expected_k == pytest.approx(0.5 * 10.6 / CHIP_J_PER_K, rel=0.02)  # timing is good to 0.6 s


def test_a_body_whose_height_nothing_tells_may_be_flat_and_is_not_accused_by_its_watts():
    """0.7 of its width would be 4.4 mm; a chip of 1.2 mm with the same outline warms nearly four times as fast."""
    flat_k = 0.5 * 10.0 / (CHIP_J_PER_K * 1.2 / 3.3)
    assert told(replace(CHIP, height_mm=None), flat_k, since_s=10.0) == ()
    assert {each.rule for each in told(replace(CHIP, height_mm=1.2), 2.5 * flat_k, since_s=10.0)} == {"watts"}
    assert {each.rule for each in told(replace(CHIP, height_mm=None), 5 * flat_k, since_s=10.0)} == {"watts"}


def test_without_a_power_on_only_limits_are_compared():
    limited = replace(CHIP, max_c=60.0)
    expected = Expected(np.array([0.0, 60.0]), {"U1": np.array([0.0, 5.0])}, {"U1": (5.0, 0.5)})
    assert {each.rule for each in told(limited, 50.0, since_s=None, expected=expected)} == {"limit"}
    assert {each.rule for each in told(limited, 50.0, since_s=30.0, expected=expected)} >= {"limit", "baseline"}
    assert told(limited, 30.0, since_s=None, expected=expected) == ()


def test_seconds_to_a_limit_follow_from_level_and_slope():
    """At 50 °C, 0.5 K/s, limit 60 °C: 20 s; past six tenths of the way from 22 °C it is to be acted on."""
    (alarm,) = told(replace(CHIP, max_c=60.0, watts=None), 28.0, since_s=30.0, slope=0.5)
    assert (alarm.rule, alarm.level) == ("limit", "act")
    assert alarm.seconds_to_limit == pytest.approx(20.0)
    assert told(replace(CHIP, max_c=60.0, watts=None), 20.0, since_s=30.0, slope=0.5) == ()


GROUP = [replace(CHIP, ref=f"U{n}", watts=None, group="latch") for n in range(1, 8)]
SINGLE = [replace(CHIP, ref=f"U{n}", watts=None) for n in range(8, 16)]


def told_of_many(rise_k, good_k, *, since_s=15.0):
    """Eight parts that stand alone have risen 1.5 K here and on the good board."""
    parts, alone = [*GROUP, *SINGLE], [1.5] * len(SINGLE)
    curves = {part.ref: np.array([0.0, k]) for part, k in zip(parts, [*good_k, *alone], strict=True)}
    rise = np.array([*rise_k, *alone])
    same = np.ones(len(parts))
    return alarms_of(
        parts, 22.0 + rise, rise, 0.1 * same, since_s=since_s, u_rise_k=0.03 * same, u_slope=0.005 * same,
        expected=Expected(np.array([0.0, since_s]), curves),
    )  # fmt: skip


def test_peers_are_asked_beside_the_good_board_and_tell_what_it_alone_does_not():
    """The good board's chip ran 20 % above its peers: 3.3 K are 3.1 standard uncertainties above it, 3.9 needed."""
    good = [2.1, *[1.75] * 6]
    (alarm,) = told_of_many([3.3, *[1.75] * 6], good)
    assert (alarm.ref, alarm.rule, alarm.level) == ("U1", "baseline", "act")
    assert 1.75 < alarm.expected_k < 2.1
    assert told_of_many([2.4, *[1.75] * 6], good) == ()


def test_a_part_that_does_more_than_its_peers_on_the_good_board_as_well_is_no_fault():
    good = [5.0, *[2.0] * 6]
    assert told_of_many([5.4, *[2.0] * 6], good) == ()
    assert {a.ref for a in told_of_many([10.0, *[2.0] * 6], good)} == {"U1"}


def test_a_fault_of_all_peers_together_shows_against_the_good_board():
    alarms = told_of_many([4.4] * 7, [2.0] * 7)
    assert {a.ref for a in alarms if a.level == "act"} == {part.ref for part in GROUP}
    assert {a.rule for a in alarms} == {"baseline"}


def test_good_boards_are_not_accused_and_twice_the_watts_are_told_on_most():
    """Chips of one type 9 % apart, duty and place 9 % more, a board 5 %: two hundred boards at one moment."""
    rng = np.random.default_rng(7)
    false = found = 0
    for _ in range(200):
        usual = 2.4 * np.exp(rng.normal(0.0, 0.09, 7))
        here, good = (usual * np.exp(rng.normal(0.0, 0.09, 7) + rng.normal(0.0, 0.05)) for _ in range(2))
        false += len(told_of_many(here, good))
        found += any(a.ref == "U1" and a.level == "act" for a in told_of_many([2 * here[0], *here[1:]], good))
    assert false <= 2
    assert found >= 180
