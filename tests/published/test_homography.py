"""Homographies that can be worked out by hand in exact fractions."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from thermscan.coordinates import map_points
from thermscan.registration.geometry.homography import fit_homography, homography_from_corners

UNIT_SQUARE = [[0, 0], [1, 0], [1, 1], [0, 1]]

# P. Heckbert, Fundamentals of Texture Mapping and Image Warping, UC Berkeley 1989, section 2.2.3: the closed
# form of the square-to-quadrilateral map. The fractions below follow from it by exact arithmetic.
QUAD = [[100, 100], [400, 120], [380, 300], [90, 280]]
HECKBERT = [
    [Fraction(78500, 263), Fraction(-1820, 263), Fraction(100)],
    [Fraction(5140, 263), Fraction(49860, 263), Fraction(100)],
    [Fraction(-1, 263), Fraction(9, 263), Fraction(1)],
]


def _floats(matrix: list[list[Fraction]]) -> np.ndarray:
    return np.array([[float(element) for element in row] for row in matrix])


def test_the_fractions_meet_the_four_corners_exactly() -> None:
    for (u, v), (x, y) in zip(UNIT_SQUARE, QUAD, strict=True):
        top, middle, low = (row[0] * u + row[1] * v + row[2] for row in HECKBERT)
        assert (top / low, middle / low) == (x, y)


@pytest.mark.parametrize("solver", ["corners", "fit"])
def test_square_to_quadrilateral_is_heckberts_map(solver: str) -> None:
    if solver == "corners":
        found = homography_from_corners(UNIT_SQUARE, QUAD)
    else:
        found = fit_homography(UNIT_SQUARE, QUAD, corners_mm=UNIT_SQUARE).px_from_mm
    # Elements up to 300 and solvers that lose a few digits of 16: 1e-9 is far above both.
    assert found == pytest.approx(_floats(HECKBERT), abs=1e-9)
    assert map_points(found, [[0.5, 0.5]])[0] == pytest.approx([242.09737828, 201.49812734], abs=1e-8)


def test_square_to_trapezium_has_whole_elements() -> None:
    trapezium = [[0, 0], [2, 0], [1.5, 1], [0.5, 1]]
    found = fit_homography(UNIT_SQUARE, trapezium, corners_mm=UNIT_SQUARE).px_from_mm
    assert found == pytest.approx(np.array([[2, 1, 0], [0, 2, 0], [0, 1, 1]]), abs=1e-12)
    # The middle of the square goes to where the trapezium's diagonals meet: (1, 2/3).
    assert map_points(found, [[0.5, 0.5]])[0] == pytest.approx([1.0, 2.0 / 3.0], abs=1e-12)


def test_agrees_with_an_independent_library_on_many_points() -> None:
    skimage = pytest.importorskip("skimage.transform")
    rng = np.random.default_rng(5)
    points = rng.uniform(0, 100, (30, 2))
    seen = map_points(_floats(HECKBERT) @ np.diag([0.01, 0.01, 1.0]), points)
    theirs = skimage.ProjectiveTransform.from_estimate(points, seen).params
    ours = fit_homography(points, seen, corners_mm=100 * np.array(UNIT_SQUARE)).px_from_mm
    assert ours == pytest.approx(theirs / theirs[2, 2], rel=1e-6, abs=1e-9)
