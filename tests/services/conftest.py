"""What the service tests share."""

import fcntl
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.broker import Mosquitto


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker of the test's own."""
    with Mosquitto(tmp_path) as running:
        yield running


@pytest.fixture(scope="session")
def demo_day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder: `demo/`, what `brimful demo --days 1` left, and `statement.json`, what it printed. Copy, do not change.

    A minute of work: whichever worker asks first does it for all, while the others wait.
    """
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "demo-day"
    with folder.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        statement = folder / "statement.json"
        if not statement.exists():
            folder.mkdir(exist_ok=True)
            command = [sys.executable, "-c", "from daemon.cli import main; main()", "demo", "--days", "1", "--headless"]
            done = subprocess.run(
                [*command, "--json", "--folder", str(folder / "demo")],
                check=True,
                stdout=subprocess.PIPE,
                cwd=Path(__file__).parents[2],
            )
            statement.write_bytes(done.stdout)
    return folder
