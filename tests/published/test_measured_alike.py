"""
The pixels of a part, and their mean, against three libraries that measure regions in their own ways.

scipy.ndimage and scikit-image take the mean over a label raster; photutils (astropy's aperture photometry) chooses the
pixels of a turned rectangle by itself.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import regionprops

from tests.regions.rendering import make_board, make_part, make_registration
from thermscan.regions.inner_body import InnerBody, find_inner_bodies
from thermscan.registration.geometry.homography import local_scale

SHAPE = (240, 320)
SCALE_PX_PER_MM, TURN_DEG, SHIFT_PX = 2.6, 7.0, (60.3, 12.8)
PLACES = [(20.0, 20.0, 0.0), (45.0, 18.0, 30.0), (70.0, 24.0, 90.0), (22.0, 50.0, 135.0), (50.0, 52.0, 10.0)]


def bodies() -> tuple[list[InnerBody], np.ndarray]:
    """Five turned parts under a camera straight above that is turned itself, and where their middles are seen."""
    turn = np.deg2rad(TURN_DEG)
    cos, sin = SCALE_PX_PER_MM * np.cos(turn), SCALE_PX_PER_MM * np.sin(turn)
    px_from_mm = np.array([[cos, -sin, SHIFT_PX[0]], [sin, cos, SHIFT_PX[1]], [0.0, 0.0, 1.0]])
    parts = [
        make_part(ref=f"U{k}", x_mm=x, y_mm=y, rotation_deg=angle, length_mm=12.0, width_mm=7.0)
        for k, (x, y, angle) in enumerate(PLACES)
    ]
    found = make_registration(make_board(*parts), px_from_mm)
    middles_mm = np.array([[part.x_mm, part.y_mm] for part in parts])
    seen = find_inner_bodies(
        parts, found, jacobians=local_scale(px_from_mm, middles_mm), shape=SHAPE, blur_px=0.6, u_blur_px=0.1,
        placement_px=np.full(len(parts), 0.2),
    )  # fmt: skip
    return seen, found.px(middles_mm)


def test_means_are_those_of_ndimage_and_scikit_image():
    seen, _ = bodies()
    frame = 30.0 + 10.0 * np.random.default_rng(1).random(SHAPE)
    labels = np.zeros(SHAPE, dtype=int)
    for number, body in enumerate(seen, start=1):
        assert not labels[body.rows, body.cols].any()
        labels[body.rows, body.cols] = number
    own = [frame[body.rows, body.cols].mean() for body in seen]
    # Sums of a few hundred numbers in another order.
    assert own == pytest.approx(ndimage.mean(frame, labels, np.arange(1, len(seen) + 1)), rel=1e-12)
    assert own == pytest.approx([each.intensity_mean for each in regionprops(labels, frame)], rel=1e-12)


def test_the_pixels_of_an_inner_body_are_those_that_photutils_chooses():
    apertures = pytest.importorskip("photutils.aperture", reason="photutils is not installed")
    seen, middles = bodies()
    for body, middle, (_, _, angle) in zip(seen, middles, PLACES, strict=True):
        length, width = body.sides_px
        # Photutils turns from x towards y, which is clockwise where y points down, as here.
        aperture = apertures.RectangularAperture(middle, length, width, theta=np.deg2rad(angle + TURN_DEG))
        chosen = aperture.to_mask(method="center").to_image(SHAPE) > 0
        own = np.zeros(SHAPE, dtype=bool)
        own[body.rows, body.cols] = True
        assert own.sum() > 200
        assert np.array_equal(own, chosen)
