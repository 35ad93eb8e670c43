"""A disk that hangs: the loop stands still, so the watchdog lets the broker withhold the heater and ends the process.

README, "What happens to the heater when something fails": brimful hangs.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.broker import Client, Mosquitto

pytestmark = pytest.mark.services

HOME = """
[home]
name = "Hazel House"
timezone = "Europe/Dublin"
currency = "EUR"
[broker]
host = "127.0.0.1"
port = {broker}
[signals.grid_w]
topic = "hazel/meter"
stale_after_s = 600
[signals.tank_level_pct]
topic = "hazel/level"
[signals.diverted_wh]
topic = "hazel/energy"
[heaters.main]
kind = "gate"
rated_w = 3000
topic = "hazel/permit"
orders = {{ withhold = "no", surplus = "yes" }}
[ledger]
flush_s = 3600
[api]
port = {api}
"""

# The daemon's own service on the machine's clock; only the ledger's connection can be made to hang.
DAEMON = """
import logging, sqlite3, sys, threading, time
from pathlib import Path
from accounting.ledger.opening import connect
from daemon.clock import SystemClock
from daemon.config.load import load
from daemon.events import Due
from daemon.plan import plan
from daemon.service import Service, broker_address

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
service = Service(plan(home), broker_address(home), SystemClock(), hang_s=1.0, making=making)
service.start()
sys.stdin.readline()
Hanging.hangs = True
service.loop.put(Due("flush"))
service.join()
"""


def test_the_broker_withholds_the_heater_of_a_loop_that_hangs(tmp_path: Path, mosquitto: Mosquitto) -> None:
    from tests.support.broker import free_port

    home = tmp_path / "home.toml"
    home.write_text(HOME.format(broker=mosquitto.address().port, api=free_port()))
    with Client(mosquitto.address(), "hazel/permit") as heater:
        process = subprocess.Popen(
            [sys.executable, "-c", DAEMON, str(home)],
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        assert process.stdin is not None
        with process:
            try:
                heater.inbox.wait(lambda got: got[1] == b"no")
                while not any(got[1] == b"yes" for got in heater.inbox.items):
                    heater.publish("hazel/level", b"40")
                    heater.publish("hazel/meter", b"-2500")
                    heater.inbox.wait(lambda got: True, timeout_s=1)
            finally:
                process.kill()
