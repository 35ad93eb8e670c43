"""What all tests share."""

import pytest
from hypothesis import HealthCheck, settings

# A slow machine is no counterexample: what takes long is found by tests/bench, not by a clock in a property.
settings.register_profile("brimful", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("brimful")


def pytest_addoption(parser: pytest.Parser) -> None:
    """--update: golden results (tests/replay/golden) are written anew instead of compared; look at the difference."""
    parser.addoption("--update", action="store_true", help="write golden results anew instead of comparing")
