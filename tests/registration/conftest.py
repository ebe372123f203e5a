"""One view that most tests of this room share: drawing it takes longer than registering it."""

from __future__ import annotations

import pytest

from tests.registration.simple_views import View, random_view


@pytest.fixture(scope="session")
def view() -> View:
    """A warm board of 38 parts at 46 degrees, 320 x 240."""
    return random_view(0)
