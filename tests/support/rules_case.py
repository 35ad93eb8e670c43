"""A small house for tests of the rules: readings in, orders out, one memory through time."""

from dataclasses import replace
from typing import Any

from rules.decision.deadlines import due
from rules.decision.decide import decide
from rules.decision.explain import Explanation, explain
from rules.model.memory import Memory
from rules.model.orders import Decision, Order
from rules.model.reading import Moment, Reading
from rules.model.settings import Heater, Settings
from rules.model.snapshot import HeatingTimes, Prices, Snapshot

START_UTC_S = 1_781_006_400.0
"""2026-06-09 12:00 UTC, 13:00 in Dublin."""
STALE_AFTER_S = {
    "tank_level_pct": 600.0,
    "surplus_w": 20.0,
    "tank_top_c": 600.0,
    "tank_mid_c": 600.0,
    "tank_bottom_c": 600.0,
    "diverted_w": 60.0,
    "diverted_w_lower": 60.0,
    "battery_w": 60.0,
    "battery_level_pct": 600.0,
    "car_w": 60.0,
}
GATE = Heater("main", "gate", 3000.0, 100.0)
MODULATED = Heater("main", "modulated", 3000.0, 100.0)


def settings(**changes: Any) -> Settings:
    """Settings of a house with one gate, in Dublin, in euros; fields as given."""
    return replace(Settings((GATE,), STALE_AFTER_S, timezone="Europe/Dublin", currency="EUR"), **changes)


def moment(at_s: float) -> Moment:
    """The instant `at_s` seconds after the start: the forward clock shows `at_s`."""
    return Moment(START_UTC_S + at_s, at_s)


def reading(signal: str, value: float | None, seen_s: float) -> Reading | None:
    """A reading heard at `seen_s`; None for no value."""
    return None if value is None else Reading(signal, value, START_UTC_S + seen_s, seen_s)


def snapshot(
    at_s: float,
    *,
    level: float | None = 50.0,
    surplus: float | None = 1000.0,
    mean: float | None = None,
    measured: tuple[float | None, ...] = (None,),
    top: float | None = None,
    mid: float | None = None,
    bottom: float | None = None,
    battery: float | None = None,
    battery_level: float | None = None,
    car: float | None = None,
    car_above_s: float = float("-inf"),
    prices: Prices | None = None,
    times: HeatingTimes | None = None,
    seen: dict[str, float] | None = None,
) -> Snapshot:
    """What is known at `at_s`, every reading heard then unless `seen` gives another second for its signal.

    mean: the surplus unless given.
    """
    seen = seen or {}

    def heard(signal: str, value: float | None) -> Reading | None:
        return reading(signal, value, seen.get(signal, at_s))

    powers = tuple(heard("diverted_w" if i == 0 else "diverted_w_lower", value) for i, value in enumerate(measured))
    return Snapshot(
        heard("tank_level_pct", level),
        heard("surplus_w", surplus),
        surplus if mean is None else mean,
        powers,
        heard("battery_w", battery),
        heard("battery_level_pct", battery_level),
        heard("car_w", car),
        car_above_s,
        heard("tank_top_c", top),
        heard("tank_mid_c", mid),
        heard("tank_bottom_c", bottom),
        prices or Prices(),
        heating_times=times or HeatingTimes(),
    )


class House:
    """Decides through time with one memory."""

    def __init__(self, rules: Settings | None = None, memory: Memory | None = None) -> None:
        self.settings = rules if rules is not None else settings()
        self.memory = memory if memory is not None else Memory()
        self.snapshot = Snapshot()
        self.now = moment(0.0)

    def at(self, at_s: float, **known: Any) -> Decision:
        """Decide at `at_s` on a snapshot of these readings."""
        return self.on(snapshot(at_s, **known), at_s)

    def on(self, known: Snapshot, at_s: float) -> Decision:
        """Decide at `at_s` on this snapshot."""
        self.snapshot, self.now = known, moment(at_s)
        decision, self.memory = decide(known, self.settings, self.memory, self.now)
        return decision

    def again(self, at_s: float) -> Decision:
        """Decide at `at_s` on the snapshot that is known already."""
        return self.on(self.snapshot, at_s)

    def due_s(self) -> float:
        """When time alone may change the last decision."""
        return due(self.snapshot, self.settings, self.memory, self.now)

    def why(self, heater: str | None = None) -> Explanation:
        """The reasons of the last decision."""
        return explain(self.snapshot, self.settings, self.memory, self.now, heater)


def ruling(decision: Decision, i: int = 0) -> tuple[Order, str]:
    """A heater's order and the guard that decided it."""
    return decision.orders[i].order, decision.orders[i].guard
