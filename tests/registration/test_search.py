"""What the search for a board rests on: candidates, the test of the detail, edges that can be told apart."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.benchmarks.scenes import scene
from tests.registration.simple_views import View, random_board, render, rise_raster
from thermscan.coordinates import map_points
from thermscan.errors import CannotJudge
from thermscan.layout.board import Board, Part, Surface
from thermscan.registration.evidence import Evidence, prepare, reduced, without_stripes
from thermscan.registration.geometry.heights import height_prior
from thermscan.registration.geometry.homography import homography_from_corners
from thermscan.registration.placing import found_alone, joint_fit
from thermscan.registration.placing.decision import ENOUGH, decide
from thermscan.registration.placing.edge_odds import BORDER, EdgeOdds, edge_odds, layer_of
from thermscan.registration.placing.edges import find_edges, layout_edges
from thermscan.registration.placing.found_alone import SURE, beside, last_fits, settled
from thermscan.registration.placing.joint_fit import FAR, NEAR, Placed, Steps, scene_of, start_at
from thermscan.registration.placing.last_fit import Job
from thermscan.registration.placing.outline_candidates import SEARCH_PX, FrameEdges, outline_candidates
from thermscan.registration.placing.own_heights import gradient_field
from thermscan.registration.placing.proposals import could_be_seen, homographies
from thermscan.registration.placing.register import register_board
from thermscan.registration.placing.search import Candidate, Search, start_search

SHAPE = (240, 320)
SURFACE = Surface("plastic", 0.95, 0.02)


@pytest.fixture(scope="module")
def corners(view: View) -> np.ndarray:
    return map_points(view.px_from_mm, view.board.corners_mm)


def _search(view: View, board: Board) -> Search:
    return start_search(prepare(view.image), board, layout_edges(board), height_prior(board))


def _weighed(view: View, board: Board, corners_px: np.ndarray) -> Candidate:
    search = _search(view, board)
    return search.weighed(search.small.from_frame(corners_px))


def test_edges_and_detail_stand_out_for_the_right_layout_in_its_right_place_alone(
    view: View, corners: np.ndarray
) -> None:
    right = _weighed(view, view.board, corners)
    assert right.detail > 12
    assert right.edges > 6
    wrong = [_weighed(view, view.board, np.roll(corners, turn, axis=0)) for turn in (1, 2, 3)]
    wrong += [_weighed(view, random_board(np.random.default_rng(seed)), corners) for seed in range(70, 74)]
    # Of a normal variate 5 standard deviations are beyond chance; heights are told by edges, which the detail has, too.
    assert max(each.edges for each in wrong) < 6
    assert max(each.detail for each in wrong) < right.detail / 2
    assert max(each.log_odds for each in wrong) < 0 < ENOUGH < right.log_odds
    beside = _weighed(view, view.board, corners + 4.0)
    assert beside.detail < 0.6 * right.detail
    assert beside.log_odds < 0
    assert beside.edges < right.edges / 2


def test_a_place_that_is_a_little_off_is_moved_to_where_the_bodies_are(view: View, corners: np.ndarray) -> None:
    evidence, edges, prior = prepare(view.image), layout_edges(view.board), height_prior(view.board)
    search = start_search(evidence, view.board, edges, prior)
    true = search.small.from_frame(corners)
    off = true + 2 * np.array([[1.5, -1.0], [1.0, 1.0], [-1.5, 1.0], [0.5, -1.5]])
    (there,) = last_fits(Job(evidence, view.board, edges, prior), search, [search.weighed(off)], bends=False)
    assert np.abs(there.place.corners_px - true).max() < 0.5
    assert there.place.log_odds > search.weighed(off).log_odds


def test_a_likelier_place_beside_one_that_is_not_sure_is_found(view: View, corners: np.ndarray) -> None:
    evidence, edges, prior = prepare(view.image), layout_edges(view.board), height_prior(view.board)
    search = start_search(evidence, view.board, edges, prior)
    true = search.small.from_frame(corners)
    off = true + np.array([[0.0, 0.0], [5.0, 0.0], [6.0, 3.0], [0.0, 1.0]])
    there = beside(search, search.weighed(off))
    assert there is not None
    assert np.abs(there.corners_px - true).max() < 1.0
    assert there.log_odds > search.weighed(off).log_odds
    right = search.weighed(true)
    assert right.log_odds > SURE
    assert beside(search, right) is None


def test_a_place_smaller_than_boards_are_looked_for_is_none(view: View, corners: np.ndarray) -> None:
    """However likely: of four parts in 80 pixels one warm body once was explained so."""
    search = _search(view, view.board)
    right = search.weighed(search.small.from_frame(corners))
    assert decide([right], search, search.small) is right
    middle = right.corners_px.mean(axis=0)
    tiny = replace(right, corners_px=middle + 0.15 * (right.corners_px - middle))
    with pytest.raises(CannotJudge, match="no outline"):
        decide([tiny], search, search.small)


def test_beside_a_place_only_what_is_nearly_as_likely_is_looked_at_closer(
    view: View, corners: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    search = _search(view, view.board)
    true = search.small.from_frame(corners)
    around = true + np.array([[[12.0, 0.0]], [[0.0, 0.0]], [[0.0, 12.0]], [[0.0, -12.0]]])
    asked: list[np.ndarray] = []

    def rough(*_: object) -> tuple[np.ndarray, np.ndarray]:
        return around, np.array([4.5, 4.0, 4.1 - ENOUGH, 3.9 - ENOUGH])

    monkeypatch.setattr(Search, "rough", rough)
    monkeypatch.setattr(Search, "nearest", lambda _, place: asked.append(place) or place)
    other = beside(search, replace(search.weighed(true), edges=0.0))
    assert [each.tolist() for each in asked] == [around[0].tolist(), around[2].tolist()]
    assert other is not None
    # What leads back is no other place.
    monkeypatch.setattr(Search, "nearest", lambda *_: true)
    assert beside(search, replace(search.weighed(true), edges=0.0)) is None


def test_the_last_fit_of_a_place_that_is_not_likely_is_the_likelier_of_two(
    view: View, corners: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the one that looks near is not sure, what the one that looks farther finds is taken if it is likelier."""
    evidence, edges, prior = prepare(view.image), layout_edges(view.board), height_prior(view.board)
    job, search = Job(evidence, view.board, edges, prior), start_search(evidence, view.board, edges, prior)
    off = search.small.from_frame(corners) + np.array([[1.2, -0.8], [0.5, 1.0], [-1.2, 0.4], [0.8, 1.2]])
    asked: list[object] = []
    inner = found_alone.fitted

    def counted(*given: object, steps: Steps, **named: object) -> Placed:
        asked.append(steps)
        return inner(*given, steps=steps, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(found_alone, "fitted", counted)
    sure = settled(job, search, off, bends=False)
    assert asked == [NEAR]
    monkeypatch.setattr(found_alone, "LIKELY", np.inf)
    both = settled(job, search, off, bends=False)
    assert asked == [NEAR, NEAR, FAR]
    assert both.place.log_odds >= sure.place.log_odds


def test_a_sensors_stripes_hold_no_place_up(view: View) -> None:
    rng = np.random.default_rng(11)
    plain = view.image.apparent_c.astype(np.float32)
    striped = plain + rng.normal(0, 0.4, (plain.shape[0], 1)).astype(np.float32)
    image = replace(view.image, apparent_c=striped)
    left = without_stripes(striped) - without_stripes(plain)
    assert left.mean(axis=1).std() < 0.25 * 0.4
    found = register_board(image, view.board)
    centres = np.array([[part.x_mm, part.y_mm] for part in view.board.parts])
    apart = map_points(found.px_from_mm, centres) - map_points(view.px_from_mm, centres)
    assert np.hypot(*apart.T).max() < 0.5


def test_edges_too_faint_to_be_seen_in_one_place_are_seen_as_a_whole(view: View) -> None:
    board, noise_k = view.board, 0.05
    edges, matrix = layout_edges(board), view.px_from_mm
    flat = np.full(SHAPE, 20.0)
    for part in board.parts:
        cv2.fillPoly(flat, [np.round(map_points(matrix, part.corners_mm())).astype(np.int32)], 20.0 + 5 * noise_k)
    frame = np.random.default_rng(12).normal(flat, noise_k).astype(np.float32)
    sites = find_edges(frame, matrix, edges, range_px=1.5, noise_k=noise_k, blur_px=0.6)
    seen = np.isfinite(sites.offset_px) & (edges.part[sites.edge] >= 0)
    assert len(np.unique(sites.edge[seen])) > 0.5 * (edges.part >= 0).sum()
    nothing = np.random.default_rng(13).normal(20.0, noise_k, SHAPE).astype(np.float32)
    sites = find_edges(nothing, matrix, edges, range_px=1.5, noise_k=noise_k, blur_px=0.6)
    assert np.isfinite(sites.offset_px).sum() < 0.01 * len(sites.offset_px) + 3


def test_a_faint_side_beside_strong_lines_is_among_the_candidates() -> None:
    rng = np.random.default_rng(5)
    frame = rng.normal(22.0, 0.05, SHAPE)
    frame[60:190, 50:270] += 0.4
    for row in range(70, 185, 12):  # rows of warm bodies: many strong lines
        for col in range(60, 260, 25):
            frame[row : row + 6, col : col + 18] += 8.0
    quads = outline_candidates(FrameEdges(Evidence(frame.astype(np.float32), 0.05, 0.6)))
    true = np.array([[49.5, 59.5], [269.5, 59.5], [269.5, 189.5], [49.5, 189.5]])
    assert min(np.abs(np.roll(quad, turn, axis=0) - true).max() for quad in quads for turn in range(4)) < 2.0


def test_a_board_as_warm_as_the_bench_is_found_by_its_bodies() -> None:
    rng = np.random.default_rng(6)
    board = random_board(rng)
    rise, emissivity = rise_raster(board, rng, mm_per_px=board.width_mm / 500)
    rim = np.concatenate([(rise * emissivity)[[0, -1]].ravel(), (rise * emissivity)[:, [0, -1]].ravel()])
    matrix = np.array([[260 / board.width_mm, 0.1, 30.0], [-0.08, 260 / board.width_mm, 40.0], [0, 0, 1]])
    image = render(board, matrix, rise, emissivity, rng, shape=SHAPE, bench=np.full(SHAPE, np.median(rim)))
    found = register_board(image, board)
    centres = np.array([[part.x_mm, part.y_mm] for part in board.parts])
    apart = map_points(found.px_from_mm, centres) - map_points(matrix, centres)
    assert np.hypot(*apart.T).max() < 0.5


def test_a_body_narrower_than_two_pixels_gives_no_edges_along_it() -> None:
    outline = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])
    parts = tuple(
        Part(f"U{k}", 30.0, width, 30.0, y, 0.0, SURFACE) for k, (width, y) in enumerate([(1.5, 20.0), (8.0, 40.0)])
    )
    board = Board("b", None, outline, 1.6, SURFACE, parts)
    edges = layout_edges(board)
    frame = np.random.default_rng(7).normal(20, 0.02, (80, 120)).astype(np.float32)
    sites = find_edges(frame, np.diag([1.0, 1.0, 1.0]), edges, range_px=1.5, noise_k=0.02, blur_px=0.6)
    looked = set(edges.part[sites.edge].tolist())
    long_sides_of_narrow = (edges.part == 0) & (np.ptp([edges.starts_mm[:, 0], edges.ends_mm[:, 0]], axis=0) > 10)
    assert looked >= {-1, 1}
    assert not long_sides_of_narrow[sites.edge].any()


def test_a_camera_sees_a_rectangle_of_the_right_proportions_alone() -> None:
    box = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 60.0], [0.0, 60.0]])
    seen = box * 2.0 + 30.0
    square = np.array([[30.0, 30.0], [200.0, 30.0], [200.0, 200.0], [30.0, 200.0]])
    mirrored = seen[[1, 0, 3, 2]]
    matrices = homographies(box, np.array([seen, square, mirrored]))
    assert could_be_seen(matrices, box, SHAPE, fov_deg=None).tolist() == [True, False, False]


def test_what_a_pinhole_sees_could_be_seen_and_what_is_stretched_could_not() -> None:
    """Of 200 cameras of 20 to 60 degrees, tilted by up to 55; a board twice as long as the layout has it is another."""
    rng, box = np.random.default_rng(3), np.array([[-50.0, -30.0], [50.0, -30.0], [50.0, 30.0], [-50.0, 30.0]])
    views = []
    for _ in range(200):
        axis = np.append(rng.normal(size=2), 0.0)
        tilted = Rotation.from_rotvec(np.radians(rng.uniform(0.0, 55.0)) * axis / np.linalg.norm(axis))
        turned = tilted * Rotation.from_euler("z", rng.uniform(0.0, 360.0), degrees=True)
        focal = SHAPE[1] / 2 / np.tan(np.radians(rng.uniform(20.0, 60.0)) / 2)
        pinhole = np.array([[focal, 0.0, (SHAPE[1] - 1) / 2], [0.0, focal, (SHAPE[0] - 1) / 2], [0.0, 0.0, 1.0]])
        distance = 120.0 * focal / SHAPE[1]
        views.append(pinhole @ np.column_stack([turned.as_matrix()[:, :2], [*rng.uniform(-9.0, 9.0, 2), distance]]))
    matrices = np.array([each / each[2, 2] for each in views])
    assert could_be_seen(matrices, box, SHAPE, fov_deg=None).mean() > 0.99
    longer = matrices @ np.diag([2.0, 1.0, 1.0])
    assert could_be_seen(longer, box * [0.5, 1.0], SHAPE, fov_deg=None).mean() < 0.25


def test_a_fit_that_goes_to_and_fro_comes_to_rest(
    view: View, corners: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Steps of a standard uncertainty there and back: half as far from the fourth on, until a fifth of one is left."""
    scene = scene_of(prepare(view.image), layout_edges(view.board), height_prior(view.board), view.board.corners_mm)
    steps: list[float] = []
    inner = joint_fit.estimate

    def to_and_fro(*given: object) -> object:
        found = inner(*given)  # type: ignore[arg-type]
        steps.append((-1.0) ** len(steps) * np.sqrt(found.covariance[0, 0]))
        return replace(found, step=np.append(steps[-1], np.zeros(len(found.step) - 1)))

    monkeypatch.setattr(joint_fit, "estimate", to_and_fro)
    found = joint_fit.joint_fit(scene, start_at(scene, corners))
    assert found is not None
    assert len(steps) == len(FAR) + 3
    shares = [1.0, 1.0, 1.0, 0.5, 0.25, 0.125]
    assert found.corners_px[0, 0] - corners[0, 0] == pytest.approx(np.dot(shares, steps), rel=1e-6)


def test_what_is_seen_where_it_is_predicted_raises_the_odds_and_beside_it_lowers_them(
    view: View, corners: np.ndarray
) -> None:
    search = _search(view, view.board)
    odds = edge_odds(gradient_field(search.small))
    edges = search.edges

    def mean(shift: float) -> float:
        matrix = homography_from_corners(view.board.corners_mm, search.small.from_frame(corners + shift))
        ends = [map_points(matrix, each) for each in (edges.starts_mm, edges.ends_mm)]
        way = ends[1] - ends[0]
        x, y = (ends[0] + ends[1]).T / 2
        return float(odds.at(x, y, layer_of(np.column_stack([-way[:, 1], way[:, 0]]))).mean())

    assert mean(0.0) > 0.1 > -0.1 > mean(3.0)


def test_lines_are_sought_further_where_the_most_votes_lead_to_none() -> None:
    """A bent cable's votes led to no line, and the search for lines ended there, with the outline before it."""
    view = scene(5095, cols=320)
    small = reduced(prepare(view.image), SEARCH_PX)
    lines = FrameEdges(small).lines
    corners = small.from_frame(view.corners_px())
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        apart = [np.abs(lines[:, :2] @ at - lines[:, 2]) for at in (start, end)]
        assert np.maximum(*apart).min() < 4.0


def test_odds_are_those_of_the_pixel_that_holds_the_point_and_none_outside() -> None:
    rng = np.random.default_rng(3)
    maps = np.pad(rng.normal(size=(12, 240, 320)).astype(np.float32), ((0, 0), (BORDER, BORDER), (BORDER, BORDER)))
    odds = EdgeOdds(maps)
    layer, row, col = (rng.integers(0, most, 5000) for most in (12, 240, 320))
    away = rng.uniform(-0.49, 0.49, (2, 5000))
    assert np.array_equal(odds.at(col + away[0], row + away[1], layer), maps[layer, row + BORDER, col + BORDER])
    x, y = np.array([-0.6, 319.6, 10.0, 10.0, np.nan, -1e9]), np.array([5.0, 5.0, -0.6, 239.6, 3.0, 1e9])
    assert not odds.at(x, y, np.arange(6)).any()


def test_odds_around_a_point_are_those_at_the_pixels_beside_it() -> None:
    rng = np.random.default_rng(4)
    maps = np.pad(rng.normal(size=(12, 60, 80)).astype(np.float32), ((0, 0), (BORDER, BORDER), (BORDER, BORDER)))
    odds = EdgeOdds(maps)
    x, y, layer = rng.uniform(-9, 88, 300), rng.uniform(-9, 68, 300), rng.integers(0, 12, 300)
    beside = np.array([-6, -1, 0, 4])
    down, right = (each.ravel()[None] for each in np.meshgrid(beside, beside, indexing="ij"))
    assert np.array_equal(
        odds.around(x, y, layer, beside),
        odds.at(np.rint(x)[:, None] + right, np.rint(y)[:, None] + down, layer[:, None]),
    )
