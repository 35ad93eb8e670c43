"""Fresh inputs: no heating without a level, no diversion without a surplus too."""

import math

import pytest

from rules.model.orders import Order
from rules.model.overriding import set_override
from rules.model.reading import NEVER_LIVE_S
from rules.model.settings import Heater
from tests.support.rules_case import House, ruling, settings

CAN_HEAT = Heater("main", "gate", 3000.0, 100.0, can_heat=True)


@pytest.mark.parametrize(
    "known",
    [
        {"level": None},
        {"surplus": None},
        {"seen": {"tank_level_pct": NEVER_LIVE_S}},
        {"seen": {"surplus_w": NEVER_LIVE_S}},
        {"seen": {"tank_level_pct": 400.0}},
        {"seen": {"surplus_w": 980.0}},
        {"level": math.nan},
        {"level": -0.1},
        {"surplus": math.nan, "mean": 500.0},
    ],
)
def test_withholds(known: dict[str, object]) -> None:
    assert ruling(House().at(1000, **known)) == (Order.WITHHOLD, "fresh")


def test_goes_stale_exactly_when_its_age_reaches_the_limit() -> None:
    assert ruling(House().at(1000, seen={"surplus_w": 980.001})) == (Order.SURPLUS, "surplus")
    assert ruling(House().at(1000, seen={"tank_level_pct": 400.001})) == (Order.SURPLUS, "surplus")


def test_a_signal_without_a_limit_is_never_fresh() -> None:
    assert ruling(House(settings(stale_after_s={"surplus_w": 20.0})).at(0)) == (Order.WITHHOLD, "fresh")


def test_heating_needs_the_level_only() -> None:
    it = House(settings(heaters=(CAN_HEAT,)))
    it.memory = set_override(it.memory, Order.HEAT, 5000.0)
    assert ruling(it.at(1000, surplus=None)) == (Order.HEAT, "override")
    assert ruling(it.at(1001, surplus=None, level=None)) == (Order.WITHHOLD, "fresh")


def test_an_override_to_take_surplus_needs_a_fresh_surplus() -> None:
    it = House()
    it.memory = set_override(it.memory, Order.SURPLUS, 5000.0)
    assert ruling(it.at(1000, seen={"surplus_w": 900.0})) == (Order.WITHHOLD, "fresh")


@pytest.mark.parametrize(
    ("known", "sentence"),
    [
        ({"level": None}, "no tank level heard yet"),
        ({"seen": {"tank_level_pct": 280.0}}, "tank level last heard 12 min ago, 10 min allowed"),
        ({"seen": {"surplus_w": 960.0}}, "surplus last heard 40 s ago, 20 s allowed"),
        ({"seen": {"surplus_w": NEVER_LIVE_S}}, "no surplus heard live since the start"),
        ({"level": -5.0}, "tank level reads −5 %, which is impossible"),
        ({"surplus": 5e6}, "surplus reads 5,000,000 W, which is impossible"),
        ({"level": None, "surplus": None}, "no tank level heard yet; no surplus heard yet"),
    ],
)
def test_says_what_is_missing(known: dict[str, object], sentence: str) -> None:
    it = House()
    it.at(1000, **known)
    assert it.why().text == f"Heater off: {sentence}; resumes with the next good reading"
