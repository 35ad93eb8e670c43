"""What a running daemon takes anew from its home file, and what a question that goes wrong may not do."""

import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.control.engine import Engine
from daemon.mqtt.address import BrokerAddress
from daemon.runtime.registry import question
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Ask, Heard, Tick
from daemon.web.api import client
from daemon.web.api.client import Refused
from rules.model.errors import BrimfulError
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from tests.support.broker import free_port
from tests.support.served import Served

NOON_S = 1_780_000_000.0 - 1_780_000_000.0 % 1800
WITHIN_S = 30.0

HOME = """\
[home]
name = "Plover Barn"
timezone = "Australia/Adelaide"
currency = "AUD"

[signals.grid_w]
topic = "barn/meter"

[signals.tank_top_c]
topic = "barn/top"

[signals.diverted_wh_upper]
topic = "barn/upper/wh"

[signals.diverted_wh_lower]
topic = "barn/lower/wh"

[heaters.upper]
kind = "gate"
rated_w = 1200
topic = "barn/upper/order"
orders = { withhold = "off", surplus = "on" }

[heaters.lower]
kind = "gate"
rated_w = 3000
topic = "barn/lower/order"
orders = { withhold = "off", surplus = "on" }

[tank]
volume_l = 315
hot_c = 60

[rules.rest]
minimum_on_s = 0
minimum_off_s = 0

[rules.heaters]
prefer = ["upper", "lower"]

"""


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """A running daemon whose broker is not there, on a clock that stands."""
    path = tmp_path / "home.toml"
    path.write_text(f"{HOME}\n[api]\nport = {free_port()}\n", encoding="utf-8")
    nobody = BrokerAddress("127.0.0.1", free_port())
    made = Service(prepare(load(path)), nobody, SteppedClock(NOON_S), stepped_from_s=NOON_S)
    made.start()
    yield made
    made.stop()
    assert made.join(WITHIN_S)


def hear(service: Service, **values: float) -> None:
    service.loop.put(Heard(tuple(Reading(name, value, NOON_S, NOON_S) for name, value in values.items())))
    pass_time(service)


def pass_time(service: Service) -> None:
    tick = Tick()
    service.loop.put(tick)
    tick.done.result(WITHIN_S)


def ask(service: Service, name: str, **arguments: Any) -> Any:
    answer: Future[Any] = Future()
    service.loop.put(Ask(name, arguments, answer))
    return answer.result(WITHIN_S)


def orders(service: Service) -> dict[str, str]:
    return {told["heater"]: told["order"] for told in ask(service, "why")["heaters"]}


class Line:
    """Remembers what a heater was told."""

    def __init__(self) -> None:
        self.told: list[Order] = []

    def send(self, order: Order, watts: int | None) -> None:
        self.told.append(order)

    def refresh(self) -> None:
        """The same order again: no news."""


def test_another_order_of_preference_reaches_each_heater_by_its_name(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = {"upper": Line(), "lower": Line()}
    monkeypatch.setattr(service.controller, "_lines", lines)
    hear(service, tank_top_c=40.0, grid_w=-2000.0)
    assert orders(service) == {"upper": "surplus", "lower": "withhold"}
    ask(service, "rule", rule="heaters", set={"prefer": "lower,upper"})
    assert list(orders(service)) == ["lower", "upper"]
    assert orders(service) == {"lower": "surplus", "upper": "withhold"}
    assert lines["upper"].told == [Order.SURPLUS, Order.WITHHOLD]
    assert lines["lower"].told == [Order.SURPLUS]


def test_the_loop_gives_each_heater_the_line_of_its_name(service: Service) -> None:
    ask(service, "rule", rule="heaters", set={"prefer": "lower,upper"})
    engine: Engine = service.controller.engine
    assert [heater.name for heater in engine.settings.heaters] == ["lower", "upper"]
    assert [(name, line.name) for name, line in service.controller._lines.items()] == [  # type: ignore[attr-defined]
        ("upper", "upper"),
        ("lower", "lower"),
    ]


def test_a_changed_tank_changes_the_level_derived_from_its_temperatures(service: Service) -> None:
    hear(service, tank_top_c=50.0, grid_w=-2000.0)
    level = service.controller.engine.snapshot.level
    assert level is not None
    assert level.value == pytest.approx(80.0)
    change(service, "hot_c = 60", "hot_c = 50")
    level = service.controller.engine.snapshot.level
    assert level is not None
    assert level.value == pytest.approx(100.0)
    assert orders(service) == {"upper": "withhold", "lower": "withhold"}


def test_another_lateness_waits_for_a_restart_and_the_rest_holds_at_once(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    change(service, "[rules.heaters]", "[books]\nlate_s = 300\nused = 0.5\n\n[rules.heaters]")
    assert service.home.books.late_s == 120
    assert float(service.home.books.used) == 0.5
    assert "changes that wait for a restart: books.late_s" in caplog.text


def change(service: Service, old: str, new: str) -> None:
    """Edit the home file as its owner would, and let the daemon look."""
    file = service.home.file
    file.write_text(file.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    service.parts.home_file.look(service.parts.clock.now())


def test_a_sensor_that_tells_nonsense_is_left_out_of_the_derived_level(service: Service) -> None:
    hear(service, tank_top_c=-19.9, grid_w=-2000.0)
    known = service.controller.engine.snapshot.level
    assert known is not None
    assert known.value == 0.0
    service.loop.put(Heard((Reading("tank_top_c", 200.0, NOON_S, NOON_S),)))
    hear(service)
    assert service.controller.engine.snapshot.level is None


@pytest.mark.parametrize(
    "arguments",
    [
        {"order": "surplus", "for_s": 60, "heater": ["upper"]},
        {"order": "surplus", "for_s": 10**400, "heater": None},
        {"order": "surplus", "for_s": float("nan"), "heater": None},
        {"order": "surplus", "for_s": True, "heater": None},
        {"order": ["surplus"], "for_s": 60, "heater": None},
        {"order": "surplus", "heater": None},
    ],
)
def test_an_override_that_makes_no_sense_is_refused_in_words(service: Service, arguments: dict[str, Any]) -> None:
    with pytest.raises(BrimfulError, match="expected"):
        ask(service, "override", **arguments)
    assert ask(service, "why")["override"] is None


def test_a_question_that_fails_unforeseen_fails_alone(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setitem(service.loop.commands._by_name, "why", question("why", broken))
    with pytest.raises(Refused, match="why: expected an answer, got ZeroDivisionError; see the daemon's log"):
        client.ask(service.home.file, "GET", "/api/why")
    assert client.ask(service.home.file, "GET", "/api/health")["schema"] == "brimful.health/1"


def test_what_was_not_answered_in_time_is_not_done_later() -> None:
    asked: list[Ask] = []
    with Served(within_s=0.05, put=asked.append) as served:
        answer = served.http("GET", "/api/why")
    assert answer.status == 503
    assert answer.json["error"]["text"].endswith("nothing was done")
    assert not asked[0].answer.set_running_or_notify_cancel()


def test_in_a_house_that_is_all_silent_the_alarms_still_come(tmp_path: Path) -> None:
    path = tmp_path / "home.toml"
    path.write_text(f"{HOME}\n[api]\nport = {free_port()}\n", encoding="utf-8")
    clock = SteppedClock(NOON_S)
    service = Service(prepare(load(path)), BrokerAddress("127.0.0.1", free_port()), clock, stepped_from_s=NOON_S)
    service.start()
    try:
        pass_time(service)  # the first look, from which silence counts
        clock.move_to(NOON_S + 3600)
        pass_time(service)
        assert [alarm.name for alarm in service.controller.alarms] == [
            "level silent",
            "surplus silent",
            "temperature silent: tank_top_c",
        ]
    finally:
        service.stop()
        assert service.join(WITHIN_S)


def test_what_fails_at_the_end_keeps_nothing_else_from_ending(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken() -> None:
        raise ZeroDivisionError

    closed = threading.Event()
    close = service.keeper.close
    monkeypatch.setattr(service.parts.connections.outputs, "off", broken)
    monkeypatch.setattr(service.keeper, "close", lambda: (close(), closed.set()))
    service.stop()
    with pytest.raises(ZeroDivisionError):
        service.join(WITHIN_S)
    assert closed.is_set()
    service._failure = None


def test_prices_are_looked_up_anew_when_the_clock_is_set_back(service: Service) -> None:
    engine = service.controller.engine
    looked: list[float] = []
    at = engine.books.prices_at
    engine.books.prices_at = lambda utc_s: looked.append(utc_s) or at(utc_s)  # type: ignore[method-assign, func-returns-value]
    now = service.parts.clock.now()
    for utc_s in (now.utc_s + 60, now.utc_s - 86_400, now.utc_s - 86_340):
        engine.decide(Moment(utc_s, now.mono_s))
    assert looked == [now.utc_s - 86_400]
