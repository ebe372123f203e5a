"""Cholesky's method gives what the general one gives, also where rounding leaves a matrix not quite definite."""

from __future__ import annotations

import numpy as np
import pytest

from thermscan.definite import MANY, inverse_of_definite, solve_definite


@pytest.mark.parametrize("size", [3, MANY + 1])
def test_many_unknowns_are_solved_for_as_few_are(size: int):
    rng = np.random.default_rng(size)
    design, right = rng.normal(size=(size + 50, size)), rng.normal(size=size)
    matrix = design.T @ design + np.eye(size)
    kept = matrix.copy(), right.copy()
    # Condition of some thousands: ten digits are left.
    np.testing.assert_allclose(matrix @ solve_definite(matrix, right), right, rtol=1e-9, atol=1e-9)
    both = np.column_stack([right, right[::-1]])
    np.testing.assert_allclose(matrix @ solve_definite(matrix, both), both, rtol=1e-9, atol=1e-9)
    inverse = inverse_of_definite(matrix)
    np.testing.assert_allclose(inverse @ matrix, np.eye(size), atol=1e-9)
    np.testing.assert_array_equal(inverse, inverse.T) if size > MANY else None
    np.testing.assert_array_equal(matrix, kept[0])
    np.testing.assert_array_equal(right, kept[1])


def test_a_matrix_that_is_not_definite_goes_the_general_way():
    matrix = np.eye(MANY)
    matrix[0, 0] = -1.0
    right = np.arange(1.0, MANY + 1)
    assert solve_definite(matrix, right)[:2].tolist() == [-1.0, 2.0]
    assert np.diag(inverse_of_definite(matrix))[:2].tolist() == [-1.0, 1.0]


def test_a_singular_matrix_is_refused():
    matrix = np.zeros((MANY, MANY))
    with pytest.raises(np.linalg.LinAlgError):
        solve_definite(matrix, np.ones(MANY))
    with pytest.raises(np.linalg.LinAlgError):
        inverse_of_definite(matrix)
