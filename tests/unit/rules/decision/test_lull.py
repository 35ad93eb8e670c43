"""What ends a lull: each reading that may change the decision, and nothing less."""

from dataclasses import replace

import pytest

from rules.decision.decide import decide
from rules.decision.lull import Lull, lull
from rules.model.memory import HeaterMemory, Memory, Override
from rules.model.orders import Decision, HeaterOrder, Order
from rules.model.reading import NEVER_LIVE_S
from rules.model.settings import Battery, Settings, Tank, Yield
from tests.support.rules_case import MODULATED, moment, reading, settings, snapshot

HOME = settings(tank=Tank(180.0, 9000.0, 50.0))


def after(rules: Settings = HOME, memory: Memory | None = None, **known: float) -> Lull | None:
    """The lull after a decision at 0 s. known: as in `snapshot`."""
    seen = snapshot(0.0, **known)  # type: ignore[arg-type]
    _, remembered = decide(seen, rules, memory or Memory(), moment(0.0))
    return lull(seen, rules, remembered, moment(0.0))


def lasts_s(
    known: Lull | None,
    *,
    level: float | None = 50.0,
    surplus: float = 0.0,
    mean: float | None = 0.0,
    taken_wh: float = 0.0,
    now_s: float = 5.0,
    level_seen_s: float = 5.0,
    measured: float | None = None,
) -> float | None:
    assert known is not None
    charge, power = reading("tank_level_pct", level, level_seen_s), reading("surplus_w", surplus, 5.0)
    return known.due_s(charge, power, mean, reading("diverted_w", measured, 5.0), taken_wh, now_s)


def test_it_lasts_until_the_surplus_may_be_too_old() -> None:
    assert lasts_s(after(surplus=0.0)) == 25.0


@pytest.mark.parametrize(
    "change",
    [
        {"mean": 200.0},
        {"mean": None},
        {"level": 95.0},
        {"level": None},
        {"level": -1.0},
        {"surplus": 1e7},
        {"taken_wh": 9001.0},
        {"now_s": 25.0},
        {"level_seen_s": -595.0},
        {"level_seen_s": NEVER_LIVE_S},
    ],
)
def test_what_may_change_the_decision_ends_it(change: dict[str, float]) -> None:
    assert lasts_s(after(surplus=0.0), **change) is None


def test_short_of_that_it_goes_on() -> None:
    known = after(surplus=0.0)
    assert lasts_s(known, now_s=24.9) == 25.0
    assert lasts_s(known, mean=199.9, level=94.9, taken_wh=9000.0, level_seen_s=-594.0) == 6.0


def test_while_the_tank_is_full_the_surplus_does_not_matter() -> None:
    known = after(level=96.0, surplus=3000.0)
    assert lasts_s(known, level=88.0, surplus=3000.0, mean=3000.0) == 25.0
    assert lasts_s(known, level=100.0, surplus=3000.0, mean=3000.0) == 25.0
    assert lasts_s(known, level=87.9) is None
    assert lasts_s(known, level=110.1) is None


def test_a_heater_that_takes_surplus_goes_on_until_it_may_have_to_stop() -> None:
    known = after(surplus=900.0)
    assert lasts_s(known, mean=0.0, measured=30.0, level=94.9) == 25.0
    assert lasts_s(known, mean=900.0) == 25.0
    assert lasts_s(known, mean=-0.1) is None
    assert lasts_s(known, mean=900.0, level=95.0) is None
    assert lasts_s(known, mean=900.0, measured=29.9) is None


def test_a_heater_that_may_be_switched_off_by_itself_or_whose_watts_may_change_has_none() -> None:
    on = Decision((HeaterOrder("main", Order.SURPLUS, "surplus"),))
    memory = Memory(decision=on, heaters=(HeaterMemory(since_s=-60.0),))
    seen = snapshot(0.0, surplus=900.0, measured=(10.0,))
    decision, remembered = decide(seen, HOME, memory, moment(0.0))
    assert decision == on
    assert lull(seen, HOME, memory, moment(0.0)) is not None
    assert remembered.heaters[0].idle_since_s == 0.0
    assert lull(seen, HOME, remembered, moment(0.0)) is None
    assert after(replace(HOME, heaters=(MODULATED,)), surplus=900.0) is None


def test_a_surplus_that_is_silent_is_waited_for() -> None:
    seen = replace(snapshot(0.0, surplus=900.0), level=reading("tank_level_pct", 50.0, 100.0))
    _, remembered = decide(seen, HOME, Memory(), moment(100.0))
    known = lull(seen, HOME, remembered, moment(100.0))
    assert known is not None
    charge = reading("tank_level_pct", 60.0, 100.0)
    assert known.due_s(charge, seen.surplus, 900.0, None, 0.0, 150.0) == 700.0
    assert known.due_s(charge, reading("surplus_w", 900.0, 150.0), 900.0, None, 0.0, 150.0) is None
    assert known.due_s(charge, seen.surplus, 900.0, None, 0.0, 700.0) is None


def test_more_that_may_change_has_none() -> None:
    assert after(surplus=0.0, top=50.0) is None
    assert after(surplus=0.0, memory=Memory(override=Override(Order.WITHHOLD, 60.0))) is None
    assert after(replace(HOME, battery=Battery(maximum_discharge_w=100.0)), surplus=0.0, battery=0.0) is None
    assert after(replace(HOME, yields=Yield("car_w", 100.0, 60.0)), surplus=0.0) is None
