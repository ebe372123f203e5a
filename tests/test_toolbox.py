"""One place for each of the small things that every room needs, held against the reference libraries."""

from __future__ import annotations

import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.stats import median_abs_deviation, norm
from skimage.draw import polygon2mask

import thermscan
from thermscan.layout.outline import inside_polygon, polygon_area, polygon_areas, raster_in_polygon
from thermscan.robust import MAD_TO_SIGMA, biweight, robust_sd
from thermscan.smoothing import gaussian

ROOT = Path(thermscan.__file__).parent
# What may be written in one module only: a pattern, that module (and others with a reason), and a line it must catch.
ONCE = {
    "the factor of the median absolute deviation": (r"1\.4826", {"robust.py"}, "1.4826 * x"),
    "a spread by the median absolute deviation": (
        # judge/spread.py: with a correction for few values.
        r"np\.(?:nan)?median\(np\.abs\((\w+) - np\.(?:nan)?median\(\1", {"judge/spread.py"},
        "np.median(np.abs(x - np.median(x)))",
    ),
    "Tukey's biweight": (
        r"1(?:\.0)? - .{1,80}\*\* ?2(?:, 0(?:\.0)?, None)?\) ?\*\* ?2",
        set(),
        "np.clip(1 - (x / s) ** 2, 0.0, None) ** 2",
    ),
    # Bounds of what is a temperature at all, and the unit table's docstring, name the number as a number.
    "the step between Celsius and absolute": (
        r"273\.15", {"scales.py", "frames/units.py", "judge/baseline_file.py"}, "x + 273.15"
    ),
    "a polygon's area": (
        r"np\.roll\(\w+, -1[^)]*\) - \w+ \* np\.roll|np\.roll\(\w+, -1\)\) - np\.dot|- np\.roll\(\w+, -1\) \* ",
        {"layout/outline.py"}, "x * np.roll(y, -1) - y * np.roll(x, -1)",
    ),
    "points in a polygon": (
        r"def _?(?:points_)?in(?:side)?_(?:polygon|convex|quad)\b", {"layout/outline.py"}, "def _inside_polygon(x):"
    ),
    # In the others rows and columns are wanted by themselves as well.
    "the step between array order and point order": (
        r"column_stack\(\[\(?cols?\b|argwhere\([^)]*\)\[:, ::-1\]|outline_mm\[:, ::-1\]",
        {
            "coordinates.py",
            "registration/placing/outline_candidates.py",
            "registration/placing/detail.py", "registration/targets/target_patches.py", "dynamics/heat_patterns.py",
            "regions/found_board.py", "regions/inner_body.py",
        },
        "np.column_stack([cols, rows])",
    ),
    "a difference's uncertainty": (r"def _?difference_u", {"judge/comparison.py"}, "def difference_u_k(a, b):"),
    "filling of missing pixels": (
        r"def _?fill(?:ed)?(?:_\w+)?\((?:picture|apparent|values|image)\w*:", {"registration/evidence.py"},
        "def filled_picture(picture_c: FloatArray)",
    ),
    "what an overall verdict ends with": (
        r'"undecided": (?:3|[A-Z_]*NOT_JUDGE)', {"exit_status.py"}, '{"clear": 0, "undecided": 3}'
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", ONCE)
def test_it_is_written_in_one_place(what: str) -> None:
    pattern, homes, offence = ONCE[what]
    assert re.search(pattern, offence)
    found = {
        path.relative_to(ROOT).as_posix()
        for path in ROOT.rglob("*.py")
        if re.search(pattern, path.read_text(encoding="utf-8"))
    }
    assert found - homes == set()


def test_the_robust_spread_is_scipys() -> None:
    rng = np.random.default_rng(3)
    for size in (2, 3, 10, 1001):
        values = rng.standard_t(3, size)
        assert robust_sd(values) == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-12)
        assert robust_sd(values, centre=0.5) == pytest.approx(MAD_TO_SIGMA * np.median(np.abs(values - 0.5)))
    holed = np.array([[1.0, np.nan], [2.0, 4.0]])
    assert robust_sd(holed) == pytest.approx(median_abs_deviation([1.0, 2.0, 4.0], scale="normal"))
    assert np.isnan(robust_sd([np.nan]))
    assert pytest.approx(1 / norm.ppf(0.75), rel=1e-12) == MAD_TO_SIGMA


def test_the_biweight_is_that_of_huber_at_its_published_places() -> None:
    # P. J. Huber, Robust Statistics (1981), 4.8: psi(x) = x (1 - x²)² within, 0 beyond.
    assert biweight([0.0, -0.5, 0.5, 1.0, -3.0]).tolist() == [1.0, 0.5625, 0.5625, 0.0, 0.0]


def test_areas_and_points_in_polygons_are_opencvs() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        angles = np.sort(rng.uniform(0, 2 * np.pi, 9))
        shape = np.column_stack([np.cos(angles), np.sin(angles)]) * rng.uniform(5, 50, (9, 1))
        exact = shape.astype(np.float32).astype(np.float64)
        assert abs(polygon_area(exact)) == pytest.approx(cv2.contourArea(exact.astype(np.float32)), rel=1e-5)
        points = rng.uniform(-50, 50, (200, 2)).astype(np.float32)
        ours = inside_polygon(points, exact)
        theirs = [cv2.pointPolygonTest(exact.astype(np.float32), (float(x), float(y)), True) for x, y in points]
        clear = np.abs(theirs) > 1e-3
        assert np.array_equal(ours[clear], (np.array(theirs) > 0)[clear])
    # Clockwise as seen, y down: positive. Turned over: negative.
    square = [[0.0, 0.0], [3.0, 0.0], [3.0, 2.0], [0.0, 2.0]]
    assert polygon_areas([square, square[::-1]]).tolist() == [6.0, -6.0]


def test_a_raster_in_a_polygon_is_skimages() -> None:
    rng = np.random.default_rng(5)
    outlines = [
        [[0.2, 0.3], [40.7, 0.3], [40.7, 29.6], [0.2, 29.6]],
        [[3.0, 2.2], [30.1, 2.2], [30.1, 40.3], [12.4, 17.9]],
    ]
    # No corner, and with that no side, goes through a pixel's centre.
    outlines += [rng.uniform(-5, 45, (7, 2)) for _ in range(5)]
    for outline in outlines:
        ours = raster_in_polygon(np.arange(42.0), np.arange(33.0), outline)
        assert np.array_equal(ours, polygon2mask((33, 42), np.asarray(outline)[:, ::-1]))


@pytest.mark.parametrize(("shape", "sigma_px"), [((40, 61), 3.0), ((40, 61), 25.0), ((130, 7), 62.2)])
def test_a_wide_gaussian_is_scipys_as_a_narrow_one_is(shape: tuple[int, int], sigma_px: float) -> None:
    values = 20.0 + np.random.default_rng(6).normal(size=shape)
    ours = gaussian(values, sigma_px, beyond="reflect")
    assert ours == pytest.approx(gaussian_filter(values, sigma_px, mode="reflect", truncate=4.0), abs=1e-12)
