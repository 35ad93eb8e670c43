"""What stands in for the world around a soaked house, and what its devices may say when they fail."""

import json
import os
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import inf

from accounting.timeseries import Point, SendFailed
from accounting.timeseries.outbox import Shipment, carry
from daemon.config.model import Home
from daemon.recording.shipper import Shipping
from daemon.timing.clock import Clock
from daemon.timing.events import Event, Shipped
from rules.model.orders import Order
from tests.support.soak_faults import TEMPERATURES, age_of

START_S = 1_780_272_000.0
"""2026-06-01 00:00 UTC."""
STEP_S = 30.0
WITHIN_S = 30.0
DIVERTER, TANK, METER = "house/diverter", "house/tank", "house/meter"
TOPICS = (METER, "house/roof", "house/battery", TANK, DIVERTER, "house/topup")
ROOMY, FULL_DISK = 1_000_000, 1
BY_POWER = re.compile(r"\[signals\.diverted_wh\][^\[]*")
"""The counter's table, without which the heater is metered by its power."""
HYGIENE = {
    "minimum_level_pct = 80": "minimum_level_pct = 10",
    "enabled = true": "enabled = false",
    'surplus = "yes" }': 'surplus = "yes", heat = "now" }',
    "[rules.rest]": "[rules.hygiene]\nevery_days = 1\n\n[rules.rest]",
}
"""What makes the demo's home heat its whole tank each night, from the grid too."""
EXPORT = re.compile(r"\[\[tariffs\.export\.periods\]\].*?\n\]\n", re.DOTALL)
"""The export prices, in whose place a source comes that gives them ahead."""
BUSIER = {
    "minimum_level_pct = 80": "minimum_level_pct = 10",
    "enabled = true": "enabled = false",
    "stop_at_pct = 95": "stop_at_pct = 50",
    "resume_below_pct = 88": "resume_below_pct = 43",
}
"""What makes the demo's home divert more, and its tank full more often."""
WORDS: tuple[bytes, ...] = (
    b"unavailable",
    b"",
    b"null",
    b"{}",
    b'{"w": "unknown", "t": null}',
    b"\xff\xfe",
    b"[" * 2000,
)
OF_TOPICS = ("silent", "words", "wild", "late", "twice", "spike", "far time")
DISTURBING = ("wild", "words", "late", "spike", "silent", "far time", "two counters")
"""What of the counter's may leave a reset, or which of two counters is the first, unseen."""
UNTIMED = (*OF_TOPICS[1:], "clock", "disk", "two counters", "reset")
"""After which nobody could say to the Wh what a power's reader should have made of it."""
ODD_CLOCK_S = 7200.0 + 1800.0
"""How far the story's clock is set wrong at most, and an interval's length."""
PRICES = ("mad", "drips", "elsewhere", "fails")
FAULTS = (
    *OF_TOPICS * 3,
    *("hot", "hot", "hot", "two levels", "two counters", "two counters", "prices", "prices"),
    *("frozen", "link", "disk", "disk", "series", "clock", "reset", "retained", "override", "override", "rule", "file"),
    *("restart", "kill", "kill"),
)
"""What may befall the house; OF_TOPICS: one of its devices."""
_TOLD = {
    METER: (("grid_w", "w", -1e6, 1e6),),
    TANK: (
        ("tank_level_pct", "level", 0, 110),
        *((name, key, -20, 130) for name, key in TEMPERATURES.items()),
    ),
    DIVERTER: (("diverted_wh", "wh", 0, 1e12),),
}
WILD = (-1e9, "NaN", None, True, 10**30, [], "12 %", -127.0, "on")
WILDER = (*WILD, 1e9, 250.0)
"""What a counter could show, too, and so no fault that a counter's reader can see."""


@dataclass
class Told:
    """What the judge knows of the counter: readings that the daemon certainly took."""

    first_wh: int | None = None
    last_wh: int = 0


@dataclass
class Figures:
    """For the closing line."""

    steps: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    orders: Counter[Order] = field(default_factory=Counter)
    permits: int = 0
    unwritten: int = 0
    checks: int = 0
    prices: int = 0


def readable(topic: str, payload: bytes, utc_s: float, dated: bool) -> tuple[float, dict[str, float]]:
    """A payload's age, s, and the readings in it that can be true, by signal. dated: whether the clock is believed."""
    try:
        told = json.loads(payload)
        age_s = age_of(told["t"], utc_s, dated)
    except (ValueError, TypeError, KeyError, RecursionError):
        return 0.0, {}
    if age_s is None:
        return 0.0, {}
    found = {}
    for name, key, lowest, highest in _TOLD.get(topic, ()):
        value = 1.0 if name == "grid_w" and told.get(key) in (True, "on") else told.get(key)  # a power may be on
        value = 12.0 if name == "tank_level_pct" and value == "12 %" else value
        if isinstance(value, int | float) and not isinstance(value, bool) and lowest <= value <= highest:
            found[name] = value
    return age_s, found


class Killed(BaseException):
    """Ends a loop as a kill does: nothing is written."""


class Line:
    """What a heater's line would have handed to the broker.

    told: the standing order; told_s: when it was last told, forward clock.
    """

    def __init__(self, clock: Clock) -> None:
        self.told = Order.WITHHOLD
        self.told_s = -inf
        self.out: list[bytes] = []
        self._clock = clock

    def send(self, order: Order, watts: int | None) -> None:
        self.told = order
        self.refresh()

    def refresh(self) -> None:
        self.told_s = self._clock.now().mono_s
        self.out.append({Order.WITHHOLD: b"no", Order.SURPLUS: b"yes", Order.HEAT: b"now"}[self.told])


class Server:
    """A time-series database that keeps the last write of each interval. up: whether it answers."""

    def __init__(self) -> None:
        self.up = True
        self.points: dict[tuple[int, str], int] = {}

    def send(self, points: Sequence[Point]) -> None:
        if not self.up:
            raise SendFailed("no answer", lasting=False)
        for point in points:
            self.points[point.at_s, point.tags["heater"]] = int(point.fields["diverted_wh"])

    def close(self) -> None:
        return


class AtOnce:
    """Carries a shipment as the shipping thread does, but at once, so that the same seed tells the same story."""

    def __init__(self, server: Server, put: Callable[[Shipped], None]) -> None:
        self._server, self._put = server, put

    def put(self, shipment: Shipment) -> None:
        self._put(Shipped(carry(self._server, shipment)))


def shipping_at_once(server: Server, home: Home, put: Callable[[Event], None]) -> Shipping:
    """The way to that server, without a thread of its own."""
    made = Shipping(server, home.home.name, put)
    made._shipments = AtOnce(server, put)  # type: ignore[assignment]
    return made


def handles() -> int:
    """How many file handles this process has open."""
    return len(os.listdir("/proc/self/fd"))
