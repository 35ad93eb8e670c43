"""What all tests share."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """--update: golden results (tests/replay/golden) are written anew instead of compared; look at the difference."""
    parser.addoption("--update", action="store_true", help="write golden results anew instead of comparing")
