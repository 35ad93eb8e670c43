"""A disk that hangs: the loop stands still, so the watchdog lets the broker withhold the heater and ends the process.

Where the whole process stands still, its watchdog too, the broker finds out by itself.

deploy/docs/failures.md: brimful hangs.
"""

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from tests.support.broker import Client, Mosquitto
from tests.support.daemon_house import House

pytestmark = pytest.mark.services

# The daemon's own service on the machine's clock; only the ledger's connection can be made to hang.
DAEMON = """
import logging, sqlite3, sys, threading, time
from dataclasses import replace
from pathlib import Path
from accounting.ledger.opening import connect
from daemon.timing.clock import SystemClock
from daemon.config.load import load
from daemon.timing.events import Due
from daemon.assembly.prepared_home import prepare
from daemon.assembly.endpoints import broker_address
from daemon.runtime.service import Service

class Hanging(sqlite3.Connection):
    hangs = False
    def execute(self, *asked):
        while Hanging.hangs:
            time.sleep(3600)
        return super().execute(*asked)

def making(address):
    return sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False, factory=Hanging)

logging.basicConfig(level=logging.INFO)
home = load(Path(sys.argv[1]))
broker = replace(broker_address(home), keepalive_s=2)
service = Service(prepare(home), broker, SystemClock(), hang_s=1.0, making=making)
service.start()
sys.stdin.readline()
Hanging.hangs = True
service.loop.put(Due("flush"))
service.join()
"""


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    folder = tmp_path / "broker"
    folder.mkdir()
    with Mosquitto(folder) as running:
        yield running


@contextmanager
def diverting(folder: Path, broker: Mosquitto, heater: Client) -> Iterator["subprocess.Popen[str]"]:
    """The daemon, once it has permitted the heater."""
    home = House(folder, broker).file
    home.write_text(f"{home.read_text()}[ledger]\nflush_s = 3600\n")
    process = subprocess.Popen(
        [sys.executable, "-c", DAEMON, str(home)],
        stdin=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    try:
        heater.hears("wren/permit", b"no")
        for _ in range(100):
            if any(bytes(message.payload) == b"yes" for message in heater.inbox.items):
                break
            heater.publish("wren/level", b"40")
            heater.publish("wren/meter", b"-2500")
            with suppress(AssertionError):
                heater.hears("wren/permit", b"yes", timeout_s=0.2)
        heater.hears("wren/permit", b"yes")
        yield process
    finally:
        process.kill()
        process.communicate()


def test_the_broker_withholds_the_heater_of_a_loop_that_hangs(tmp_path: Path, broker: Mosquitto) -> None:
    with Client(broker.address(), "wren/permit") as heater:
        with diverting(tmp_path, broker, heater) as process:
            told = len(heater.inbox.items)
            _, log = process.communicate("hang\n", timeout=60)
        heater.hears("wren/permit", b"no", skip=told)
    assert process.returncode == 1, "not the end that was asked for: whoever looks after it starts it again"
    assert "loop=hangs" in log


def test_the_broker_withholds_the_heater_of_a_process_that_stands_still(tmp_path: Path, broker: Mosquitto) -> None:
    """And when it moves again it ends, for it no longer knows the house: it is not left half alive."""
    with Client(broker.address(), "wren/permit") as heater, diverting(tmp_path, broker, heater) as process:
        told = len(heater.inbox.items)
        process.send_signal(signal.SIGSTOP)
        heater.hears("wren/permit", b"no", skip=told, timeout_s=60)
        process.send_signal(signal.SIGCONT)
        _, log = process.communicate(timeout=60)
        assert process.returncode == 1
        assert "loop=hangs" in log
