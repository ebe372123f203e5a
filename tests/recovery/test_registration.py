"""Put a known place in, get it back: with the stated uncertainty matching the scatter shown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.registration.simple_views import View, random_view
from thermscan.coordinates import map_points
from thermscan.errors import CannotJudge
from thermscan.registration.geometry.homography import fit_homography, part_uncertainty_mm
from thermscan.registration.placing.register import register_board
from thermscan.registration.registration import Registration


@pytest.fixture(scope="module")
def views() -> list[View]:
    """Boards, poses and noise that no threshold was set on."""
    return [random_view(500 + seed, cols=320 if seed % 2 else 160, cool=seed % 3 == 0) for seed in range(6)]


def test_boards_are_found_or_refused_but_never_misplaced(views: list[View]) -> None:
    errors = []
    for view in views:
        try:
            found = register_board(view.image, view.board)
        except CannotJudge:
            continue
        errors.append(np.sqrt((view.error_px(found.px_from_mm) ** 2).mean()))
    assert len(errors) >= 5
    # The aim for all boards together is 0.3 px; one that is wrong is off by many pixels.
    assert max(errors) < 0.5


def test_given_corners_bring_every_board_within_half_a_pixel(views: list[View]) -> None:
    rng = np.random.default_rng(6)
    squares = []
    for view in views:
        clicks = map_points(view.px_from_mm, view.board.corners_mm) + rng.normal(0, 1.0, (4, 2))
        found = register_board(view.image, view.board, corners_px=clicks)
        squares.append((view.error_px(found.px_from_mm) ** 2).mean())
    assert np.sqrt(np.mean(squares)) < 0.5


@pytest.mark.parametrize("noise_k", [0.03, 0.3])
def test_noise_of_the_frame_shows_in_the_stated_uncertainty(views: list[View], noise_k: float) -> None:
    view = views[1]
    rng = np.random.default_rng(7)
    covered = []
    centres = np.array([[part.x_mm, part.y_mm] for part in view.board.parts])
    for _ in range(4):
        noisy = view.image.apparent_c + rng.normal(0, noise_k, view.image.shape)
        true = map_points(view.px_from_mm, view.board.corners_mm)
        found = register_board(replace(view.image, apparent_c=noisy), view.board, corners_px=true)
        away = map_points(found.mm_from_px, map_points(view.px_from_mm, centres)) - centres
        covered.append(np.abs(away) <= 2 * part_uncertainty_mm(found, centres)[:, None])
    # 95 % in the long run; the errors of one frame's parts go together, so four frames are about 30 draws.
    assert np.mean(covered) > 0.8


def test_the_covariance_of_clicked_points_is_the_scatter_of_the_fit() -> None:
    rng = np.random.default_rng(8)
    box = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])
    points = rng.uniform([0, 0], [100, 60], (9, 2))
    true = np.array([[2.0, 0.3, 40], [-0.2, 1.9, 50], [0.0007, 0.0004, 1.0]])
    middle = np.array([[50.0, 30.0], [80.0, 10.0]])
    found = []
    for _ in range(400):
        seen = map_points(true, points) + rng.normal(0, 1.5, points.shape)
        found.append(fit_homography(points, seen, corners_mm=box, u_px=1.5))
    places = np.array([map_points(np.linalg.inv(true), map_points(fit.px_from_mm, middle)) for fit in found])
    scatter = np.sqrt(places.var(axis=0).mean(axis=1))
    fit = fit_homography(points, map_points(true, points), corners_mm=box, u_px=1.5)
    stated = part_uncertainty_mm(
        Registration("landmarks", true, map_points(true, box), fit.corner_covariance_px2, 0.0, 0.0, 0.0), middle
    )
    # 400 draws tell a standard deviation to 4 %; the covariance is of first order, the view is strongly bent.
    assert stated == pytest.approx(scatter, rel=0.15)
