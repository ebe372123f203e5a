"""
Bodies of packages against published drawings.

Each case names its source. "from memory" and "common practice" cases are kept apart: they show that the table is
plausible, and prove nothing.
"""

# ruff: noqa: E501 - cases read better as a table, one a line
from __future__ import annotations

import pytest

from thermscan.errors import InputError
from thermscan.layout.packages import known_packages, nearest_package, package_body
from thermscan.layout.surfaces import known_surfaces

# (package, length from, to, width from, to) in mm; the drawings' limits, or the nominal value with the maker's tolerance.
PUBLISHED = [
    ("DIP-40", 50.3, 53.2, 12.32, 14.73),  # JEDEC MS-011-AC as in drawing E40.6 of the 82C55A data sheet
    ("DIP-40", 52.20 - 0.4, 52.20 + 0.4, 13.84 - 0.3, 13.84 + 0.3),  # nominal of the W78C32C data sheet
    ("CERDIP-40", 51.44, 52.71, 12.95, 15.24),  # Microchip DS30412C page 205
    ("PLCC-44", 16.46, 16.71, 16.46, 16.71),  # JEDEC MS-018 AC as in the W78E365 data sheet
    ("PLCC-84", 29.11, 29.41, 29.11, 29.41),  # public footprint library: 29.21 square
    ("SOIC-16W", 10.21, 10.41, 7.39, 7.59),  # MDP0027: 0.406 x 0.295 in, +/- 0.10 mm
    ("SOIC-20W", 12.70, 12.90, 7.39, 7.59),  # MDP0027: 0.504 x 0.295 in
    ("SOIC-28W", 17.78, 18.03, 7.34, 7.60),  # JEDEC MS-013 as in drawing 751BM
    # JEDEC MS-001D, length and its upper tolerance, as listed in librepcb-parts-generator's generate_dip.py:
    ("DIP-8", 9.27, 10.09, 6.1, 7.11),
    ("DIP-14", 19.05, 20.96, 6.1, 7.11),
    ("DIP-16", 19.05, 21.21, 6.1, 7.11),  # from maker's 19.05 (PDIP-16 P) to MS-001 AB 20.07 + 1.14
    ("DIP-18", 22.86, 24.13, 6.1, 7.11),
    ("DIP-20", 26.16, 27.81, 6.1, 7.11),
    ("DIP-24-300", 31.75, 33.65, 6.1, 7.11),
    ("DIP-28-300", 34.67, 35.49, 6.1, 7.49),
    # Makers' drawings, 600 and 900 mil, smallest to largest, as listed in the same file:
    ("DIP-24", 30.99, 31.75, 12.32, 14.73),
    ("DIP-28", 36.32, 37.40, 12.32, 14.73),
    ("DIP-32", 41.40, 42.04, 12.32, 14.73),
    ("DIP-48", 61.47, 61.9, 12.32, 14.73),
    ("DIP-64", 81.3, 81.9, 20.2, 20.6),
]
# From memory of JEDEC outlines (reference values, section 8, and MS-026 / MS-012 whole-millimetre bodies).
FROM_MEMORY = [
    ("PLCC-28", 11.43, 11.58, 11.43, 11.58),
    ("PLCC-68", 24.13, 24.33, 24.13, 24.33),
    ("SOIC-8", 4.8, 5.0, 3.8, 4.0),
    ("TQFP-100", 13.8, 14.2, 13.8, 14.2),
    ("TO-220", 9.65, 10.67, 4.06, 4.83),
    ("TO-92", 4.45, 5.21, 3.18, 4.19),
    ("HC-49/U", 10.5, 11.35, 4.3, 4.8),
]


@pytest.mark.parametrize(("name", "short", "long", "narrow", "wide"), PUBLISHED)
def test_a_body_lies_within_its_published_drawing(name, short, long, narrow, wide):
    body = package_body(name)
    assert short <= body.length_mm <= long
    assert narrow <= body.width_mm <= wide


@pytest.mark.parametrize(("name", "short", "long", "narrow", "wide"), FROM_MEMORY)
def test_a_body_is_as_remembered(name, short, long, narrow, wide):
    body = package_body(name)
    assert short <= body.length_mm <= long
    assert narrow <= body.width_mm <= wide


def test_rows_of_two_row_packages_fit_the_2_54_mm_grid():
    # Trade: n pins at 2.54 mm span (n/2 - 1) * 2.54 mm, and a body is longer by at most 6 mm (64 pins: 3 mm; 14 pins: 4 mm).
    for body in known_packages():
        family, _, pins = body.name.partition("-")
        if family in ("DIP", "CERDIP", "SBDIP") and pins.isdigit():
            span = (int(pins) / 2 - 1) * 2.54
            assert span <= body.length_mm <= span + 6.0, body.name


def test_every_row_has_a_source_a_known_surface_and_a_name_of_its_own():
    bodies = known_packages()
    assert len({body.name for body in bodies}) == len(bodies)
    for body in bodies:
        assert body.source, body.name
        assert body.surface in known_surfaces(), body.name
        # Length lies along the rows of pins, so only packages with few pins are wider than long.
        assert body.length_mm >= body.width_mm > 0 or body.name in ("DIP-4", "TSSOP-8", "SWITCH-DIP-2"), body.name
        assert body.height_mm is None or 0 < body.height_mm < 60, body.name
        assert package_body(body.name) == body
        assert all(package_body(alias) == body for alias in body.aliases), body.name


@pytest.mark.parametrize(
    "written", ["DIP-40", "dip40", "Dip 40", "PDIP-40", "DIL40", "pdip_40", "DIP-40-600", "DIP-40W", "DIP-40_W15.24mm"]
)
def test_a_package_is_known_however_it_is_written(written):
    assert package_body(written).name == "DIP-40"


@pytest.mark.parametrize(
    ("written", "near"),
    [("DIP-41", "DIP-40"), ("PLCC-45", "PLCC-44"), ("PLLC-44", "PLCC-44"), ("SOIC-15", "SOIC-14"), ("TO-221", "TO-220"), ("CAP-RADAL-8", "CAP-RADIAL-8")],
)  # fmt: skip
def test_an_unknown_package_names_the_nearest(written, near):
    assert nearest_package(written) == near
    with pytest.raises(InputError, match=f'"{written}" is not a known package; did you mean {near}'):
        package_body(written)


def test_what_is_near_to_nothing_is_not_guessed():
    with pytest.raises(InputError, match="is not a known package; give the body's length and width"):
        package_body("§§§")


def test_metal_cans_are_metal_and_ics_are_plastic():
    metal = {"HC-49/U", "OSC-14", "TO-3", "TO-5", "TO-18"}
    assert {package_body(name).surface for name in metal} == {"metal"}
    plastic = {"DIP-40", "PLCC-44", "SOIC-16W", "QFP-100", "TO-220", "TO-92", "ZIP-20", "SOJ-28"}
    assert {package_body(name).surface for name in plastic} == {"plastic"}
