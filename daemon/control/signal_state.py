"""The latest readings, and what the rules need derived from them: the mean surplus, each heater's power, a level."""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from daemon.control.level_filter import LevelHistory
from rules.model.orders import Decision, HeaterOrder, Order
from rules.model.reading import NEVER_LIVE_S, Reading
from rules.model.settings import Settings
from rules.model.snapshot import Prices, Snapshot
from rules.tank.charge import TEMPERATURES, level_reading

RATE_OVER_S = 60.0
"""A heater's power is read off its counter over this long, so that coarse counters do not look like pulses."""
_MOST = 1.1
"""Of its rated power, what a heater can be seen to take."""
_COARSEST_WH = 100.0
"""The largest step of a counter that is read for power."""
_SAME_RUN_S = 3600.0
"""Two steps of a counter that lie further apart tell of two runs of the heater, and nothing of its power."""
_USUAL_STEP_WH = 10.0
"""A counter's step until its first is seen (common practice, no source)."""
_IMPORT_W = 50.0
"""Beyond this the grid meter's word goes before a guess: less is how a heater that follows the surplus swings."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """Which signals tell what, of those the home file names.

    surplus: the signal that tells the surplus, and the factor that gives its sign; level: whether the tank tells its
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
        """The signals that can matter to a decision, besides the one another load is told by."""
        told = (*self.powers, *self.counters, self.house_power, self.house_counter)
        return frozenset(
            {self.surplus[0], "tank_level_pct", "battery_w", "battery_level_pct", *TEMPERATURES, *filter(None, told)}
        )


class Mean:
    """Mean of a power over a window, each reading standing for the time since the one before it.

    held_s: for how long the latest stands.
    """

    def __init__(self, over_s: float, longest_hold_s: float) -> None:
        self.held_s = 0.0
        self._over_s = over_s
        self._longest_hold_s = longest_hold_s
        self._held: deque[tuple[float, float, float]] = deque()  # (read at, held for, W)
        self._last_s = NEVER_LIVE_S

    def note(self, seen_s: float, power_w: float) -> float:
        """Add a reading and return the mean over the window that ends with it."""
        self.held_s = hold_s = min(seen_s - self._last_s, self._longest_hold_s)
        self._last_s = seen_s
        if hold_s >= self._over_s:
            self._held.clear()
            self._held.append((seen_s, hold_s, power_w))
            return power_w
        self._held.append((seen_s, hold_s, power_w))
        start_s = seen_s - self._over_s
        while self._held[0][0] <= start_s:
            self._held.popleft()
        energy = covered_s = 0.0
        for read_s, held_s, held_w in self._held:
            inside_s = min(held_s, read_s - start_s)
            energy += inside_s * held_w
            covered_s += inside_s
        return energy / covered_s if covered_s > 0 else power_w


class Rate:
    """Power read off a counter, W: its step over the last RATE_OVER_S, or since its first reading.

    A counter that stands still at readings between its steps shows nothing, then too much. For it `steady` is the power
    from one step to the next, held until the next is overdue, and less from then on; for others it is the power.
    A heater that was switched on is taken to draw what it was expected to until its second step (`guess_w`); one that
    was switched off draws nothing from the first reading at which its counter stands still.
    rated_w: what the heaters it counts take together; held: whether `steady` is such a guess, or held between steps.
    """

    def __init__(self, rated_w: float) -> None:
        self.steady: Reading | None = None
        self.held = False
        self.guess_w = 0.0
        self._most_w = _MOST * rated_w
        self._marks: deque[tuple[float, float]] = deque()  # (read at, Wh)
        self._stepped: tuple[float, float] | None = None  # the last step: (read at, its Wh)
        self._stood_still = False
        self._held_w = 0.0
        self._is_off = False
        self._waits_for = 0  # steps until the power is known after switching on
        self._since_s = NEVER_LIVE_S  # the last of them, or the switching
        self._step_wh = _USUAL_STEP_WH

    def switched(self, on: bool, at_s: float, expected_w: float) -> None:
        """The heaters it counts were ordered on, to draw about expected_w, or off."""
        self._is_off = not on
        self._waits_for = 2 if on else 0
        self._since_s = at_s
        self.guess_w = min(max(expected_w, 0.0), self._most_w) if on else 0.0

    def note(self, reading: Reading) -> Reading | None:
        """Add a counter's live reading; returns the power, None where it tells none.

        After a step back, or one that the heaters cannot have taken, it begins anew: the books find out what it was.
        """
        marks = self._marks
        self.steady = None
        self.held = False
        if marks and reading.value < marks[-1][1]:
            self._begin_anew()
        if marks:
            step_wh = reading.value - marks[-1][1]
            if step_wh == 0 and self._is_off:
                self._begin_anew()
                marks.append((reading.seen_s, reading.value))
                self.steady = Reading(reading.signal, 0.0, reading.at_s, reading.seen_s)
                return self.steady
            self._look_for_step(reading.seen_s, step_wh)
        marks.append((reading.seen_s, reading.value))
        while len(marks) > 2 and marks[1][0] <= reading.seen_s - RATE_OVER_S:
            marks.popleft()
        from_s, from_wh = marks[0]
        if reading.seen_s <= from_s:
            return None
        hours = (reading.seen_s - from_s) / 3600.0
        step_wh = reading.value - from_wh
        if step_wh > self._most_w * hours + _COARSEST_WH:
            self._begin_anew()
            marks.append((reading.seen_s, reading.value))
            return None
        power = Reading(reading.signal, min(step_wh / hours, self._most_w), reading.at_s, reading.seen_s)
        self.steady = power
        if self._waits_for:
            since_s = reading.seen_s - self._since_s
            overdue_w = self._step_wh * 3600.0 / since_s if since_s > 0 else self.guess_w
            self._hold(reading, min(self.guess_w, overdue_w))
        elif self._held_w and self._stepped is not None:
            stepped_s, step_wh = self._stepped
            overdue_w = step_wh * 3600.0 / (reading.seen_s - stepped_s) if reading.seen_s > stepped_s else self._held_w
            self._hold(reading, min(self._held_w, overdue_w))
        return power

    def _hold(self, reading: Reading, power_w: float) -> None:
        self.steady = Reading(reading.signal, power_w, reading.at_s, reading.seen_s)
        self.held = True

    def _begin_anew(self) -> None:
        self._marks.clear()
        self._stepped = None
        self._stood_still = False
        self._held_w = 0.0

    def _look_for_step(self, seen_s: float, step_wh: float) -> None:
        if step_wh == 0:
            self._stood_still = True
            return
        if self._waits_for:
            self._waits_for -= 1
            self._since_s = seen_s
        self._step_wh = step_wh
        self._held_w = 0.0
        if self._stepped is not None and self._stood_still:
            apart_s = seen_s - self._stepped[0]
            if RATE_OVER_S < apart_s <= _SAME_RUN_S:
                self._held_w = min(step_wh * 3600.0 / apart_s, self._most_w)
        self._stepped = (seen_s, step_wh)
        self._stood_still = False


class Board:
    """What is known now. Readings older than the one on the board change nothing here (the books still take them).

    level, surplus, mean_w: what the rules see of them, as of the last `renew`.
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
        self.surplus: Reading | None = None
        self._surplus_due = False
        self.level: Reading | None = None
        self._level_told: Reading | None = None
        self._level_history = LevelHistory(settings)
        self.mean_w: float | None = None
        self._window: tuple[float, float] | None = None
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
        self._yields = settings.yields
        self._importing_w = min(settings.surplus.stop_w, 0.0) - _IMPORT_W
        self._rated_w = tuple(heater.rated_w for heater in settings.heaters)
        self._level_history.adopt(settings)
        window = (settings.surplus.over_s, settings.stale_after_s.get(self._surplus_signal, 60.0))
        if window != self._window:
            self._window, self._mean = window, Mean(*window)

    def note(self, reading: Reading) -> None:
        """Put a reading on the board."""
        name = reading.signal
        standing = self.latest.get(name)
        if standing is not None and reading.seen_s < standing.seen_s:
            return
        self.latest[name] = reading
        if name == self._surplus_signal:
            self._surplus_due = True
        elif name in self._counter_of:
            # Where the power is told, none is read off the counter any more.
            self._rates.pop(self._counter_of.pop(name), None)
        elif name in self._rates and reading.seen_s != NEVER_LIVE_S:
            rate = self._rates[name]
            power = rate.note(reading)
            if power is not None and rate.steady is not None:
                self._powers[name] = power
                self._steady[name] = rate.steady
        if self._yields is not None and name == self._yields.signal and reading.value > self._yields.above_w:
            self._yield_above_seen_s = reading.seen_s

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

    def _expected_w(self, i: int, order: HeaterOrder, left_w: float) -> float:
        """What a heater will draw, W, as far as its order and the surplus tell."""
        if order.order is Order.HEAT:
            return self._rated_w[i]
        return left_w if order.watts is None else float(order.watts)

    def renew(self) -> None:
        """Work out the mean surplus and the level that the newest readings give."""
        latest = self.latest
        if self._surplus_due:
            self._note_surplus(latest[self._surplus_signal])
        wiring, history = self._wiring, self._level_history
        if wiring.level:
            told = latest.get("tank_level_pct")
            if told is not None and told is not self._level_told:
                self._level_told = told
                self.level = history.told(told)
        else:
            top, mid, bottom = latest.get("tank_top_c"), latest.get("tank_mid_c"), latest.get("tank_bottom_c")
            self.level = history.derived(level_reading(top, mid, bottom, wiring.cold_c, wiring.hot_c))

    def snapshot(self, prices: Prices) -> Snapshot:
        """What the rules may look at now."""
        self.renew()
        latest, yields, history = self.latest, self._yields, self._level_history
        return Snapshot(
            self.level,
            self.surplus,
            self.mean_w,
            tuple([latest.get(power) or self._powers.get(counter) for power, counter in self._meters]),
            latest.get("battery_w"),
            latest.get("battery_level_pct"),
            latest.get(yields.signal) if yields is not None else None,
            self._yield_above_seen_s,
            latest.get("tank_top_c"),
            latest.get("tank_mid_c"),
            latest.get("tank_bottom_c"),
            prices,
            history.taken_wh,
            history.since_s,
            history.jumps,
            history.swings,
        )

    @property
    def level_taken_wh(self) -> float:
        """What the heaters have taken since the level last told another value, Wh."""
        return self._level_history.taken_wh

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
        """W all heaters take, as far as fresh meters tell. surplus_w: what the grid meter reads beside them.

        Where a counter's power is held between its steps, the grid meter knows better: while the house buys, nothing
        is diverted; and what is sold meanwhile was not taken.
        """
        latest, steady, total_w = self.latest, self._steady, 0.0
        power, counter = self._shared_meter
        shared = power in latest or counter in steady
        for power, counter in (self._shared_meter,) if shared else self._meters:
            # As its power tells it, else steadily off its counter.
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
