"""Readers, plug-ins, alerts and the Homie device: lines of `check`."""

from collections.abc import Iterator
from contextlib import closing

from daemon.assembly.endpoints import read_sources
from daemon.config.model import Home
from daemon.config.money import PluggedIn
from daemon.config.neighbours import MqttAlert
from daemon.config.readers import READER, ForecastReader
from daemon.inputs.decode import Decoded, decode_all
from daemon.inputs.plug_ins import FORECAST_SOURCES, PRICE_SOURCES, load
from daemon.neighbours.alert_channels import Notification, NotSent
from daemon.neighbours.homie_document import device_id
from daemon.neighbours.opening import reader, sending
from daemon.neighbours.readers.polling import ReadFailed, document
from daemon.timing.clock import Clock
from daemon.web.api.client import NotRunning, ask
from rules.model.errors import BrimfulError
from rules.model.signals import find

Line = tuple[str, bool, str]


def neighbour_lines(home: Home, clock: Clock) -> Iterator[Line]:
    """What was looked at, whether it is well, and a sentence. A device is read once, unless the daemon reads it now."""
    yield from _plug_ins(home)
    if home.readers:
        if _runs(home):
            yield "readers", True, f"the running daemon reads {', '.join(home.readers)}; its links say how that goes"
        else:
            for name in home.readers:
                yield from _read(home, name, clock)
    yield from _alerts(home)
    if home.homie is not None:
        may = (
            "whoever may publish there may set the stop level and an override"
            if home.homie.settable
            else "it only shows"
        )
        yield "homie", True, f"device {home.homie.domain}/5/{device_id(home)}: {may}"


def _runs(home: Home) -> bool:
    try:
        ask(home.file, "GET", "/api/health")
    except NotRunning:
        return False
    except BrimfulError:
        pass
    return True


def _plug_ins(home: Home) -> Iterator[Line]:
    wanted = [(PRICE_SOURCES, key, live.source) for key, live in home.fed.items() if isinstance(live, PluggedIn)]
    wanted += [
        (FORECAST_SOURCES, f"readers.{name}", table.source)
        for name, table in home.readers.items()
        if isinstance(table, ForecastReader)
    ]
    for group, key, name in wanted:
        try:
            load(group, name)
        except Exception as failed:  # importing it may raise anything
            said = str(failed) if isinstance(failed, ValueError) else f"importing it failed: {type(failed).__name__}"
            yield "plug-in", False, f"{key}: {said}; is it installed beside brimful?"
        else:
            yield "plug-in", True, f"{key}: {name} is installed"


def _read(home: Home, name: str, clock: Clock) -> Iterator[Line]:
    sources = [source for source in read_sources(home) if source.topic == READER + name]
    with closing(reader(home, name, home.readers[name], clock)) as device:
        try:
            payload = document(device.read())
        except ReadFailed as failed:
            yield "reader", False, f"{name}: {failed}"
            return
    for source, answer in zip(sources, decode_all(payload, sources), strict=True):
        known = find(source.signal, home.heaters)
        unit = known[0].unit if known is not None else ""
        if isinstance(answer, Decoded):
            yield "signal", True, f"{source.signal}: {answer.value:.10g} {unit} from reader {name}"
        else:
            keys = f"see signals.{source.signal}.pointer"
            yield "signal", False, f"{source.signal}: refused from reader {name}: {answer.reason}; {keys}"


def _alerts(home: Home) -> Iterator[Line]:
    for number, alert in enumerate(home.alerts, 1):
        if isinstance(alert, MqttAlert):
            yield "alerts", True, f"topic {alert.topic}: {' and '.join(alert.what)}"
            continue
        try:
            way = sending(home, number, alert)
            if isinstance(way, Notification):
                way.must_be_usable()
        except (BrimfulError, NotSent) as failed:
            yield "alerts", False, f"alerts[#{number}]: {failed}"
        else:
            yield "alerts", True, f"{way.name}: {' and '.join(alert.what)}; nothing was sent to try it"
