"""Unequal places: how far they make good parts differ."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from thermscan.judge.places import place_sd_k, place_share
from thermscan.layout.board import Part, Surface


def _at(x_mm: float) -> Part:
    return Part(f"U{x_mm:g}", 20.0, 7.0, x_mm, 50.0, 90.0, Surface("plastic", 0.93, 0.02))


def test_two_places_far_apart_differ_by_root_two_and_one_place_by_nothing():
    assert place_sd_k(_at(0), [_at(1e4)], 0.7) == pytest.approx(2**0.5 * 0.7)
    assert place_sd_k(_at(0), [_at(0)], 0.7) == pytest.approx(0.0, abs=1e-9)


def test_more_peers_on_all_sides_tell_a_place_better():
    assert place_sd_k(_at(0), [_at(-20), _at(20)], 1.0) < place_sd_k(_at(0), [_at(20), _at(40)], 1.0)


def test_the_less_even_the_board_the_more_its_places_differ():
    even, uneven, wild = (place_share(SimpleNamespace(uneven=share)) for share in (0.0, 0.07, 0.8))
    # As much as it leaves of each part's heat in doubt: what the model leaves out, and a little always.
    assert (even, uneven, wild) == pytest.approx((0.03, (0.03**2 + 0.07**2) ** 0.5, 0.15))
