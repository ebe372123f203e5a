"""What placing rests on, against books: plane and parallax, Schur complement, robust location, conditional logit."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy import fft
from statsmodels.discrete.conditional_models import ConditionalLogit

from tests.benchmarks import placing_odds
from thermscan.layout.board import Board, Part, Surface
from thermscan.registration.geometry.homography import homographies, mapped
from thermscan.registration.geometry.rise import edge_rise
from thermscan.registration.placing.body_proposals import _sums
from thermscan.registration.placing.edges import layout_edges
from thermscan.registration.placing.mixed_model import Observed, Weighed, products_of, solve
from thermscan.registration.placing.variance_components import Scatter, estimate

SHAPE, FOCAL = (480, 640), 700.0


def _camera() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Calibration, rotation and position of a camera 40 degrees off the normal."""
    calibration = np.array([[FOCAL, 0, 319.5], [0, FOCAL, 239.5], [0, 0, 1]])
    a, b = np.radians(40.0), np.radians(25.0)
    tilt = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    turn = np.array([[np.cos(b), -np.sin(b), 0], [np.sin(b), np.cos(b), 0], [0, 0, 1]])
    return calibration, tilt @ turn, np.array([-20.0, -15.0, 260.0])


def test_tops_move_towards_the_vanishing_point_of_the_verticals_by_plane_and_parallax() -> None:
    # R. Hartley, A. Zisserman, Multiple View Geometry, 2nd ed. 2004, sections 8.6 (vanishing point of a direction d:
    # v = K R d) and 13.3: the point at height z above the plane is seen at H x + z K R d, both homogeneous.
    calibration, rotation, at = _camera()
    matrix = calibration @ np.column_stack([rotation[:, 0], rotation[:, 1], at])
    upwards = calibration @ rotation @ np.array([0.0, 0.0, -1.0])
    surface = Surface("plastic", 0.95, 0.02)
    box = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 60.0], [0.0, 60.0]])
    parts = tuple(Part(f"U{k}", 12.0, 8.0, 20.0 + 25 * k, 30.0, 15.0 * k, surface) for k in range(3))
    edges = layout_edges(Board("b", None, box, 1.6, surface, parts))
    heights, fov = np.array([3.0, 9.0, 25.0]), 2 * np.degrees(np.arctan(320 / FOCAL))
    scaled = matrix / matrix[2, 2]
    rise = edge_rise(scaled, edges, heights, None, corners_mm=box, shape=SHAPE, fov_deg=float(fov))
    middle = (edges.starts_mm + edges.ends_mm) / 2
    for k in np.flatnonzero(edges.part >= 0):
        foot = matrix @ np.append(middle[k], 1.0)
        top = foot + heights[edges.part[k]] * upwards
        true = top[:2] / top[2] - foot[:2] / foot[2]
        assert rise.top_px[k] == pytest.approx(true, abs=1e-6)
        # The three points lie on a line.
        assert abs(np.linalg.det(np.array([foot / foot[2], top / top[2], upwards / upwards[2]]))) < 1e-3


def test_places_of_four_corners_are_those_of_opencv() -> None:
    """P. S. Heckbert's closed form (1989) of 100 quadrilaterals, against `cv2.getPerspectiveTransform`."""
    rng, box = np.random.default_rng(9), np.array([[2.0, 5.0], [90.0, 5.0], [90.0, 60.0], [2.0, 60.0]])
    seen = box * rng.uniform(1.0, 6.0, (100, 1, 1)) + rng.normal(0.0, 12.0, (100, 4, 2))
    theirs = [cv2.getPerspectiveTransform(box.astype(np.float32), each.astype(np.float32)) for each in seen]
    ours = homographies(box, seen.astype(np.float32).astype(np.float64))
    corners = mapped(ours, box)
    assert corners == pytest.approx(seen, abs=1e-3)
    assert ours == pytest.approx(np.array(theirs), rel=1e-6, abs=1e-9)
    assert np.isnan(homographies(box, np.ones((1, 4, 2)))).all()


def test_parts_taken_out_by_the_schur_complement_give_what_all_equations_at_once_give() -> None:
    # B. Triggs et al., Bundle adjustment - a modern synthesis (1999), section 6.1; Hartley and Zisserman, appendix 6.3:
    # the reduced normal equations have the solution, and their inverse the covariance, of the full ones.
    rng = np.random.default_rng(3)
    sites, parts, shared, effects = 240, 15, 5, 4
    part = rng.integers(0, parts, sites)
    design, own = rng.normal(size=(sites, shared)), rng.normal(size=(sites, effects))
    offset, weights = rng.normal(size=sites), rng.uniform(0.5, 2.0, sites)
    known, pull = rng.uniform(0.1, 1.0, shared), rng.normal(size=shared)
    own_weight, apart = rng.uniform(0.5, 3.0, (parts, effects)), rng.normal(size=parts)
    seen = Observed(
        offset, np.ones(sites), np.arange(sites), part, design, own, known, pull, np.ones(parts), apart, parts
    )
    found = solve(seen, Weighed(np.ones(sites), np.zeros(sites), weights, weights, own_weight), products_of(seen))
    full = np.zeros((sites, shared + parts * effects))
    full[:, :shared] = design
    for n in range(sites):
        full[n, shared + part[n] * effects :][:effects] = own[n]
    prior = np.concatenate([known, own_weight.ravel()])
    towards = np.concatenate([pull, np.zeros(parts * effects)])
    towards[shared::effects] = own_weight[:, 0] * apart
    normal = full.T @ (full * weights[:, None]) + np.diag(prior)
    whole = np.linalg.solve(normal, full.T @ (weights * offset) + towards)
    assert found.step == pytest.approx(whole[:shared], abs=1e-9)
    assert found.own.ravel() == pytest.approx(whole[shared:], abs=1e-9)
    assert found.inverse == pytest.approx(np.linalg.inv(normal)[:shared, :shared], abs=1e-9)


def test_the_seven_scientists_agree_near_ten_whatever_the_first_two_say() -> None:
    # D. J. C. MacKay, Information Theory, Inference, and Learning Algorithms, Cambridge 2003, exercise 22.15 (values
    # from memory): one expects the answer to lie between 9 and 10; the mean of all seven is 3.5.
    said = np.array([-27.020, 3.570, 8.191, 9.898, 9.603, 9.945, 10.056])
    one, none, zero = np.ones((7, 1)), np.zeros((7, 4)), np.zeros(1)
    number = np.arange(7)
    scatter = Scatter(site_px=0.3, edge_px=0.3)
    # Started at what the middle one says, as a fit starts near its place.
    seen = Observed(said - 9.6, np.full(7, 0.1), number, number, one, none, zero, zero, np.ones(7), np.zeros(7), 7)
    found = estimate(seen, scatter)
    assert 9.5 < 9.6 + found.step[0] < 10.1
    assert found.used.tolist()[:2] == [False, False]


def test_weights_of_places_are_those_of_statsmodels_conditional_logit() -> None:
    """300 frames of three places and none of them, chosen by known odds; statsmodels' ConditionalLogit as reference."""
    rng = np.random.default_rng(8)
    frames, told, chosen = [], [], []
    for _ in range(300):
        rows: list[dict[str, object]] = [
            {"told": [*rng.uniform([0, 0, 0], [9, 1.5, 12])], "parts": 20, "own": True} for _ in range(3)
        ]
        witnessed = np.concatenate([np.zeros((1, 4)), placing_odds._told(rows)])
        odds = witnessed @ [-8.0, 2.0, 3.0, 1.0]
        right = int(rng.choice(4, p=np.exp(odds - np.logaddexp.reduce(odds))))
        frames.append(placing_odds.Places(rows, right, 1.0))
        told.append(witnessed)
        chosen.append(np.arange(4) == right)
    reference = ConditionalLogit(
        np.concatenate(chosen).astype(float), np.concatenate(told), groups=np.repeat(np.arange(300), 4)
    ).fit(disp=False)
    assert placing_odds.weights_of(frames) == pytest.approx(reference.params, rel=2e-3)


def test_sums_at_all_places_are_those_of_a_reference_library() -> None:
    """Cross-correlation, around the raster: OpenCV's matchTemplate, TM_CCORR, on the raster repeated."""
    raster, rng = 32, np.random.default_rng(7)
    seen, layout = rng.random((2, 2, raster, raster)).astype(np.float32)
    found = _sums(fft.rfft2(seen), fft.rfft2(layout).conj(), raster).reshape(raster, raster)
    there = [
        cv2.matchTemplate(np.tile(one, (2, 2))[: 2 * raster - 1, : 2 * raster - 1], other, cv2.TM_CCORR)
        for one, other in zip(seen, layout, strict=True)
    ]
    assert found == pytest.approx(there[0] + there[1], rel=1e-4)
