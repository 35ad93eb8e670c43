"""`brimful run` under a service manager: what it says at the manager's socket, and the unit that starts it."""

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.broker import Mosquitto
from tests.support.daemon_house import House

pytestmark = pytest.mark.services
ROOT = Path(__file__).parents[2]
UNIT = ROOT / "deploy" / "brimful.service"


def test_it_says_when_it_is_ready_that_it_lives_and_that_it_ends(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20.0)
        home = House(tmp_path, broker).file
        environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "4000000"}
        process = subprocess.Popen(
            [sys.executable, "-c", "from daemon.cli import main; main()", "run", str(home)],
            env={**os.environ, **environment},
            stderr=subprocess.DEVNULL,
            cwd=ROOT,
        )
        try:
            said: list[str] = []
            while "READY=1" not in said or "WATCHDOG=1" not in said:
                said.append(manager.recv(4096).decode())
            assert said.index("READY=1") < said.index("WATCHDOG=1")
            assert any(line.startswith("STATUS=Heater off") for line in said), "whoever asks the manager reads why"
            process.send_signal(signal.SIGTERM)
            while "STOPPING=1" not in said:
                said.append(manager.recv(4096).decode())
            assert process.wait(20) == 0
        finally:
            process.kill()
            process.wait()


def unit_setting(name: str) -> str:
    found = re.search(rf"^{name}=(.*)$", UNIT.read_text(), re.MULTILINE)
    assert found, f"{name} is not set in {UNIT.name}"
    return found[1]


def test_the_unit_waits_for_those_words() -> None:
    """The loop shows life every 5 s at least; its own watchdog bites after 30 s, before the manager's does."""
    from daemon.runtime.loop import BEAT_S
    from daemon.runtime.watchdog import HANG_S

    assert unit_setting("Type") == "notify"
    watchdog_s = int(unit_setting("WatchdogSec"))
    assert watchdog_s / 4 > BEAT_S
    assert watchdog_s > HANG_S + HANG_S / 4
    # A start every RestartSec stays below the limit, so that a broker, a disk or a home file may come back at any time.
    starts = int(unit_setting("StartLimitIntervalSec")) / int(unit_setting("RestartSec"))
    assert starts < int(unit_setting("StartLimitBurst"))


def test_the_unit_lets_the_daemon_end_before_the_broker_that_it_brings() -> None:
    """By systemd's default the broker would be ended beside it, and with it the way of the last order."""
    assert unit_setting("KillMode") == "mixed"


def test_the_unit_keeps_the_daemon_in_a_small_room() -> None:
    """The score is systemd's own: 0.0 is the most confined, 10.0 the least."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed (package systemd)")
    told = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(UNIT)], capture_output=True, text=True
    )
    score = re.search(r"exposure level for \S+: ([\d.]+)", told.stdout)
    assert score, told.stdout + told.stderr
    assert float(score[1]) <= 1.5
