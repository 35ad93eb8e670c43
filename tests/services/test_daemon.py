"""`brimful run` as people run it: a process of its own, a real broker, the command line beside it."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from daemon.mqtt.address import BrokerAddress
from tests.support.broker import Client, Inbox, Mosquitto, free_port

pytestmark = pytest.mark.services

HOME = """
[home]
name = "Wren House"
timezone = "Europe/Dublin"
currency = "EUR"
[broker]
host = "127.0.0.1"
port = {broker}
[signals.grid_w]
topic = "wren/meter"
stale_after_s = 600
[signals.tank_level_pct]
topic = "wren/level"   # the cylinder's own figure
[signals.diverted_wh]
topic = "wren/energy"
resolution = 1000
[heaters.main]
kind = "gate"
rated_w = 3000
topic = "wren/permit"
orders = {{ withhold = "no", surplus = "yes" }}
[rules.full]
stop_at_pct = 95    # by level, below the thermostat
resume_below_pct = 88
[api]
port = {api}
"""


class House:
    """A home file in a folder, its daemon, and its command line."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self.file = folder / "home.toml"
        self.api_port = free_port()
        self.said: list[str] = []
        self.file.write_text(HOME.format(broker=broker.address().port, api=self.api_port))
        self._process: subprocess.Popen[str] | None = None

    def start(self, until: str = "link=readings up=True") -> None:
        """Start it, and wait for a line of its log; said: what came until then."""
        self.said = []
        self._log = Inbox()
        self._process = subprocess.Popen(
            [sys.executable, "-c", "from daemon.cli import main; main()", "run", str(self.file)],
            stderr=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        self._reader = threading.Thread(target=self._read, args=(self._process, self._log), daemon=True)
        self._reader.start()
        self.says(until)

    @staticmethod
    def _read(process: "subprocess.Popen[str]", log: Inbox) -> None:
        assert process.stderr is not None
        with process.stderr:
            for line in process.stderr:
                log.put(line)

    def says(self, words: str) -> str:
        """Wait for a line of its log after those waited for before."""
        line = self._log.wait(lambda said: words in str(said), timeout_s=20, skip=len(self.said))
        self.said = [str(said) for said in self._log.items[: self._log.items.index(line, len(self.said)) + 1]]
        return str(line)

    def knows(self, signal: str, value: float) -> None:
        """Wait until the daemon has heard this."""
        give_up_s = time.monotonic() + 20
        while time.monotonic() < give_up_s:
            inputs = json.loads(self.asks("why", "--json").stdout)["inputs"]
            if any((told["signal"], told["value"]) == (signal, value) for told in inputs):
                return
        raise AssertionError(f"not heard: {signal} {value}")

    def end(self, number: signal.Signals) -> int:
        assert self._process is not None
        process, self._process = self._process, None
        process.send_signal(number)
        try:
            return process.wait(20)
        finally:
            process.kill()
            self._reader.join(20)

    def hup(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def close(self) -> None:
        if self._process is not None:
            self.end(signal.SIGKILL)

    def asks(self, *arguments: str, code: int = 0) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(
            [sys.executable, "-c", "from daemon.cli import main; main()", *arguments],
            capture_output=True,
            text=True,
            timeout=30,
            cwd=Path(__file__).parents[2],
            env={**os.environ, "BRIMFUL_HOME": str(self.file), "NO_COLOR": "1"},
        )
        assert done.returncode == code, done
        assert "Traceback" not in done.stderr
        return done


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


@pytest.fixture
def house(tmp_path: Path, broker: Mosquitto) -> Iterator[House]:
    made = House(tmp_path, broker)
    yield made
    made.close()


def test_it_orders_explains_and_obeys_its_owner(house: House, broker: Mosquitto) -> None:
    with Client(broker.address(), "wren/permit", "brimful/#") as wire:
        house.start()
        wire.hears("wren/permit", b"no")
        wire.publish("wren/level", "70")
        wire.publish("wren/energy", "1000")
        wire.publish("wren/meter", "-1500")
        wire.hears("wren/permit", b"yes")
        assert json.loads(house.asks("why", "--json").stdout)["order"] == "surplus"

        mark = len(wire.inbox.items)
        said = house.asks("rule", "full", "stop_at_pct=60", "resume_below_pct=50").stdout
        assert "rules.full.stop_at_pct: 95 → 60" in said
        wire.hears("wren/permit", b"no", skip=mark)
        assert "# by level, below the thermostat" in house.file.read_text()
        why = json.loads(house.asks("why", "--json").stdout)
        assert (why["order"], why["guard"]) == ("withhold", "full")
        assert "override: surplus until" in house.asks("override", "surplus", "--for", "2h").stdout
        assert json.loads(house.asks("why", "--json").stdout)["order"] == "withhold"  # no override beats a full tank

        house.asks("rule", "full", "stop_at_pct=195", code=2)
        before = house.file.read_text()
        house.file.write_text(before.replace("stop_at_pct = 60", 'stop_at_pct = "hot"'))
        house.hup()
        assert "rules.full.stop_at_pct" in house.says("home file refused")
        mark = len(wire.inbox.items)
        house.file.write_text(before.replace("stop_at_pct = 60", "stop_at_pct = 95"))
        house.hup()
        wire.hears("wren/permit", b"yes", skip=mark)

        mark = len(wire.inbox.items)
        assert house.end(signal.SIGTERM) == 0
        wire.hears("wren/permit", b"no", skip=mark)
        wire.hears("brimful/wren-house/availability", b"offline", skip=mark)
        assert not any(message.retain for message in wire.inbox.items if message.topic == "wren/permit")


def test_kill_9_withholds_and_loses_neither_energy_nor_override(house: House, broker: Mosquitto) -> None:
    with Client(broker.address(), "wren/permit") as wire:
        house.start()
        wire.publish("wren/level", "70")
        wire.publish("wren/energy", "5000")
        wire.publish("wren/meter", "-1500")
        wire.hears("wren/permit", b"yes")
        house.asks("override", "withhold", "--for", "1h")  # written down at once, with the meter's state
        wire.publish("wren/energy", "5400")
        mark = len(wire.inbox.items)
        assert house.end(signal.SIGKILL) == -signal.SIGKILL
        wire.hears("wren/permit", b"no", skip=mark)

        house.start()
        wire.publish("wren/level", "70")
        wire.publish("wren/meter", "-1500")
        wire.publish("wren/energy", "5700")
        assert json.loads(house.asks("why", "--json").stdout)["guard"] == "override"
        house.asks("override", "clear")  # a commit, so that what is open can be read
        total = json.loads(house.asks("value", "--json").stdout)["total"]
        assert total["diverted_kwh"] == 0.7
        assert total["open_kwh"] == 0.7


def test_a_retained_level_of_unknown_age_permits_nothing(house: House, broker: Mosquitto) -> None:
    with Client(broker.address(), "wren/permit") as wire:
        wire.publish("wren/level", "40", retain=True)
        house.start()
        wire.publish("wren/meter", "-1500")
        for unusable in (b"unavailable", b"", b"NaN", b"1e999", b"\xff\xfe", b"[" * 9999, b"8" * 300_000):
            wire.publish("wren/level", unusable)
        why = json.loads(house.asks("why", "--json").stdout)
        assert (why["order"], why["guard"]) == ("withhold", "fresh")
        wire.publish("wren/level", "40")
        wire.hears("wren/permit", b"yes")
        told = house.asks("check", str(house.file), "--seconds", "0.2", code=1).stdout
        assert "tank_level_pct: 7 of 9 payloads since the start refused: " in told
        assert "longer than 256 kB (1)" in told
        assert "grid_w: " not in told.split("payloads", 1)[1]


def test_what_stands_in_the_way_is_said_in_a_line(house: House, broker: Mosquitto) -> None:
    told = house.asks("why", code=2).stderr
    assert "expected the running daemon" in told
    assert len(told.splitlines()) == 1
    house.start()
    assert "another brimful is writing to it" in house.asks("run", str(house.file), code=2).stderr.splitlines()[-1]


def test_an_override_ends_at_its_time_though_the_daemon_was_killed(house: House, broker: Mosquitto) -> None:
    with Client(broker.address(), "wren/permit") as wire:
        house.start()
        until = json.loads(house.asks("override", "withhold", "--for", "4s", "--json").stdout)["until"]
        house.end(signal.SIGKILL)
        mark = len(wire.inbox.items)
        house.start()
        wire.publish("wren/level", "70")
        wire.publish("wren/meter", "-1500")
        wire.hears("wren/permit", b"yes", skip=mark)
        assert time.time() >= datetime.fromisoformat(until).timestamp()
        assert json.loads(house.asks("why", "--json").stdout)["override"] is None


def test_an_orderly_end_keeps_the_energy_of_the_interval_in_progress(house: House, broker: Mosquitto) -> None:
    with Client(broker.address()) as wire:
        for counts in ("5000", "5400"), ("5700",):
            house.start()
            for count in counts:
                wire.publish("wren/energy", count)
                house.knows("diverted_wh", float(count))  # of two readings within a millisecond only the higher counts
            assert house.end(signal.SIGTERM) == 0
            total = json.loads(house.asks("value", "--json").stdout)["total"]
            assert total["diverted_kwh"] == (float(counts[-1]) - 5000) / 1000


def test_a_taken_api_port_is_said_and_nothing_is_ordered(house: House, broker: Mosquitto) -> None:
    with Client(broker.address(), "#") as wire, socket.create_server(("127.0.0.1", house.api_port)):
        told = house.asks("run", str(house.file), code=2).stderr
        assert f"127.0.0.1:{house.api_port}: expected a free address" in told.splitlines()[-1]
        wire.publish("wren/last", "")
        wire.hears("wren/last")
        assert [message.topic for message in wire.inbox.items] == ["wren/last"]


def test_without_a_broker_it_brings_its_own(house: House) -> None:
    text = house.file.read_text()
    start, end = text.index("[broker]"), text.index("[signals.grid_w]")
    house.file.write_text(text[:start] + text[end:])
    house.start("broker on ")
    where = re.search(r"broker on (\S+):(\d+), user brimful, password in (\S+)", "".join(house.said))
    assert where is not None
    password = Path(where[3]).read_text().strip()
    assert Path(where[3]).stat().st_mode & 0o777 == 0o600
    with Client(BrokerAddress(where[1], int(where[2]), "brimful", password), "wren/permit") as wire:
        house.says("link=readings up=True")
        wire.publish("wren/level", "70")
        wire.publish("wren/meter", "-1500")
        wire.hears("wren/permit", b"yes")
        mark = len(wire.inbox.items)
        assert house.end(signal.SIGTERM) == 0
        wire.hears("wren/permit", b"no", skip=mark)
