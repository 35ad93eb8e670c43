"""What the service tests share."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.broker import Mosquitto


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker of the test's own."""
    with Mosquitto(tmp_path) as running:
        yield running
