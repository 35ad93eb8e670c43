"""Named conditions, announced once while they last."""

from typing import Any

import pytest

from rules.alarms import Watched, watch
from rules.model.orders import Order
from rules.model.overriding import set_override
from rules.model.settings import Full, Heater, Worth, Yield
from rules.model.snapshot import Prices
from tests.support.rules_case import House, ruling, settings


class Watch(House):
    """A house with somebody looking."""

    watched = Watched()

    def names(self, at_s: float, **known: Any) -> list[str]:
        self.at(at_s, **known)
        alarms, self.watched = watch(self.snapshot, self.settings, self.memory, self.watched, self.now)
        return [alarm.name for alarm in alarms]


def test_a_quiet_house_is_quiet_and_makes_no_objects() -> None:
    it = Watch()
    assert it.names(0, measured=(800.0,)) == []
    watched = it.watched
    assert it.names(10, measured=(800.0,)) == []
    assert it.watched is watched


def test_withheld_but_drawing() -> None:
    it = Watch()
    assert it.names(0, measured=(800.0,)) == []
    for at_s in range(10, 130, 10):
        assert it.names(at_s, surplus=-500.0, measured=(800.0,)) == []
    assert it.names(130, surplus=-500.0, measured=(800.0,)) == ["withheld but drawing"]
    first = it.watched.alarms[0]
    assert first.since_s == 10
    assert "draws 800 W though it is withheld" in first.sentence
    assert it.names(140, surplus=-500.0, measured=(900.0,)) == ["withheld but drawing"]
    assert it.watched.alarms[0] is first
    assert it.names(150, surplus=-500.0, measured=(149.0,)) == []  # under 5 % of the rated power


def test_a_draw_that_ends_in_time_is_none() -> None:
    it = Watch()
    it.names(0, measured=(800.0,))
    for at_s in range(10, 120, 10):
        it.names(at_s, surplus=-500.0, measured=(800.0,))
    it.names(120, surplus=-500.0, measured=(0.0,))
    assert it.names(130, surplus=-500.0, measured=(800.0,)) == []


def test_a_draw_on_order_is_none() -> None:
    it = Watch()
    for at_s in range(0, 300, 10):
        assert it.names(at_s, measured=(2800.0,)) == []


def test_with_several_heaters_the_name_says_which() -> None:
    it = Watch(settings(heaters=(Heater("upper", "gate", 3000.0), Heater("lower", "gate", 3000.0))))
    for at_s in range(0, 130, 10):
        names = it.names(at_s, measured=(500.0, 500.0))
    assert names == ["withheld but drawing: lower"]


def test_silences_from_the_second_of_their_limits() -> None:
    it = Watch()
    assert it.names(0) == []
    stands = {"seen": {"tank_level_pct": 0.0}}
    assert it.names(599.9, **stands) == []
    assert it.names(600, **stands) == ["level silent"]
    assert it.watched.alarms[0].since_s == 600
    assert it.names(610, seen={"surplus_w": 590.0}) == ["surplus silent"]
    assert it.names(620) == []


def test_an_input_never_heard_has_its_limit_of_time() -> None:
    it = Watch()
    assert it.names(1000, level=None, surplus=None) == []
    assert it.names(1019.9, level=None, surplus=None) == []
    assert it.names(1020, level=None, surplus=None) == ["surplus silent"]
    assert it.names(1600, level=None, surplus=None) == ["level silent", "surplus silent"]
    assert it.watched.alarms[0].sentence == "no level heard since the start: nothing is diverted until it is heard"


def refusing(it: Watch, times: int, level: float) -> list[str]:
    """Permitted, surplus, nothing taken, until the heater was satisfied so often."""
    for at_s in range(0, 2000, 10):
        names = it.names(at_s, level=level, measured=(0.0,))
        if it.memory.heaters[0].satisfied_count == times:
            return names
    pytest.fail("the heater was not tried often enough")


def test_permitted_but_idle_only_when_it_repeats_with_room_in_the_tank() -> None:
    rules = settings(full=Full(idle_after_s=60, retry_after_s=120))
    assert refusing(Watch(rules), 1, level=40.0) == []
    assert refusing(Watch(rules), 2, level=90.0) == []
    it = Watch(rules)
    assert refusing(it, 2, level=40.0) == ["permitted but idle"]
    assert "has taken nothing 2 times" in it.watched.alarms[0].sentence


def test_a_heater_that_draws_again_is_no_longer_suspected() -> None:
    it = Watch(settings(full=Full(idle_after_s=60, retry_after_s=120)))
    refusing(it, 1, level=40.0)
    at_s = it.now.mono_s
    assert it.names(at_s + 120, level=40.0) == []
    assert it.names(at_s + 130, level=40.0, measured=(800.0,)) == []
    for wait_s in range(140, 260, 10):
        names = it.names(at_s + wait_s, level=40.0, measured=(0.0,))
    assert it.memory.heaters[0].satisfied_count == 2
    assert names == []


def test_an_override_to_withhold_counts_as_withheld() -> None:
    it = Watch()
    it.memory = set_override(it.memory, Order.WITHHOLD, 1e6)
    for at_s in range(0, 130, 10):
        names = it.names(at_s, measured=(800.0,))
    assert ruling(it.memory.decision) == (Order.WITHHOLD, "override")  # type: ignore[arg-type]
    assert names == ["withheld but drawing"]


def test_a_silent_or_impossible_temperature_is_named_with_the_way_out() -> None:
    it = Watch(settings(temperatures=("tank_top_c", "tank_bottom_c")))
    assert it.names(0, bottom=40.0) == []
    assert it.names(599, bottom=40.0) == []
    assert it.names(600, bottom=40.0) == ["temperature silent: tank_top_c"]
    assert "has not been heard yet" in it.watched.alarms[0].sentence
    assert "put # before each line of [signals.tank_top_c]" in it.watched.alarms[0].sentence
    assert it.names(610, top=50.0, bottom=40.0) == []
    assert it.names(620, top=-127.0, bottom=40.0) == ["temperature impossible: tank_top_c"]
    assert it.names(1300, top=50.0, bottom=40.0, seen={"tank_bottom_c": 640.0}) == ["temperature silent: tank_bottom_c"]
    assert "has not been heard for more than 10 min" in it.watched.alarms[0].sentence


def test_a_load_that_falls_silent_while_it_draws_is_an_alarm_one_switched_off_is_none() -> None:
    it = Watch(settings(yields=Yield("car_w", 500.0)))
    assert it.names(0, car=7000.0) == []
    assert it.names(59, car=7000.0, seen={"car_w": 0.0}) == []
    assert it.names(60, car=7000.0, seen={"car_w": 0.0}) == ["car_w silent"]
    assert it.names(100, car=0.0) == []
    assert it.names(300, car=0.0, seen={"car_w": 100.0}) == []


def test_a_price_that_is_not_known_is_an_alarm_where_it_is_needed() -> None:
    it = Watch(settings(worth=Worth(True)))
    assert it.names(0, prices=Prices(None, 0.3, 0.11)) == []
    assert it.names(60, prices=Prices(None, 0.3, 0.11)) == ["price not known"]
    assert "the export price is not known" in it.watched.alarms[0].sentence
    assert it.names(70, prices=Prices(0.05, 0.3, 0.11)) == []
    plain = Watch()
    assert plain.names(0, prices=Prices()) == plain.names(600, prices=Prices()) == []


def test_a_heater_that_is_sent_no_orders_cannot_disobey_them() -> None:
    it = Watch(settings(watching=True))
    for at_s in range(0, 300, 10):
        assert it.names(at_s, surplus=-500.0, measured=(800.0,)) == []
    for at_s in range(300, 2000, 10):
        assert it.names(at_s, measured=(0.0,)) == []
    assert it.memory.heaters[0].satisfied_count == 0
    assert ruling(it.again(2000)) == (Order.SURPLUS, "surplus")


def test_a_load_that_fell_silent_is_said_to_be_waited_for_no_longer_only_once_that_is_so() -> None:
    it = Watch(settings(yields=Yield("car_w", 500.0, 300.0)))
    silent: dict[str, Any] = {"car": 7000.0, "car_above_s": 0.0, "seen": {"car_w": 0.0}}
    assert it.names(0, **silent) == []
    assert it.names(299, **silent) == []
    assert it.memory.decision is not None
    assert it.memory.decision.orders[0].guard == "yield"
    assert it.names(300, **silent) == ["car_w silent"]
    assert it.memory.decision.orders[0].guard == "surplus"
