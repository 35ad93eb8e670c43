"""`brimful run` as people run it: a process of its own, a real broker, the command line beside it."""

import json
import re
import signal
import socket
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from daemon.mqtt.address import BrokerAddress
from tests.support.broker import Client, Mosquitto, free_port
from tests.support.daemon_house import House

pytestmark = pytest.mark.services


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
        said = house.asks("check", str(house.file), "--seconds", "0.1", code=2).stderr
        assert "rules.full.stop_at_pct: expected a number" in said
        state = wire.inbox.wait(
            lambda item: item.topic == "brimful/wren-house/state" and b"is refused" in item.payload  # type: ignore[attr-defined]
        )
        assert "the former settings stay" in json.loads(state.payload)["alarms"][-1]  # type: ignore[attr-defined]
        mark = len(wire.inbox.items)
        house.file.write_text(before.replace("stop_at_pct = 60", "stop_at_pct = 95"))
        house.hup()
        wire.hears("wren/permit", b"yes", skip=mark)

        mark = len(wire.inbox.items)
        assert house.end(signal.SIGTERM) == 0
        wire.hears("wren/permit", b"no", skip=mark)
        wire.hears("brimful/wren-house/daemon", b"disconnected", skip=mark)
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
        house.knows("diverted_wh", 5700)
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
        wire.publish("wren/energy", "5")
        house.knows("diverted_wh", 5)  # so it has heard what came before
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
    house.name_no_broker(port := free_port())
    assert "start: brimful run" in house.asks("listen", str(house.file), code=2).stderr
    house.start("broker on ")
    where = re.search(r"broker on (\S+):(\d+), user brimful, password in (\S+)", "".join(house.said))
    assert where is not None
    assert int(where[2]) == port
    password = Path(where[3]).read_text().strip()
    assert Path(where[3]).stat().st_mode & 0o777 == 0o600
    with Client(BrokerAddress(where[1], port, "brimful", password), "wren/permit") as wire:
        house.says("link=readings up=True")
        wire.publish("wren/level", "70")
        wire.publish("wren/meter", "-1500")
        wire.hears("wren/permit", b"yes")
        wire.publish("wren/level", "70", retain=True)
        heard = json.loads(house.asks("listen", str(house.file), "--seconds", "0.5", "--json").stdout)
        assert heard["topics"]["wren/level"]["payload"] == "70"
        looked = json.loads(house.asks("check", str(house.file), "--seconds", "0.2", "--json", code=1).stdout)["checks"]
        assert "reached" in next(line["sentence"] for line in looked if line["name"] == "broker")
        assert [line["ok"] for line in looked if line["name"] == "signal"][:1] == [False], "no meter speaks just now"
        mark = len(wire.inbox.items)
        assert house.end(signal.SIGTERM) == 0
        wire.hears("wren/permit", b"no", skip=mark)


def test_where_its_own_brokers_port_is_taken_it_refuses_to_start(house: House, broker: Mosquitto) -> None:
    """The house's devices speak to a port they were told: a broker on another one would hear none of them."""
    house.name_no_broker(broker.port)
    told = house.asks("run", str(house.file), code=2).stderr.splitlines()[-1]
    assert told.endswith(
        f"127.0.0.1:{broker.port}: the port is taken by another program; if that is your broker, name it in the home "
        f'file: [broker] with host = "127.0.0.1" and port = {broker.port}; else free the port'
    )
    assert not house.file.with_name("brimful.sqlite").exists()


def test_its_log_can_be_a_json_object_a_line(house: House) -> None:
    """From the cautions on, to the end."""
    house.start('"link": "readings", "up": true', "--log", "json")
    assert house.end(signal.SIGTERM) == 0
    lines = [json.loads(str(line)) for line in house.log.items]
    assert "caution" in lines[0]["message"]
    assert {"heater": "main", "order": "withhold", "guard": "fresh"} in [line["fields"] for line in lines]
