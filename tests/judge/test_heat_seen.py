"""What counts as the bare board's temperature."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.judge.scenes import NOISE_K, Scene, look_at, usual_powers
from thermscan.judge.heat_seen import HeatSeen, View, see_heat
from thermscan.judge.learning import extend_baseline, learn_baseline

BAND = (8.0, 14.0)


def _heat(scene: Scene, band_um: tuple[float, float] = BAND, tilt_deg: float = 10.0) -> HeatSeen:
    registration = replace(scene.registration, view_angle_deg=tilt_deg)
    view = View(scene.rectified.mm_per_px, registration, NOISE_K, band_um)
    return see_heat(scene.measurements, scene.rectified, scene.board, scene.run, view=view)


def _with_a_leaning_body(scene: Scene, *, known: bool) -> Scene:
    """A warm capacitor's can that leans over the board beside the memories; seen by the view's pose or not."""
    apparent, overhung = scene.rectified.apparent_c.copy(), np.zeros(scene.rectified.on_board.shape, dtype=bool)
    rows, cols = (
        slice(round(y / scene.rectified.mm_per_px), round((y + 4) / scene.rectified.mm_per_px)) for y in (35, 66)
    )
    apparent[rows, cols] += 12.0
    overhung[rows, cols] = True
    return replace(scene, rectified=replace(scene.rectified, apparent_c=apparent, overhung=overhung if known else None))


def test_a_body_that_leans_over_the_board_is_no_heat_without_a_part():
    look = look_at(usual_powers(), name="now")
    told = _with_a_leaning_body(look, known=True).judge()
    assert told.unmapped == ()
    assert told.overall == "clear"
    # The same picture, had the body not been known to lean there, shows heat where no part is.
    assert len(_with_a_leaning_body(look, known=False).judge().unmapped) == 1


def test_good_runs_show_the_board_itself_wherever_one_of_them_does():
    looks = [look_at(usual_powers(), name=f"g{i}", seed=i) for i in range(3)]
    flat = learn_baseline(looks)
    leaning = learn_baseline([_with_a_leaning_body(looks[0], known=True), *looks[1:]])
    apart = np.abs(leaning.rise_raster_k - flat.rise_raster_k)
    # Two runs in place of three: noise alone moves.
    assert np.nanmax(apart) < 0.2
    # Where no run shows the board itself there is nothing to compare with, until another run does.
    only = learn_baseline([_with_a_leaning_body(looks[0], known=True)])
    assert np.isfinite(only.rise_raster_k).sum() < np.isfinite(flat.rise_raster_k).sum()
    assert np.isfinite(extend_baseline(only, looks[1:]).rise_raster_k).sum() == np.isfinite(flat.rise_raster_k).sum()


def test_the_bare_board_is_corrected_for_the_slant_and_for_the_cameras_band():
    scene = look_at(usual_powers(), name="now")
    dull = replace(scene.board, surface=replace(scene.board.surface, emissivity=0.85))
    scene = replace(scene, board=dull)
    straight, slanted = _heat(scene), _heat(scene, tilt_deg=55.0)
    assert np.nanmean(slanted.rise_k) > np.nanmean(straight.rise_k)
    # Reflection weighs differently at 3 to 5 um: the same reading is another temperature.
    other = _heat(scene, band_um=(3.0, 5.0))
    assert np.nanmax(np.abs(other.rise_k - straight.rise_k)) > 0.01
