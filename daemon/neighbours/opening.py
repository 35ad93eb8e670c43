"""Makes a home's neighbours from its home file; nothing is started, and no library of an extra is imported."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from accounting.model.periods import local_day
from daemon.config import neighbours as tables
from daemon.config.model import Home
from daemon.config.readers import READER, ForecastReader, SunSpecReader
from daemon.config.readers import Reader as ReaderTable
from daemon.config.secrets import plug_in_options, read_secret, read_secret_lines
from daemon.mqtt.address import BrokerAddress
from daemon.neighbours.alert_channels import Channel, Notification, Topic, Webhook
from daemon.neighbours.alerts import Alerts, Courier
from daemon.neighbours.homie_device import HomieDevice
from daemon.neighbours.readers.forecast import Forecast
from daemon.neighbours.readers.polling import Poller, Reader
from daemon.neighbours.readers.streams import NetworkStream, SerialStream
from daemon.neighbours.readers.sunspec import SunSpec
from daemon.neighbours.readers.telegrams import SmlTelegrams, Telegrams, TextTelegrams
from daemon.timing.clock import Clock
from daemon.timing.events import Ask, Due, Event
from rules.alarms import Alarm
from rules.model.reading import Moment


class Publish(Protocol):
    """How a message is handed to the broker; says whether it could be."""

    def __call__(self, topic: str, payload: bytes, qos: int, /) -> bool: ...


@dataclass(frozen=True, slots=True)
class Ways:
    """What neighbours have of the daemon.

    home: the home file as it holds now; put: hands the loop an event, from any thread; publish: on the listening
    connection; hear: takes a reader's topic and document; clock: the house's.
    """

    home: Callable[[], Home]
    put: Callable[[Event], None]
    publish: Publish
    hear: Callable[[str, bytes], None]
    clock: Clock


@dataclass(frozen=True, slots=True)
class Neighbours:
    """All that a home has: homie None and empty where it has none. `start`, then `show` after each change, `stop`."""

    homie: HomieDevice | None
    alerts: Alerts
    pollers: Sequence[Poller]

    @property
    def want_to_see(self) -> bool:
        """Whether anybody looks at what `show` is given."""
        return self.homie is not None or bool(self.alerts.couriers)

    @property
    def faults(self) -> list[str]:
        """A sentence for each that does not do its work just now; links say it themselves."""
        return self.alerts.faults

    def start(self) -> None:
        """Begin; returns at once."""
        self.alerts.start()
        if self.homie is not None:
            self.homie.start()
        for poller in self.pollers:
            poller.start()

    def show(
        self,
        why: Mapping[str, Any],
        today: Mapping[str, Any] | None,
        alarms: Sequence[Alarm],
        faults: Mapping[str, str],
        now: Moment,
    ) -> None:
        """Say how the house is; returns at once. why, today: as for the page; faults: as for `Alerts.look`."""
        if self.homie is not None:
            self.homie.show(why, today)
        self.alerts.look(alarms, faults, now)

    def stop(self) -> None:
        """End all of them, each whether or not the one before it failed."""
        with ExitStack() as ends:
            for poller in self.pollers:
                ends.callback(poller.stop)
            if self.homie is not None:
                ends.callback(self.homie.close)
            ends.callback(self.alerts.stop)


def open_neighbours(broker: BrokerAddress, ways: Ways) -> Neighbours:
    """The home's neighbours. Raises BrimfulError for a secret that cannot be read."""
    home = ways.home()
    alerts = [Courier(_channel(home, number, alert, ways), alert.what) for number, alert in enumerate(home.alerts, 1)]
    pollers = [
        Poller(name, reader(home, name, table, ways.clock), _pace_s(table), partial(ways.hear, READER + name), ways.put)
        for name, table in home.readers.items()
    ]
    return Neighbours(_homie(broker, home, ways), Alerts(home.home.name, alerts), pollers)


def _homie(broker: BrokerAddress, home: Home, ways: Ways) -> HomieDevice | None:
    if home.homie is None:
        return None

    def wish(name: str, arguments: dict[str, Any]) -> "Future[Any]":
        asked = Ask(name, arguments)
        ways.put(asked)
        return asked.answer

    return HomieDevice(
        broker,
        ways.home,
        domain=home.homie.domain,
        settable=home.homie.settable,
        wish=wish,
        done=lambda: ways.put(Due("publish")),
        emit=ways.put,
    )


def _channel(home: Home, number: int, alert: tables.Alert, ways: Ways) -> Channel:
    if isinstance(alert, tables.MqttAlert):
        return Topic(alert.topic, ways.publish)
    return sending(home, number, alert)


def sending(home: Home, number: int, alert: tables.Webhook | tables.Notify) -> Webhook | Notification:
    """The way of the so-manieth alert that needs no broker. Raises BrimfulError for a secret that cannot be read."""
    key = f"alerts[#{number}]"
    if isinstance(alert, tables.Webhook):
        return Webhook(alert.url, read_secret(home, f"{key}.token_file", alert.token_file, ""), alert.within_s)
    return Notification(read_secret_lines(home, f"{key}.urls_file", alert.urls_file))


def reader(home: Home, name: str, table: ReaderTable, clock: Clock) -> Reader:
    """What reads the device of [readers.NAME]; nothing is opened yet."""
    if isinstance(table, SunSpecReader):
        return SunSpec(table.host, table.port, table.unit, _models(home, name))
    if isinstance(table, ForecastReader):

        def options() -> dict[str, Any]:
            return plug_in_options(home, f"readers.{name}.secret_file", table.options, table.secret_file)

        return Forecast(table.source, lambda: _today(home, clock), options)
    framing = SmlTelegrams() if table.format == "sml" else TextTelegrams()
    if table.host is not None and table.port is not None:
        return Telegrams(partial(NetworkStream, table.host, table.port), framing, table.within_s)
    return Telegrams(partial(SerialStream, str(home.path_of(table.device or "")), table.baud), framing, table.within_s)


def _models(home: Home, name: str) -> set[str]:
    """The SunSpec models that signals ask for: the first step of their pointers."""
    asked = [source for source in home.signals.values() if source.topic == READER + name]
    pointers = [pointer for source in asked for pointer in (source.pointer, source.minus_pointer or "") if pointer]
    return {pointer.split("/")[1] for pointer in pointers}


def _pace_s(table: ReaderTable) -> float:
    return table.every_s if isinstance(table, SunSpecReader | ForecastReader) else 0.0


def _today(home: Home, clock: Clock) -> date:
    return local_day(clock.now().utc_s, ZoneInfo(home.home.timezone))
