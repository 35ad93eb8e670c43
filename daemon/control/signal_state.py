"""The latest readings, and what the rules need derived from them: the mean surplus, each heater's power, a level."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, nextafter
from typing import NamedTuple

from daemon.control.derived_power import Mean, Rate
from daemon.control.level_filter import SWING_PCT, LevelHistory
from rules.decision.lull import Lull
from rules.model.orders import Decision, HeaterOrder, Order
from rules.model.reading import NEVER_LIVE_S, Reading
from rules.model.settings import Settings, Yield
from rules.model.signals import SIGNALS, TEMPERATURES
from rules.model.snapshot import HeatingTimes, Prices, Snapshot
from rules.tank.charge import level_reading

_IMPORT_W = 50.0
"""Beyond this the grid meter's word goes before a guess: less is how a heater that follows the surplus swings."""

_LEVEL = "tank_level_pct"
_POWER = SIGNALS["surplus_w"]
_ROUNDED_W, _ROUNDED_WH = 1e-3, 1.0
"""More than the mean of powers can leave the range of them by rounding, and than a sum of energies can be wrong by."""
_MOST = 1.1
"""Of its rated power, what a heater is seen to take."""
Ranges = dict[str, tuple[float, float] | None]
"""By signal, the values that a reading may have, both included; None: none may come. Others may have any."""

NO_HEATING_TIMES = HeatingTimes()


@dataclass(frozen=True, slots=True)
class Wiring:
    """Which signals tell what, of those the home file names.

    surplus: the signal that gives the surplus, and the factor that gives its sign; level: whether the tank tells its
    level itself; powers, counters: for each heater, in the order of the settings, the signal that tells its power or
    its energy (None: nothing does); house_power, house_counter: the same for all heaters together, where they share
    one meter; cold_c, hot_c: the temperatures of an empty and of a full tank.
    """

    surplus: tuple[str, float]
    level: bool
    powers: tuple[str | None, ...]
    counters: tuple[str | None, ...]
    house_power: str | None
    house_counter: str | None
    cold_c: float
    hot_c: float

    @property
    def used(self) -> frozenset[str]:
        """The signals that can matter to a decision, besides the one that another load is known by."""
        meters = (*self.powers, *self.counters, self.house_power, self.house_counter)
        return frozenset(
            {self.surplus[0], _LEVEL, "battery_w", "battery_level_pct", *TEMPERATURES, *filter(None, meters)}
        )


class Still(NamedTuple):
    """What rows of readings may hold while they change nothing. ranges: their values; step: a signal, its last value,
    and than what it moves by less from each row to the next; until_s: the rows come before this second."""

    ranges: Ranges
    step: tuple[str, float, float]
    until_s: float


class Board:
    """What is known now. Readings older than the one on the board change nothing here (the books still take them).

    `note` each reading of a message, then `update` once: what is derived goes by all of them together.
    level, surplus, mean_w: what the rules see of them, as of the last `update`.
    """

    def __init__(self, settings: Settings, wiring: Wiring) -> None:
        self.latest: dict[str, Reading] = {}
        self._powers: dict[str, Reading] = {}
        self._steady: dict[str, Reading] = {}
        rated_w = [heater.rated_w for heater in settings.heaters]
        counters = (*zip(wiring.counters, rated_w, strict=True), (wiring.house_counter, sum(rated_w)))
        self._rates = {name: Rate(most_w) for name, most_w in counters if name}
        powers = zip((*wiring.powers, wiring.house_power), (*wiring.counters, wiring.house_counter), strict=True)
        self._counter_of = {power: counter for power, counter in powers if power and counter}
        self._metering = self._counter_of.keys() | self._rates.keys()
        self.surplus: Reading | None = None
        self._surplus_due = False
        self.level: Reading | None = None
        self._level_due = False
        self._level_history = LevelHistory(settings)
        self.mean_w: float | None = None
        self._window: tuple[float, float] | None = None
        self._yields: Yield | None = None
        self._yield_above_seen_s = NEVER_LIVE_S
        self._is_on: tuple[bool, ...] = ()
        self.adopt(settings, wiring)

    def adopt(self, settings: Settings, wiring: Wiring) -> None:
        """Take changed rules; the readings stay. wiring: of the same signals as before."""
        self._wiring = wiring
        self._meters = tuple(
            (power or "", counter or "") for power, counter in zip(wiring.powers, wiring.counters, strict=True)
        )
        self._shared_meter = (wiring.house_power or "", wiring.house_counter or "")
        self._surplus_signal, self._surplus_sign = wiring.surplus
        self._stale_after_s: Mapping[str, float] = settings.stale_after_s
        self._adopt_yields(settings.yields)
        self._importing_w = min(settings.surplus.stop_w, 0.0) - _IMPORT_W
        self._rated_w = tuple(heater.rated_w for heater in settings.heaters)
        self._level_history.adopt(settings)
        window = (settings.surplus.over_s, settings.stale_after_s.get(self._surplus_signal, 60.0))
        if window != self._window:
            self._window, self._mean = window, Mean(*window)
        self.update()

    def note(self, reading: Reading) -> None:
        """Put a reading on the board."""
        name = reading.signal
        standing = self.latest.get(name)
        if standing is not None and reading.seen_s < standing.seen_s:
            return
        self.latest[name] = reading
        if name == self._surplus_signal:
            self._surplus_due = True
        elif name == _LEVEL:
            self._level_due = True
        elif name in self._metering:
            self._note_meter(name, reading)
        if self._yields is not None and name == self._yields.signal:
            self._note_yielding(standing, reading, self._yields.above_w)

    def _note_meter(self, name: str, reading: Reading) -> None:
        """Work a heater's power out from its counter, unless a power of its own is heard."""
        if name in self._counter_of:
            # Where the power is heard, none is worked out from the counter any more.
            self._rates.pop(self._counter_of.pop(name), None)
            self._metering = self._counter_of.keys() | self._rates.keys()
        elif name in self._rates and reading.seen_s != NEVER_LIVE_S:
            rate = self._rates[name]
            power = rate.note(reading)
            if power is not None and rate.steady is not None:
                self._powers[name] = power
                self._steady[name] = rate.steady

    def _note_yielding(self, standing: Reading | None, reading: Reading, above_w: float) -> None:
        """Remember that the load that goes first draws, or that it drew until this reading.

        standing: the reading before it; what it showed held until now, unless it had gone stale.
        """
        fresh_s = self._stale_after_s.get(reading.signal, 0.0)
        drew = standing is not None and standing.value > above_w and reading.seen_s < standing.seen_s + fresh_s
        if reading.value > above_w or drew:
            self._yield_above_seen_s = reading.seen_s

    def _adopt_yields(self, yields: Yield | None) -> None:
        """Take a changed rule: what is remembered of another load, or by another limit, does not count for it."""
        was, self._yields = self._yields, yields
        if yields is None or (was is not None and (was.signal, was.above_w) == (yields.signal, yields.above_w)):
            return
        known = self.latest.get(yields.signal)
        self._yield_above_seen_s = known.seen_s if known is not None and known.value > yields.above_w else NEVER_LIVE_S

    def ordered(self, decision: Decision, at_s: float) -> None:
        """Take what the heaters are ordered now: what a counter says between its steps is read by it."""
        is_on = tuple(order.order is not Order.WITHHOLD for order in decision.orders)
        if is_on == self._is_on or not self._rates:
            return
        was_on, self._is_on = self._is_on, is_on
        left_w = (self.mean_w or 0.0) - self._diverted_w(at_s)
        for i, ((_, counter), order) in enumerate(zip(self._meters, decision.orders, strict=True)):
            rate = self._rates.get(counter)
            if rate is not None and (len(was_on) != len(is_on) or was_on[i] is not is_on[i]):
                rate.switched(is_on[i], at_s, self._expected_w(i, order, left_w))
        shared = self._rates.get(self._shared_meter[1])
        if shared is not None and any(was_on) is not any(is_on):
            shared.switched(any(is_on), at_s, left_w)

    def left_alone(self) -> None:
        """The heaters get no orders any more: none of them says what a counter's heater draws."""
        self._is_on = ()
        for rate in self._rates.values():
            rate.left_alone()

    def _expected_w(self, i: int, order: HeaterOrder, left_w: float) -> float:
        """What a heater will draw, W, as far as its order and the surplus show."""
        if order.order is Order.HEAT:
            return self._rated_w[i]
        return left_w if order.watts is None else float(order.watts)

    def update(self) -> None:
        """Derive what the rules need, once all readings of a message have been noted."""
        latest, wiring, history = self.latest, self._wiring, self._level_history
        if self._surplus_due:
            self._note_surplus(latest[self._surplus_signal])
        if not wiring.level:
            top, mid, bottom = (latest.get(name) for name in TEMPERATURES)
            self.level = history.derived(level_reading(top, mid, bottom, wiring.cold_c, wiring.hot_c))
            return
        if self._level_due:
            self._level_due = False
            self.level = history.measured(latest[_LEVEL])

    def snapshot(self, prices: Prices, times: HeatingTimes = NO_HEATING_TIMES) -> Snapshot:
        """What the rules may look at now, as of the last `update`."""
        latest, yields, history = self.latest, self._yields, self._level_history
        return Snapshot(
            level=self.level,
            surplus=self.surplus,
            surplus_mean_w=self.mean_w,
            measured=tuple([self.measured(i) for i in range(len(self._meters))]),
            battery=latest.get("battery_w"),
            battery_level=latest.get("battery_level_pct"),
            yielding=latest.get(yields.signal) if yields is not None else None,
            yield_above_seen_s=self._yield_above_seen_s,
            top=latest.get("tank_top_c"),
            mid=latest.get("tank_mid_c"),
            bottom=latest.get("tank_bottom_c"),
            prices=prices,
            level_taken_wh=history.taken_wh,
            level_since_s=history.since_s,
            level_jumps=history.jumps,
            level_swings=history.swings,
            heating_times=times,
        )

    def measured(self, i: int) -> Reading | None:
        """What heater `i` takes, W, by its own meter; None where none has shown it."""
        power, counter = self._meters[i]
        return self.latest.get(power) or self._powers.get(counter)

    @property
    def level_taken_wh(self) -> float:
        """What the heaters have taken since the level last changed, Wh."""
        return self._level_history.taken_wh

    def steady(self, lull: Lull) -> Still | None:
        """What rows of readings may hold and change nothing of this lull; None where the next one may change something.

        What the heaters take counts as surplus: where the mean may not fall too low, the least power and the least
        surplus together are enough; where it may not rise too high, they take nothing.
        """
        level_pct = self._level_history.steady_pct
        if (
            self._rates
            or self._yields is not None
            or not self._wiring.level
            or level_pct is None
            or self.surplus is None
        ):
            return None
        step = _LEVEL, level_pct, SWING_PCT
        ranges: Ranges = {_LEVEL: (lull.level_from_pct, nextafter(lull.level_below_pct, -inf))}
        if lull.silent is not None:
            return Still(ranges | {self._surplus_signal: None}, step, inf)
        least_w, most_w = lull.mean_from_w + _ROUNDED_W, lull.mean_below_w - _ROUNDED_W
        if not self._mean.is_within(least_w, most_w):
            return None
        powers = [power for power, _ in (*self._meters, self._shared_meter) if power in self.latest]
        power_w = lull.idle_w, _MOST * sum(self._rated_w) if most_w == inf else 0.0
        ranges |= dict.fromkeys(powers, power_w)
        if powers:
            least_w -= max(lull.idle_w, 0.0)
        ends_w = self._surplus_sign * max(least_w, _POWER.lowest), self._surplus_sign * min(most_w, _POWER.highest)
        ranges[self._surplus_signal] = min(ends_w), max(ends_w)
        taken_w = len(powers) * power_w[1]
        left_h = (lull.most_taken_wh - self.level_taken_wh - _ROUNDED_WH) / taken_w if taken_w else inf
        return Still(ranges, step, self.surplus.seen_s + left_h * 3600.0)

    def hear_all(self, seen_s: Sequence[float], values: Mapping[str, Sequence[float]]) -> None:
        """Note and update for rows (at least one) that are `steady`, in order of time; values by signal, of each row
        one."""
        for name, course in values.items():
            self.latest[name] = Reading(name, course[-1], seen_s[-1], seen_s[-1])
        taken_wh = [0.0] * len(seen_s)
        if self._surplus_signal in values:
            surplus_w = [value * self._surplus_sign + 0.0 for value in values[self._surplus_signal]]
            self.surplus = Reading(self._surplus_signal, surplus_w[-1], seen_s[-1], seen_s[-1])
            if drawn_w := self._drawn_w(values):
                held_s = self._mean.holds(seen_s)
                taken_wh = [power_w * for_s / 3600.0 for power_w, for_s in zip(drawn_w, held_s, strict=True)]
                surplus_w = [left_w + power_w for left_w, power_w in zip(surplus_w, drawn_w, strict=True)]
            self.mean_w = self._mean.note_all(seen_s, surplus_w)
        self.level = self._level_history.measured_all(_LEVEL, seen_s, values[_LEVEL], taken_wh)

    def _drawn_w(self, values: Mapping[str, Sequence[float]]) -> list[float]:
        """`_diverted_w` of each of these rows, which have all powers that are heard; empty where it is 0 in all."""
        meters = (self._shared_meter,) if self._shared_meter[0] in self.latest else self._meters
        courses = [values[power] for power, _ in meters if power in values]
        total_w: list[float] = []
        for course in courses:
            if max(course) > 0.0:
                total_w = total_w or [0.0] * len(course)
                total_w = [sum_w + max(power_w, 0.0) for sum_w, power_w in zip(total_w, course, strict=True)]
        return total_w

    def _note_surplus(self, reading: Reading) -> None:
        self._surplus_due = False
        surplus_w = reading.value * self._surplus_sign
        self.surplus = Reading(reading.signal, surplus_w, reading.at_s, reading.seen_s)
        seen_s = reading.seen_s
        if seen_s == NEVER_LIVE_S:
            return
        power_w = self._diverted_w(seen_s, surplus_w)
        self.mean_w = self._mean.note(seen_s, surplus_w + power_w)
        if power_w:
            self._level_history.taken_wh += power_w * self._mean.held_s / 3600.0

    def _diverted_w(self, seen_s: float, surplus_w: float | None = None) -> float:
        """W all heaters take, as far as fresh meters show. surplus_w: what the grid meter reads beside them.

        Where a counter's power is held between its steps, the grid meter knows better: while the house buys, nothing
        is diverted; and what is sold meanwhile was not taken.
        """
        latest, steady, total_w = self.latest, self._steady, 0.0
        power, counter = self._shared_meter
        shared = power in latest or counter in steady
        for power, counter in (self._shared_meter,) if shared else self._meters:
            # As its power shows it, else steadily by its counter.
            reading = latest.get(power) or steady.get(counter)
            if reading is not None and seen_s < reading.seen_s + self._stale_after_s.get(reading.signal, 60.0):
                power_w = reading.value
                if surplus_w is not None and counter in self._rates and self._rates[counter].held:
                    if surplus_w < self._importing_w:
                        continue
                    if surplus_w > 0 and power_w == self._rates[counter].guess_w:
                        power_w -= surplus_w
                total_w += max(power_w, 0.0)
        return total_w
