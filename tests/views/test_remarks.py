"""What a person reads of several views: few sentences, however many places."""

from __future__ import annotations

import numpy as np

from thermscan.layout.board import Board, Part, Surface
from thermscan.views.combining import Combined
from thermscan.views.glints import Glint
from thermscan.views.remarks import glint_remarks, view_remarks

PLASTIC = Surface("plastic", 0.94, 0.02)
OUTLINE_MM = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 60.0], [0.0, 60.0]])
BOARD = Board("made up", None, OUTLINE_MM, 1.6, PLASTIC, (Part("U1", 20.0, 10.0, 30.0, 30.0, 0.0, PLASTIC),))


def test_all_spots_of_a_view_are_told_in_one_sentence() -> None:
    spots = [Glint(1, None, 10.0 * k, 50.0, 4.0 + k, 1.0 + k) for k in range(5)]
    told = glint_remarks([*spots, Glint(1, "U1", 30, 30, 9.0, 2.5)], BOARD, reflected_c=22.0)
    assert told[0] == (
        "U1, the bare board at (40, 50) mm and 4 smaller places: brighter by up to 5.0 K in view 2 only, which mirrors"
        " something there; left out"
    )
    # A face at 34 degrees makes 2.5 K on a surface that mirrors 2.5 / 12 of it, so that 0.79 is emitted.
    assert told[1:] == (
        "if it was a face that is mirrored, these emit less than the layout says: U1 0.8 (layout 0.94)",
    )


def test_places_that_two_views_dispute_ask_for_a_third() -> None:
    (told,) = glint_remarks([Glint(None, "U1", 30, 30, 9.0, 4.0)], BOARD, reflected_c=22.0)
    assert told.startswith("U1: the two views that show it differ by up to 4.0 K")


def test_a_view_that_reads_far_off_as_a_whole_is_named_by_its_number() -> None:
    """2 K is four times what a camera's offset usually moves by; the second of four views was left out before."""
    told = view_remarks([30.0, 31.0, 32.0], Combined((), np.array([0.1, -1.9, -2.1])), [0, 2, 3])
    assert len(told) == 2
    assert told[1].startswith("view 4 as a whole reads 2.1 K lower than the middle of the views")
