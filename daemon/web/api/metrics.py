"""What `/metrics` says: the house as it is now, in the OpenMetrics text format, for a collector of measurements.

Names begin with `brimful_` and end in their unit: base units as OpenMetrics asks (watts, joules, degrees Celsius,
seconds, ratios of 1, cubic metres), but prices and carbon per kilowatt-hour, as people read them. Money carries its
currency as a label. Nothing here is a secret: no paths, topics, addresses or payloads. What nobody has sent has no
sample.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from daemon.web.server.live_state import Picture
from rules.model.orders import Order
from rules.model.signals import Signal, find

if TYPE_CHECKING:
    from prometheus_client.core import Metric

WH_J = 3600.0
"""Joules in a watt-hour."""


_PER_KWH = "per_kilowatt_hour"


@dataclass(frozen=True, slots=True)
class _Family:
    """How a unit is exposed: `brimful_signal_WHAT_UNIT`, the factor from the signal's own unit, the help."""

    what: str
    unit: str
    factor: float
    about: str
    counts: bool = False

    @property
    def name(self) -> str:
        return f"brimful_signal_{self.what}_{self.unit}"


_BY_UNIT = {
    ("gauge", "W"): _Family("power", "watts", 1.0, "Power as heard; signs as the signal's name says."),
    ("gauge", "%"): _Family("level", "ratio", 0.01, "Level as heard, 1 is full."),
    ("gauge", "°C"): _Family("temperature", "celsius", 1.0, "Temperature as heard."),
    ("gauge", "Wh"): _Family("forecast", "joules", WH_J, "Energy forecast as heard; 3.6e6 J a kWh."),
    ("gauge", "kg/kWh"): _Family("carbon", f"kilograms_{_PER_KWH}", 1.0, "Carbon of a grid kWh, CO2e."),
    ("price", "per kWh"): _Family("price", f"money_{_PER_KWH}", 1.0, "Price as heard, in the home's currency."),
    ("counter", "Wh"): _Family("energy", "joules", WH_J, "The meter's own count as heard; 3.6e6 J a kWh.", True),
    ("counter", "L"): _Family("water", "cubic_meters", 0.001, "Water counter as heard.", True),
}


def exposition(picture: Picture, accept: str) -> tuple[bytes, str]:
    """The house as text, and its media type: OpenMetrics where `accept` (the request's header) takes it, else the
    older plain text."""
    from prometheus_client import CollectorRegistry  # only a house that is asked for it needs this
    from prometheus_client.exposition import choose_encoder

    class _Now:
        def collect(self) -> Iterator["Metric"]:
            return families(picture)

    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Now())
    encode, kind = choose_encoder(accept)
    return encode(registry), kind


def families(picture: Picture) -> Iterator["Metric"]:
    """Every metric of the house."""
    from prometheus_client.metrics_core import InfoMetricFamily

    about = InfoMetricFamily("brimful", "The program and the home it looks after.")
    about.add_metric([], {"version": version("brimful"), "home": picture.home.home.name})
    yield about
    yield from _orders(picture)
    yield from _inputs(picture)
    yield from _money(picture)
    yield from _soundness(picture)


def _orders(picture: Picture) -> Iterator["Metric"]:
    from prometheus_client.metrics_core import StateSetMetricFamily

    standing = StateSetMetricFamily("brimful_heater_order", "The order each heater stands under.", labels=["heater"])
    for heater in picture.why["heaters"]:
        standing.add_metric([heater["heater"]], {order.value: heater["order"] == order.value for order in Order})
    yield standing
    watts = [(heater["heater"], heater["watts"]) for heater in picture.why["heaters"]]
    yield _gauge("brimful_heater_ordered_watts", "Power a modulated heater is allowed.", "watts", "heater", watts)
    full = picture.home.rules.full
    limits = [("stop", full.stop_at_pct / 100), ("resume", full.resume_pct / 100)]
    yield _gauge("brimful_tank_limit_ratio", "Levels at which heating stops and resumes.", "ratio", "at", limits)
    override = picture.why["override"]
    left_s = [] if override is None else [(override["order"], override["ends_in_s"])]
    yield _gauge("brimful_override_left_seconds", "Time an override still lasts.", "seconds", "order", left_s)


def _inputs(picture: Picture) -> Iterator["Metric"]:
    inputs = [
        (reading, signal)
        for reading in picture.why["inputs"]
        if (signal := _signal(picture, reading["signal"])) is not None
    ]
    for (kind, unit), family in _BY_UNIT.items():
        heard = [
            (reading["signal"], reading["value"] * family.factor)
            for reading, signal in inputs
            if (signal.kind, signal.unit) == (kind, unit)
        ]
        make = _counter if family.counts else _gauge
        yield make(family.name, family.about, family.unit, "signal", heard)
    ages = [(reading["signal"], reading["age_s"]) for reading, _ in inputs]
    yield _gauge("brimful_signal_age_seconds", "Age of each signal's latest reading.", "seconds", "signal", ages)
    limits = [(reading["signal"], reading["stale_after_s"]) for reading, _ in inputs]
    about = "Age from which a signal's reading no longer counts."
    yield _gauge("brimful_signal_stale_after_seconds", about, "seconds", "signal", limits)


def _signal(picture: Picture, name: str) -> Signal | None:
    found = find(name, picture.home.heaters)
    return None if found is None else found[0]


def _money(picture: Picture) -> Iterator["Metric"]:
    currency = picture.home.home.currency
    prices = [(name, value) for name, value in picture.why["prices"].items()]
    unit = f"money_{_PER_KWH}"
    about = f"Prices in force, {currency}; heat_value is what a diverted kWh displaces."
    yield _gauge(f"brimful_price_{unit}", about, unit, "price", prices)
    today = picture.today
    if today is None:
        return
    from prometheus_client.metrics_core import GaugeMetricFamily

    about = "Energy diverted since local midnight, by the books; 3.6e6 J a kWh."
    diverted = GaugeMetricFamily("brimful_today_diverted_joules", about, unit="joules")
    diverted.add_metric([], today["diverted_kwh"] * 1000 * WH_J)
    yield diverted
    about = "Worth of what was diverted today: purchase avoided, export given up, and net of these and what was bought."
    worth = GaugeMetricFamily("brimful_today_money", about, labels=["part", "currency"])
    for part in ("avoided", "given_up", "net"):
        worth.add_metric([part, currency], today[part])
    yield worth


def _soundness(picture: Picture) -> Iterator["Metric"]:
    alarms = [(alarm["name"], 1) for alarm in picture.why["alarms"]]
    yield _gauge("brimful_alarm", "1 for each alarm that stands.", "", "alarm", alarms)
    health = picture.health
    if health is None:
        return
    links = [(name, int(link["up"])) for name, link in health["links"].items()]
    yield _gauge("brimful_link_up", "Whether a connection to the broker is up.", "", "link", links)
    payloads = health["payloads"]
    came = [(tally["signal"], tally["received"]) for tally in payloads]
    yield _counter("brimful_payloads", "Messages received since the start.", "", "signal", came)
    refused = [(tally["signal"], sum(tally["refused"].values())) for tally in payloads]
    yield _counter("brimful_payloads_refused", "Messages since the start that gave no reading.", "", "signal", refused)
    passed_over = [("all", health["queue"]["passed_over_readings"])]
    about = "Readings since the start passed over for newer ones."
    yield _counter("brimful_readings_passed_over", about, "", "of", passed_over)
    waiting = [("readings", health["queue"]["waiting_readings"]), ("intervals", health["books"]["outbox"])]
    about = "What waits: readings to be dealt with, intervals to be sent to the time-series database."
    yield _gauge("brimful_waiting", about, "", "what", waiting)
    written = health["books"]["written_at_s"]
    about = "Unix time at which the ledger was last written."
    yield _gauge("brimful_ledger_written_timestamp_seconds", about, "seconds", "ledger", [("books", _unix_s(written))])
    faults = {
        "books": health["books"]["fault"],
        "clock": health["clock"]["fault"],
        "timeseries": (health["timeseries"] or {}).get("fault"),
        "backup": (health["backup"] or {}).get("fault"),
        "prices": health["prices"]["faults"],
        "alerts": health["alerts"]["faults"],
        "home_file": health["home_file"]["fault"],
    }
    states = [(name, int(bool(fault))) for name, fault in faults.items()]
    yield _gauge("brimful_fault", "1 where a part does not do its work; brimful check says why.", "", "part", states)


def _unix_s(written: float | str | None) -> float | None:
    return datetime.fromisoformat(written).timestamp() if isinstance(written, str) else written


Samples = Iterable[tuple[str, float | None]]


def _gauge(name: str, about: str, unit: str, label: str, samples: Samples) -> "Metric":
    from prometheus_client.metrics_core import GaugeMetricFamily

    return _filled(GaugeMetricFamily(name, about, labels=[label], unit=unit), samples)


def _counter(name: str, about: str, unit: str, label: str, samples: Samples) -> "Metric":
    from prometheus_client.metrics_core import CounterMetricFamily

    return _filled(CounterMetricFamily(name, about, labels=[label], unit=unit), samples)


def _filled(family: Any, samples: Samples) -> "Metric":
    add: Callable[[list[str], float], None] = family.add_metric
    for label, value in samples:
        if value is not None:
            add([label], float(value))
    filled: Metric = family
    return filled
