"""What is held of a part's height before the frame is looked at."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.layout.board import Board, Part, Surface
from thermscan.registration.geometry.heights import HeightPrior, height_prior

PLASTIC = Surface("plastic", 0.95, 0.02)
BOX = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 60.0], [0.0, 60.0]])


def prior_of(length_mm: float, width_mm: float, **said: object) -> HeightPrior:
    part = Part("U1", length_mm, width_mm, 30.0, 20.0, 0.0, PLASTIC, **said)  # type: ignore[arg-type]
    return height_prior(Board("b", None, BOX, 1.6, PLASTIC, (part,)))


def above(prior: HeightPrior, height_mm: float) -> float:
    return float(np.exp(prior.log_density)[0, prior.grid_mm > height_mm].sum())


# JEDEC MS-001 and MS-012: a body of 19.3 by 6.35 mm is that of a DIP-16, of 8.65 by 3.9 mm of an SOIC-14.
@pytest.mark.parametrize(("sides", "least", "most"), [((19.3, 6.35), 3.0, 10.0), ((3.9, 8.65), 1.0, 3.0)])
def test_a_body_of_a_package_s_size_is_as_high_as_that_package(
    sides: tuple[float, float], least: float, most: float
) -> None:
    prior = prior_of(*sides)
    # Four of five; and of the rest some as well.
    assert above(prior, least) - above(prior, most) > 0.75
    assert above(prior, 30.0) < 0.003


def test_a_body_of_no_package_s_size_may_be_of_any_height_for_its_width() -> None:
    prior = prior_of(23.0, 11.3)
    assert prior.u_mm[0] > 5.0
    assert above(prior, 20.0) > 0.02


def test_a_stated_height_says_more_than_the_size() -> None:
    assert prior_of(19.3, 6.35, height_mm=12.0).mean_mm[0] == pytest.approx(12.0, abs=0.1)
