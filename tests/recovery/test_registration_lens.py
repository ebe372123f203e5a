"""A lens that bends the view: straightened, the board is found as well; not straightened, nothing is claimed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from tests.registration.simple_views import View, random_view
from thermscan.coordinates import map_points, pixel_centres
from thermscan.radiometry.camera import Lens
from thermscan.radiometry.lens import bend_points, straighten_image, straighten_points
from thermscan.radiometry.thermal_image import ThermalImage
from thermscan.registration.placing.register import register_board
from thermscan.registration.registration import Registration

# A strong barrel: corners of the board are 4 to 7 pixels from where a pinhole shows them.
BARREL = Lens(300.0, 300.0, 161.5, 118.5, k1=-0.25, k2=0.05)


@pytest.fixture(scope="module")
def view() -> View:
    return random_view(503, cols=320)


@pytest.fixture(scope="module")
def bent(view: View) -> ThermalImage:
    """The same view through the lens."""
    at = straighten_points(pixel_centres(view.image.shape), BARREL)
    seen = map_coordinates(view.image.apparent_c, at[:, ::-1].T, order=3, mode="nearest")
    return replace(view.image, apparent_c=seen.reshape(view.image.shape))


def _error_against_stated(view: View, found: Registration, true_px: np.ndarray) -> float:
    centres = np.array([[part.x_mm, part.y_mm] for part in view.board.parts])
    return float(np.sqrt(((found.mm(true_px) - centres) ** 2).mean()) / found.uncertainty_mm)


def test_with_the_cameras_lens_the_board_is_found_as_without_distortion(view: View, bent: ThermalImage) -> None:
    corners = map_points(view.px_from_mm, view.board.corners_mm)
    clicks = straighten_points(bend_points(corners, BARREL) + 0.7, BARREL)
    found = register_board(straighten_image(bent, BARREL), view.board, corners_px=clicks)
    plain = register_board(view.image, view.board, corners_px=corners + 0.7)
    errors = [np.sqrt((view.error_px(each.px_from_mm) ** 2).mean()) for each in (found, plain)]
    assert errors[0] < errors[1] + 0.03 < 0.1  # straightening interpolates
    assert not any("lens" in remark for remark in found.remarks)


def test_without_it_the_bend_is_told_and_in_the_uncertainty(view: View, bent: ThermalImage) -> None:
    corners = bend_points(map_points(view.px_from_mm, view.board.corners_mm), BARREL)
    found = register_board(bent, view.board, corners_px=corners)
    centres = np.array([[part.x_mm, part.y_mm] for part in view.board.parts])
    true = bend_points(map_points(view.px_from_mm, centres), BARREL)
    assert any("the lens seems to bend the view" in remark for remark in found.remarks)
    # Off by a pixel, which no plane view can take up; stated to be so within a factor of two.
    assert 0.5 < _error_against_stated(view, found, true) < 2.0
