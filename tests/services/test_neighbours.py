"""A whole daemon with all its neighbours: Homie device, alerts, a device on Modbus, measurements, on a real broker."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Ask, Due
from tests.support.broker import TIMEOUT_S, Client, Mosquitto, free_port
from tests.support.faulty_http import Front, front
from tests.support.homes import SMALL
from tests.support.sunspec_device import UNIT, registers, sunspec_device

pytestmark = pytest.mark.services

NOON_S = 1_780_308_000.0  # 2026-06-01T10:00:00Z
BASE = "homie/5/brimful-wren-hut"
NEIGHBOURS = """
[rules.full]
stop_at_pct = 95    # by level, below the thermostat
resume_below_pct = 88

[rules.rest]
minimum_on_s = 0
minimum_off_s = 0

[homie]
settable = true

[[alerts]]
kind = "webhook"
url = "{hook}/hook"

[[alerts]]
kind = "mqtt"
topic = "hut/alerts"

[readers.roof]
kind = "sunspec"
host = "127.0.0.1"
port = {port}
unit = {unit}
every_s = 1

[signals.pv_w]
topic = "reader:roof"
pointer = "/103/W"

[api]
port = {api}
"""


class Neighbourhood:
    """The daemon, everybody else on its broker, and its webhook."""

    def __init__(self, service: Service, other: Client, hook: Front, file: Path) -> None:
        self.service, self.other, self.hook, self.file = service, other, hook, file

    def ask(self, name: str) -> Any:
        """The loop's answer, once it has done all that was put before."""
        question = Ask(name)
        self.service.loop.put(question)
        return question.answer.result(TIMEOUT_S)

    @property
    def came(self) -> int:
        """How many messages came by now."""
        return len(self.other.inbox.items)

    def sees(self, path: str, holds: Any, after: int = 0) -> Any:
        """Wait for a payload on a topic of the device; holds: it, or what it must fit; after: as `came` was."""

        def fits(message: Any) -> bool:
            payload = message.payload.decode()
            is_it = holds(payload) if callable(holds) else payload == holds
            return bool(message.topic == f"{BASE}/{path}" and is_it)

        return self.other.inbox.wait(fits, skip=after)

    def measures(self) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
        """What /metrics says."""
        address = f"http://127.0.0.1:{self.service.home.api.port}/metrics"
        with urlopen(Request(address, headers={"Accept": "application/openmetrics-text"}), timeout=TIMEOUT_S) as answer:
            families = text_string_to_metric_families(answer.read().decode())
            return {(one.name, frozenset(one.labels.items())): one.value for each in families for one in each.samples}


@pytest.fixture
def neighbourhood(tmp_path: Path) -> Iterator[Neighbourhood]:
    with running(tmp_path) as made:
        yield made


@contextmanager
def running(folder: Path) -> Iterator[Neighbourhood]:
    (folder / "broker").mkdir()
    with Mosquitto(folder / "broker") as broker, front() as hook, sunspec_device(registers()) as port:
        file = folder / "home.toml"
        file.write_text(SMALL + NEIGHBOURS.format(hook=hook.url, port=port, unit=UNIT, api=free_port()))
        service = Service(prepare(load(file)), broker.address(), SteppedClock(NOON_S), stepped_from_s=NOON_S)
        with Client(broker.address(), f"{BASE}/#", "hut/alerts", "hut/permit") as other:
            service.start()
            made = Neighbourhood(service, other, hook, file)
            try:
                made.sees("$state", "ready")
                yield made
            finally:
                hook.hold.set()
                service.stop()
                assert service.join(TIMEOUT_S)
            made.sees("$state", "disconnected")


def test_the_house_is_shown_set_read_and_measured(neighbourhood: Neighbourhood) -> None:
    home = neighbourhood
    home.other.publish("hut/tank", "60")
    home.other.publish("hut/meter", "-2000")
    home.sees("tank/stop-level", "95")
    home.sees("house/order", "surplus")
    # A stop level takes the way of `brimful rule`: checked, written into the file, its comments kept.
    home.other.publish(f"{BASE}/tank/stop-level/set", "90")
    home.sees("tank/stop-level", "90")
    assert "stop_at_pct = 90    # by level, below the thermostat" in home.file.read_text()
    home.other.publish(f"{BASE}/tank/stop-level/set", "101")
    home.sees("$log/warn", lambda said: said.startswith("tank/stop-level is not set to '101': rules.full.stop_at_pct"))
    home.other.publish(f"{BASE}/tank/stop-level/set", "80")
    home.sees("$log/warn", lambda said: "rules.full.resume_below_pct: expected less than stop_at_pct 80 %" in said)
    assert home.service.home.rules.full.stop_at_pct == 90
    # An override takes that of `brimful override`; a stranger's gives no order that a hard guard forbids.
    home.other.publish(f"{BASE}/override/order/set", "surplus")
    home.sees("override/order", "surplus")
    before = home.came
    home.other.publish("hut/tank", "96")
    home.sees("house/order", "withhold", before)
    why = home.ask("why")
    assert (why["order"], why["guard"], why["override"]["order"]) == ("withhold", "full", "surplus")
    home.other.publish(f"{BASE}/override/order/set", "heat")
    home.sees("$log/warn", lambda said: "expected a heater that obeys `heat`" in said)
    before = home.came
    home.other.publish(f"{BASE}/override/order/set", "none")
    home.sees("override/order", "none", before)
    # The device on Modbus is heard like all others, and everything is measured.
    home.service.loop.put(Due("publish"))
    inputs = {one["signal"]: one["value"] for one in home.ask("health")["inputs"]}
    assert inputs["pv_w"] == 2310
    measured = home.measures()
    assert measured["brimful_signal_power_watts", frozenset({("signal", "pv_w")})] == 2310
    assert measured["brimful_tank_limit_ratio", frozenset({("at", "stop")})] == pytest.approx(0.9)
    assert measured["brimful_link_up", frozenset({("link", "reader roof")})] == 1
    assert measured["brimful_link_up", frozenset({("link", "homie device")})] == 1


def test_an_alarm_goes_every_way_and_a_webhook_that_hangs_holds_nobody(neighbourhood: Neighbourhood) -> None:
    home = neighbourhood
    home.hook.hold.clear()
    home.other.publish("hut/permit", "1")  # somebody else's order: an alarm
    told = home.other.inbox.wait(lambda one: one.topic == "hut/alerts")  # type: ignore[attr-defined]
    alert = json.loads(told.payload)  # type: ignore[attr-defined]
    assert (alert["kind"], alert["name"]) == ("alarm", "order topic: main")
    assert not told.retain  # type: ignore[attr-defined]
    home.sees("$alert/order-topic-main", lambda said: "somebody else ordered '1'" in said)
    assert home.hook.asked.acquire(timeout=TIMEOUT_S)
    assert json.loads(home.hook.posts[0]) == alert
    # The webhook hangs now. Meanwhile the loop decides, orders and answers.
    home.other.publish("hut/tank", "60")
    home.other.publish("hut/meter", "-2000")
    home.sees("house/order", "surplus")
    assert home.ask("why")["order"] == "surplus"
    assert home.ask("health")["alerts"] == {"faults": []}
