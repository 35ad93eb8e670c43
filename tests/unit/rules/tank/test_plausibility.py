"""What a tank's level can do and what not, and what becomes of a level that stands still though it cannot."""

from dataclasses import replace
from typing import Any

import pytest

from rules.model.orders import Order
from rules.model.overriding import set_override
from rules.model.reading import Reading
from rules.model.settings import Heater, Settings, Tank
from rules.tank.plausibility import most_wh, moved_too_far
from tests.support.rules_case import House, ruling, settings

TANK = Tank(200.0, 9304.0, 50.0)
"""200 kg by 40 K hold 9.304 kWh at 1.163 Wh/(kg K), 4.1868 kJ over 3.6 (the international table calorie)."""
CAN_HEAT = Heater("main", "gate", 3000.0, 100.0, can_heat=True)


def level(value: float, seen_s: float) -> Reading:
    return Reading("tank_level_pct", value, seen_s, seen_s)


@pytest.mark.parametrize(
    ("to_pct", "after_s", "too_far"),
    [
        (75.0, 0.0, False),  # a sensor of four steps
        (75.1, 0.0, True),
        (85.0, 60.0, False),  # 10 % a minute more
        (85.1, 60.0, True),
        (25.0, 0.0, False),
        (24.9, 0.0, True),
        (10.0, 60.0, False),  # 30 L of 200 L a minute more
        (9.9, 60.0, True),
        (0.0, 600.0, False),  # after a gap it may be anywhere
        (110.0, 600.0, False),
        (75.1, -5.0, True),
    ],
)
def test_how_far_a_level_can_go(to_pct: float, after_s: float, too_far: bool) -> None:
    assert moved_too_far(level(50.0, 1000.0), level(to_pct, 1000.0 + after_s), 200.0) is too_far


def test_a_small_tank_empties_sooner() -> None:
    before, after = level(90.0, 0.0), level(20.0, 60.0)
    assert moved_too_far(before, after, 200.0)
    assert not moved_too_far(before, after, 60.0)


def test_the_most_that_leaves_a_level_as_it_was() -> None:
    rules = settings(tank=TANK)
    assert most_wh(rules, 0.0) == 1.5 * 9304.0
    assert most_wh(rules, 86_400.0) == 1.5 * 9304.0 + 24 * 50.0
    assert most_wh(settings(), 0.0) == float("inf")


class Fed(House):
    """A house whose level has stood still since second 0."""

    def fed(self, at_s: float, taken_wh: float, level_pct: float = 50.0, **known: Any) -> tuple[Order, str]:
        self.at(at_s, level=level_pct, **known)
        return ruling(self.on(replace(self.snapshot, level_taken_wh=taken_wh, level_since_s=0.0), at_s))


def frozen_house(rules: Settings | None = None) -> Fed:
    it = Fed(rules or settings(tank=TANK))
    assert it.fed(36_000, 1.5 * 9304 + 500) == (Order.SURPLUS, "surplus")  # 50 W lost over 10 h
    assert it.memory.frozen is None
    assert it.fed(36_000, 1.5 * 9304 + 501) == (Order.WITHHOLD, "fresh")
    return it


def test_a_level_that_stands_still_while_the_tank_is_filled_over_and_over_is_not_believed() -> None:
    it = frozen_house()
    assert it.why().text == (
        "Heater off: tank level has read 50 % since 13:00 although the heaters have put in 14.5 kWh,"
        " more than the whole tank can hold; resumes when the level reads anything other than 50 %"
    )
    # It stays so: by time, by silence, by the same value again, and where nothing is counted any more.
    assert it.fed(37_000, 0.0) == (Order.WITHHOLD, "fresh")
    assert it.fed(38_000, 0.0, seen={"tank_level_pct": 100.0}) == (Order.WITHHOLD, "fresh")
    assert it.fed(38_010, 0.0, seen={"tank_level_pct": 100.0}, level_pct=70.0) == (Order.WITHHOLD, "fresh")
    assert it.memory.frozen is not None
    assert it.fed(39_000, 0.0, level_pct=50.1) == (Order.SURPLUS, "surplus")
    assert it.memory.frozen is None


def test_no_override_heats_by_a_frozen_level() -> None:
    it = frozen_house(settings(tank=TANK, heaters=(CAN_HEAT,)))
    it.memory = set_override(it.memory, Order.HEAT, 1e6)
    assert it.fed(37_000, 0.0) == (Order.WITHHOLD, "fresh")
    assert it.fed(37_010, 0.0, level_pct=50.1) == (Order.HEAT, "override")


def test_without_a_tank_described_no_level_is_called_frozen() -> None:
    it = Fed(settings())
    assert it.fed(36_000, 1e9) == (Order.SURPLUS, "surplus")


def test_deciding_again_on_a_frozen_level_makes_no_objects() -> None:
    it = frozen_house()
    memory = it.memory
    it.again(36_000)
    assert it.memory is memory
