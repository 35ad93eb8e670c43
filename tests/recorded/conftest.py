"""The year's arrays, read once for all tests here. Without the data packages these tests fail: they are pinned."""

import pytest

from tests.support import recorded_sources


@pytest.fixture(scope="session")
def household() -> tuple[list[float], list[float]]:
    """Load and recorded water heating, W by minute."""
    return recorded_sources.household()


@pytest.fixture(scope="session")
def pv_w() -> list[float]:
    """PV, W by minute."""
    return recorded_sources.solar()
