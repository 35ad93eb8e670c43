"""What shows that the tank is hot where no sensor sits at its bottom, and what the stop level kept from being done."""

from typing import Any

import pytest

from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.overriding import set_override
from rules.model.settings import Full, Heater, Hygiene
from rules.model.snapshot import HeatingTimes, Stretch
from tests.support.rules_case import START_UTC_S, House, ruling, settings

HEATS = Heater("main", "gate", 3000.0, 100.0, can_heat=True)
INFERRED = Hygiene("main", measured=False, thermostat_on_c=60.0)
HOUR_S = 3600.0


def heated(rule: Hygiene, *looks: tuple[float, float, float]) -> House:
    """The house after (second, W the heater takes, level) while it is ordered `heat`; idle for 5 min is satisfied, and
    tried again after an hour."""
    it = House(settings(heaters=(HEATS,), hygiene=rule, full=Full(stop_at_pct=97.0)))
    it.memory = set_override(it.memory, Order.HEAT, 1e6)
    for at_s, watts, level in looks:
        it.at(at_s, measured=(watts,), level=level)
    return it


ENDED = ((0.0, 0.0, 80.0), (10.0, 3000.0, 80.0), (1000.0, 3000.0, 93.0), (1010.0, 0.0, 93.0), (1320.0, 0.0, 93.0))
"""It draws, and its thermostat ends that at a high level."""
STILL = ((4930.0, 0.0, 92.0), (4940.0, 0.0, 92.0), (5250.0, 0.0, 92.0))
"""Tried again after an hour, it takes nothing still."""


def last_hot(it: House) -> float | None:
    assert it.memory.hygiene is not None
    hot_s = it.memory.hygiene.last_hot_utc_s
    return None if hot_s is None else hot_s - START_UTC_S


def test_a_thermostat_that_ended_the_heating_and_does_not_begin_again_is_a_hot_tank() -> None:
    assert last_hot(heated(INFERRED, *ENDED)) is None, "once is no hold"
    it = heated(INFERRED, *ENDED, *STILL)
    assert last_hot(it) == 5250.0
    found = next(found for found in it.why().findings if found.guard == "hygiene")
    assert found.sentence.startswith("the whole tank was last hot 0.0 days ago (inferred from the thermostat)")


@pytest.mark.parametrize(
    "rule",
    [
        Hygiene("main", measured=False),
        Hygiene("main", measured=False, thermostat_on_c=58.0),
        Hygiene("main", hold_s=2 * HOUR_S, measured=False, thermostat_on_c=60.0),
    ],
)
def test_not_where_the_thermostat_is_not_known_too_low_or_looked_at_too_soon(rule: Hygiene) -> None:
    assert last_hot(heated(rule, *ENDED, *STILL)) is None


def test_a_heater_that_never_drew_is_no_hot_tank() -> None:
    never = [(at_s, 0.0, level) for at_s, _, level in (*ENDED, *STILL)]
    assert last_hot(heated(INFERRED, *never)) is None


def test_what_it_drew_before_it_was_ordered_to_heat_does_not_count() -> None:
    it = heated(INFERRED, (0.0, 3000.0, 93.0))
    it.again(5.0)
    for at_s, watts, level in (ENDED[3], ENDED[4], *STILL):
        it.at(at_s, measured=(watts,), level=level)
    assert last_hot(it) is None


def test_one_that_draws_again_in_between_is_none() -> None:
    again = ((4930.0, 0.0, 92.0), (4940.0, 3000.0, 92.0), (5000.0, 0.0, 92.0), (5310.0, 0.0, 92.0))
    it = heated(INFERRED, *ENDED, *again)
    assert last_hot(it) is None
    later = ((8920.0, 0.0, 92.0), (8930.0, 0.0, 92.0), (9240.0, 0.0, 92.0))
    assert last_hot(heated(INFERRED, *ENDED, *again, *later)) == 9240.0, "but counts from there"


def test_a_fuse_that_blows_in_a_half_full_tank_is_none() -> None:
    low = [(at_s, watts, level - 10.0) for at_s, watts, level in (*ENDED, *STILL)]
    assert last_hot(heated(INFERRED, *low)) is None


MEASURED = Hygiene("main")
STRETCH = HeatingTimes(hygiene=Stretch(START_UTC_S + 100, START_UTC_S + 10_000))
COLD: dict[str, Any] = {"surplus": -300.0, "times": STRETCH, "top": 62.0, "bottom": 48.0}


def tried(*looks: tuple[float, dict[str, Any]]) -> float | None:
    it = House(settings(heaters=(HEATS,), hygiene=MEASURED, temperatures=("tank_top_c", "tank_bottom_c")), Memory())
    for at_s, known in looks:
        it.at(at_s, **COLD | known)
    assert it.memory.hygiene is not None
    tried_s = it.memory.hygiene.tried_utc_s
    assert (it.memory.hygiene.bottom_c == 48.0) is (tried_s is not None)
    return None if tried_s is None else tried_s - START_UTC_S


def test_an_attempt_that_the_stop_level_ended_is_kept() -> None:
    assert tried((0, {"level": 80.0}), (100, {"level": 80.0}), (900, {"level": 95.0}), (910, {"level": 95.0})) == 910


def test_not_one_that_the_tank_was_too_full_for_from_the_start() -> None:
    assert tried((0, {"level": 95.0}), (100, {"level": 93.0}), (900, {"level": 93.0})) is None


def test_nor_while_the_tank_is_hot_throughout() -> None:
    hot = {"level": 95.0, "bottom": 60.0}
    assert tried((0, {"level": 80.0}), (100, {"level": 80.0}), (900, hot), (910, hot)) is None


def test_a_hold_that_is_complete_clears_it() -> None:
    looks: list[tuple[float, dict[str, Any]]] = [(0, {}), (100, {}), (900, {"level": 95.0}), (910, {"level": 95.0})]
    looks += [(at_s, {"level": 80.0, "bottom": 61.0}) for at_s in range(1000, 3200, 100)]
    assert tried(*looks) is None


def test_a_rule_taken_out_leaves_no_record() -> None:
    it = heated(INFERRED, *ENDED)
    it.settings = settings(heaters=(HEATS,))
    assert ruling(it.at(2000.0))[1] != "hygiene"
    assert it.memory.hygiene is None
