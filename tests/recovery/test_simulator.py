"""The simulator tells the truth it states: energy, geometry, radiance and noise."""

import numpy as np
import pytest

from samples.simulator import (
    IDEAL,
    Background,
    inject_fault,
    place_camera,
    render_frame,
    sample_board,
    sample_pose,
    sample_powers,
    solve_board,
)
from samples.simulator.shapes import inside_polygon
from thermscan.layout.board import Board, Part, Surface

MATT = Surface("plastic", 0.95, 0.02)
BARE = Surface("metal", 0.1, 0.05)
SHAPE = (120, 160)


def board_of(*parts, surface=MATT):
    outline = np.array([[0, 0], [100, 0], [100, 80], [0, 80]], dtype=float)
    return Board("test", None, outline, thickness_mm=1.6, surface=surface, parts=parts)


def part_at(ref, x_mm, y_mm, *, surface=MATT, size=(20.0, 12.0), rotation=0.0):
    return Part(ref, *size, x_mm, y_mm, rotation, surface)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("loss", [18.0, None])
def test_what_the_parts_give_off_leaves_to_the_air(seed, loss):
    rng = np.random.default_rng(seed)
    board = sample_board(rng, parts=25)
    powers_w = sample_powers(rng, board)
    field = solve_board(board, powers_w, ambient_c=22.0, loss_w_per_m2k=loss)
    assert field.lost_w == pytest.approx(sum(powers_w.values()), rel=1e-6)


def test_twice_the_power_gives_twice_the_rise_where_the_loss_is_linear():
    board = board_of(part_at("U1", 30, 40), part_at("U2", 70, 40))
    once = solve_board(board, {"U1": 0.5}, ambient_c=20.0)
    twice = solve_board(board, {"U1": 1.0}, ambient_c=20.0)
    assert twice.body_c["U2"] - 20.0 == pytest.approx(2 * (once.body_c["U2"] - 20.0))


def test_heating_one_part_warms_the_other_as_much_as_the_reverse():
    # Reciprocity of a linear conducting system; the parts differ in size and place.
    board = board_of(part_at("U1", 25, 30), part_at("U2", 70, 55, size=(8.0, 6.0), rotation=90.0))
    there = solve_board(board, {"U1": 1.0}, ambient_c=20.0).body_c["U2"]
    back = solve_board(board, {"U2": 1.0}, ambient_c=20.0).body_c["U1"]
    assert there == pytest.approx(back, abs=1e-6)


def test_a_finer_mesh_changes_the_bodies_by_less_than_a_tenth_of_a_kelvin():
    rng = np.random.default_rng(3)
    board = sample_board(rng, parts=20)
    powers_w = sample_powers(rng, board)
    usual = solve_board(board, powers_w, ambient_c=20.0)
    fine = solve_board(board, powers_w, ambient_c=20.0, mesh_mm=0.8)
    assert list(usual.body_c.values()) == pytest.approx(list(fine.body_c.values()), abs=0.1)


@pytest.mark.parametrize("seed", range(5))
def test_sampled_boards_hold_their_parts_apart_and_inside_the_outline(seed):
    board = sample_board(np.random.default_rng(seed))
    assert len(board.parts) >= 12
    refs = [part.ref for part in board.parts]
    assert len(set(refs)) == len(refs)
    for part in board.parts:
        assert inside_polygon(part.corners_mm(), np.asarray(board.outline_mm)).all()
        for other in board.parts:
            if other is not part:
                assert not inside_polygon(other.corners_mm(), part.corners_mm()).any()


@pytest.mark.parametrize("seed", range(8))
def test_a_sampled_view_shows_the_whole_board_unmirrored_and_not_too_small(seed):
    rng = np.random.default_rng(seed)
    board = sample_board(rng, parts=20)
    pose = sample_pose(rng, board, SHAPE, 50.0)
    seen = pose.px(np.asarray(board.outline_mm))
    assert (seen >= 0).all()
    assert (seen <= [SHAPE[1] - 1, SHAPE[0] - 1]).all()
    span = (np.ptp(seen, axis=0) / [SHAPE[1], SHAPE[0]]).max()
    assert 0.54 < span < 0.91
    assert np.linalg.det(pose.px_from_mm) > 0
    middle = np.array([[board.width_mm / 2, board.height_mm / 2]])
    assert pose.cos_to_normal(middle)[0] > np.cos(np.deg2rad(68.0))


def test_a_matt_part_reads_its_temperature_after_the_emissivity_is_taken_out():
    # Black surfaces, everything around at ambient: apparent and true agree but for the blur.
    black = Surface("tape", 0.99, 0.0)
    part = part_at("U1", 50, 40, surface=black, size=(60.0, 50.0))
    board = board_of(part, surface=black)
    field = solve_board(board, {"U1": 2.0}, ambient_c=22.0)
    pose = place_camera(board, SHAPE, tilt_deg=0.0)
    frame = render_frame(field, board, pose, rng=np.random.default_rng(1), netd_k=0.0, slant=False)
    x, y = pose.px(np.array([[50.0, 40.0]]))[0].round().astype(int)
    true_c = field.top_c(part, np.array([[50.0, 40.0]]))[0]
    # 1 % of emissivity on a rise of about 15 K is 0.15 K.
    assert frame.apparent_c[y, x] == pytest.approx(true_c - 0.01 * (true_c - 22.0), abs=0.05)


def test_bare_metal_reads_the_surroundings_and_not_itself():
    part = part_at("X1", 50, 40, surface=BARE, size=(60.0, 50.0))
    board = board_of(part)
    field = solve_board(board, {"X1": 2.0}, ambient_c=22.0)
    pose = place_camera(board, SHAPE, tilt_deg=0.0)
    frame = render_frame(field, board, pose, rng=np.random.default_rng(1), netd_k=0.0, reflected_c=22.0)
    x, y = pose.px(np.array([[50.0, 40.0]]))[0].round().astype(int)
    true_k = field.body_c["X1"] - 22.0
    assert true_k > 10.0
    assert frame.apparent_c[y, x] - 22.0 == pytest.approx(0.1 * true_k, rel=0.2)


@pytest.mark.parametrize("seed", range(4))
def test_a_hot_part_appears_where_the_pose_says(seed):
    rng = np.random.default_rng(seed)
    part = part_at("U1", *rng.uniform([20, 20], [80, 60]))
    board = board_of(part)
    field = solve_board(board, {"U1": 1.0}, ambient_c=22.0, sheet_w_per_k=0.004)
    pose = sample_pose(rng, board, SHAPE, 40.0)
    without = solve_board(board_of(), {}, ambient_c=22.0)
    hot = render_frame(field, board, pose, rng=np.random.default_rng(1), netd_k=0.0, background=Background(texture_k=0))
    flat = render_frame(
        without, board_of(), pose, rng=np.random.default_rng(1), netd_k=0.0, background=Background(texture_k=0)
    )
    extra = hot.apparent_c - flat.apparent_c
    body = extra > 0.75 * extra.max()
    rows, cols = np.nonzero(body)
    corners = pose.px(part.corners_mm())
    # The middle of the box around the hot pixels is the box around the body: within a pixel.
    seen = [(cols.min() + cols.max()) / 2, (rows.min() + rows.max()) / 2]
    assert seen == pytest.approx((corners.min(axis=0) + corners.max(axis=0)) / 2, abs=1.0)


def test_noise_and_offset_are_as_stated():
    board = board_of()
    field = solve_board(board, {}, ambient_c=30.0)
    pose = place_camera(board, SHAPE, tilt_deg=0.0)
    plain = render_frame(field, board, pose, rng=np.random.default_rng(1), netd_k=0.0)
    noisy = render_frame(field, board, pose, rng=np.random.default_rng(1), netd_k=0.06, offset_k=1.5, sensor=IDEAL)
    difference = noisy.apparent_c - plain.apparent_c
    # 19200 pixels: the standard deviation is known to 0.5 %, the mean to 0.4 mK.
    assert difference.std() == pytest.approx(0.06, rel=0.03)
    assert difference.mean() == pytest.approx(1.5, abs=0.003)


def test_a_tall_part_is_displaced_away_from_under_the_camera():
    part = Part("C1", 10.0, 10.0, 50.0, 40.0, 0.0, MATT, height_mm=16.0)
    board = board_of(part)
    pose = place_camera(board, SHAPE, tilt_deg=40.0)
    camera_mm = -pose.rotation.T @ pose.position_mm
    centre = np.array([[50.0, 40.0]])
    shift_px = pose.px(centre, height_mm=16.0) - pose.px(centre)
    # The top hides what lies behind it, on the side away from the camera.
    behind = pose.px(centre + 0.1 * (centre - camera_mm[:2])) - pose.px(centre)
    assert float((shift_px @ behind.T)[0, 0]) > 0


@pytest.mark.parametrize("kind", ["hot", "dead", "unmapped", "warmed"])
def test_a_fault_moves_the_watts_that_it_states(kind):
    rng = np.random.default_rng(5)
    board = sample_board(rng, parts=40, style="through-hole")
    before = sample_powers(rng, board)
    after, fault = inject_fault(rng, board, before, kind, watts=0.4)
    moved = sum(after.values()) - sum(before.values()) + (fault.disc.watts if fault.disc else 0.0)
    assert moved == pytest.approx(fault.watts)
    assert fault.watts == pytest.approx(0.4) if kind != "dead" else after[fault.ref] == 0.0
    assert (fault.ref is None) == (kind == "unmapped")
    assert (fault.warmed_ref is not None) == (kind == "warmed")
