"""Package names that end with sizes, however they are written."""

from __future__ import annotations

import pytest

from thermscan.errors import InputError
from thermscan.layout.packages import package_body


@pytest.mark.parametrize(
    ("name", "body"),
    [
        # Rows 7.62 or 15.24 mm apart (300 and 600 mil) are two bodies of one lead count.
        ("DIP-28_W7.62mm", "DIP-28-300"),
        ("dip28 W15.24 mm", "DIP-28"),
        ("DIP-28 (600mil)", "DIP-28"),
        ("SOIC-16_3.9mm", "SOIC-16"),
        ("SOIC-16, 7.5 mm", "SOIC-16W"),
        ("LQFP-64_10x10mm_P0.5mm", "TQFP-64"),
        ("LQFP-64 14 x 14 mm", "TQFP-64-14x14"),
        ("cp radial d5.0mm p2.00mm", "CAP-RADIAL-5"),
        ("R_0805_2012Metric", "0805"),
        ("0402 (1005 metric)", "0402"),
    ],
)
def test_the_body_is_the_one_whose_sides_agree(name: str, body: str) -> None:
    assert package_body(name).name == body


@pytest.mark.parametrize(
    "name", ["DIP-28_W30mm", "LQFP-64_11x11mm", "CP_Radial_D7.2mm", "QQQ-14_W7.62mm", "DIP-13_W7.62mm"]
)
def test_a_size_that_no_such_body_has_is_refused(name: str) -> None:
    with pytest.raises(InputError, match="is not a known package"):
        package_body(name)
