"""A house whose heaters do as they are ordered and whose meters read what comes of it, second by second."""

from dataclasses import dataclass, field
from itertools import pairwise

from accounting.books.booking import Books
from accounting.valuation.settings import BooksSettings, HeaterBooks
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Heater, Settings

START_UTC_S = 1_781_006_400.0


@dataclass(frozen=True)
class Meter:
    """How a heater's power is known. every_s: between two messages; step_wh: the counter's (0: its power is told);
    first_s: when its first message comes."""

    every_s: int
    step_wh: float = 0.0
    first_s: int = 0


@dataclass
class Device:
    """A heater. A gate takes the surplus that it finds, up to its rated power; a modulated one what it is ordered.

    late_s: how long after its order it obeys; relay: a gate that takes its rated power, whatever the surplus.
    """

    heater: Heater
    meter: Meter
    late_s: int = 1
    relay: bool = False
    power_w: float = 0.0
    wh: float = 0.0
    orders: list[tuple[int, Order, int | None]] = field(default_factory=list)

    def obey(self, at_s: int, left_w: float) -> float:
        """Take power for a second. left_w: the surplus that the others leave."""
        past = [order for order in self.orders if order[0] <= at_s - self.late_s]
        _, order, watts = past[-1] if past else (0, Order.WITHHOLD, None)
        if order is Order.WITHHOLD:
            self.power_w = 0.0
        elif self.heater.kind == "modulated":
            self.power_w = float(watts or 0)
        elif self.relay:
            self.power_w = self.heater.rated_w
        else:
            self.power_w = min(max(left_w, 0.0), self.heater.rated_w)
        self.wh += self.power_w / 3600.0
        return self.power_w


class ClosedLoop:
    """The rules and the board over such a house; `imported_w` and `orders` are what came of it, a figure a second."""

    def __init__(self, rules: Settings, devices: list[Device], grid_every_s: int = 5) -> None:
        self.devices = devices
        self.imported_w: list[float] = []
        self._grid_every_s = grid_every_s
        names = [device.heater.name for device in devices]
        counted = [device.meter.step_wh > 0 for device in devices]
        self._signals = [f"diverted_{'wh' if c else 'w'}_{name}" for c, name in zip(counted, names, strict=True)]
        powers = tuple(None if c else s for c, s in zip(counted, self._signals, strict=True))
        counters = tuple(s if c else None for c, s in zip(counted, self._signals, strict=True))
        wiring = Wiring(("grid_w", -1.0), True, powers, counters, None, None, 10.0, 60.0)
        metered = zip(devices, powers, counters, strict=True)
        kept = tuple(HeaterBooks(d.heater.name, d.heater.rated_w, counter, power) for d, power, counter in metered)
        books = Books(BooksSettings(kept))
        self.engine = Engine(rules, Board(rules, wiring), books, Memory())
        self.engine.dated = False
        self._at_s = 0

    def run(self, seconds: int, sun_w: float, house_w: float = 0.0) -> None:
        """So long with this much sun, less what the house takes besides."""
        for at_s in range(self._at_s, self._at_s + seconds):
            surplus_w = sun_w - house_w
            left_w = surplus_w
            for device in sorted(self.devices, key=lambda d: d.heater.kind == "gate"):  # a gate takes what is left
                left_w -= device.obey(at_s, left_w)
            self.imported_w.append(max(-left_w, 0.0))
            heard = {}
            if at_s % 30 == 0:
                heard["tank_level_pct"] = 50.0
            if at_s % self._grid_every_s == 0:
                heard["grid_w"] = -left_w
            for device, signal in zip(self.devices, self._signals, strict=True):
                if at_s % device.meter.every_s == device.meter.first_s % device.meter.every_s:
                    step_wh = device.meter.step_wh
                    heard[signal] = device.wh // step_wh * step_wh if step_wh else device.power_w
            now = Moment(START_UTC_S + at_s, float(at_s))
            for name, value in heard.items():
                self.engine.hear([Reading(name, value, now.utc_s, now.mono_s)], now)
                self._tell(at_s)
            while self.engine.due_s <= now.mono_s:
                self.engine.decide(now)
                self._tell(at_s)
        self._at_s += seconds

    def _tell(self, at_s: int) -> None:
        assert self.engine.decision is not None
        for device, order in zip(self.devices, self.engine.decision.orders, strict=True):
            said = (order.order, order.watts)
            if not device.orders or device.orders[-1][1:] != said:
                device.orders.append((at_s, *said))

    def switchings(self, i: int, from_s: int = 0) -> int:
        """How often a heater was switched on or off."""
        changes = [order for at_s, order, _ in self.devices[i].orders if at_s >= from_s]
        return sum(before is not after for before, after in pairwise(changes))

    def longest_import_s(self, above_w: float = 30.0, from_s: int = 0) -> int:
        """The longest time without a break in which the house bought more than this."""
        longest = now = 0
        for imported_w in self.imported_w[from_s:]:
            now = now + 1 if imported_w > above_w else 0
            longest = max(longest, now)
        return longest

    def imported_wh(self, from_s: int = 0) -> float:
        """What the house bought."""
        return sum(self.imported_w[from_s:]) / 3600.0
