"""Sensors that read what cannot be: level frozen or jumping, surplus frozen or of the wrong sign."""

from dataclasses import replace
from typing import Any

import pytest

from rules.alarms import Alarm, Watched, watch
from rules.model.orders import Order
from rules.model.overriding import set_override
from rules.model.settings import Heater, Settings, Tank
from rules.model.snapshot import Jump
from tests.support.rules_case import House, settings, snapshot

TANK = Tank(200.0, 9304.0, 50.0)
TWO = (Heater("upper", "gate", 3000.0), Heater("lower", "gate", 3000.0))


class Watch(House):
    """A house with somebody looking."""

    def __init__(self, rules: Settings | None = None) -> None:
        super().__init__(rules or settings(tank=TANK))
        self.watched = Watched()

    def names(self, at_s: float, level_since_s: float = 0.0, **known: Any) -> list[str]:
        more = {name: known.pop(name) for name in ("level_taken_wh", "level_jumps", "level_swings") if name in known}
        self.on(replace(snapshot(at_s, **known), level_since_s=level_since_s, **more), at_s)
        alarms, self.watched = watch(self.snapshot, self.settings, self.memory, self.watched, self.now)
        return [alarm.name for alarm in alarms]

    @property
    def alarm(self) -> Alarm:
        (found,) = self.watched.alarms
        return found


def test_level_frozen_until_it_reads_another_value() -> None:
    it = Watch()
    assert it.names(0) == []
    assert it.names(18_000, level_taken_wh=14_206.0) == []
    assert it.names(18_010, level_taken_wh=14_300.0) == ["level frozen"]
    assert it.alarm == Alarm(
        "level frozen",
        "tank level has read 50 % since 13:00 although the heaters have put in 14.3 kWh, more than the whole tank can"
        " hold: the heater stays off until it reads another value; is the sensor stuck, or is an old value repeated on"
        " the way?",
        0.0,
    )
    first = it.alarm
    assert it.names(19_000, level_taken_wh=14_500.0) == ["level frozen"]
    assert it.alarm is first
    assert it.names(20_000, level=50.1) == []


JUMPS = (Jump(100.0, 52.0, 99.0, 10.0), Jump(400.0, 52.0, 0.0, 10.0), Jump(820.0, 51.0, 99.0, 15.0))


def test_level_jumping_from_the_third_within_an_hour_until_an_hour_has_passed() -> None:
    it = Watch()
    assert it.names(400, level_jumps=JUMPS[:2]) == []
    assert it.names(820, level_jumps=JUMPS) == ["level jumping"]
    assert it.alarm.since_s == 820
    assert "has jumped 3 times within 12 min, last from 51 % to 99 % within 15 s" in it.alarm.sentence
    assert it.names(3699.9, level_jumps=JUMPS) == ["level jumping"]
    assert it.names(3700, level_jumps=JUMPS) == []


def test_jumps_far_apart_are_no_alarm() -> None:
    far = (Jump(-3000.0, 52.0, 99.0, 10.0), *JUMPS[1:])
    assert Watch().names(820, level_jumps=far) == []


# Surplus frozen


def still(it: Watch, until_s: int, surplus: float, power_w: float = 900.0, from_s: int = 0) -> list[str]:
    """A surplus that always reads the same; the heater takes power_w from the tenth minute on."""
    names: list[str] = []
    for at_s in range(from_s, until_s + 1, 10):
        names = it.names(at_s, surplus=surplus, measured=(power_w if at_s >= 600 else 0.0,))
    return names


def test_surplus_frozen_after_two_hours_in_which_the_heater_changed() -> None:
    it = Watch()
    assert still(it, 7190, 800.0) == []
    assert still(it, 7260, 800.0, from_s=7200) == ["surplus frozen"]
    assert it.alarm.since_s == 0
    assert "has read 800 W since 13:00 though the heaters' power changed by 900 W" in it.alarm.sentence
    assert it.names(7300, surplus=801.0, measured=(900.0,)) == ["surplus frozen"]
    assert it.names(7320, surplus=801.0, measured=(900.0,)) == []


@pytest.mark.parametrize(("surplus", "power_w"), [(800.0, 499.0), (0.0, 900.0), (-49.0, 900.0), (49.0, 900.0)])
def test_a_surplus_that_may_stand_still(surplus: float, power_w: float) -> None:
    """A heater that hardly changed; and what a diverter or a battery holds at nothing."""
    assert "surplus frozen" not in still(Watch(), 10_000, surplus, power_w)


def test_a_silent_surplus_is_silent_and_not_frozen() -> None:
    it = Watch()
    still(it, 7000, 800.0)
    for at_s in range(7010, 9000, 10):
        names = it.names(at_s, surplus=800.0, measured=(900.0,), seen={"surplus_w": 7000.0})
    assert "surplus silent" in names
    assert "surplus frozen" not in names
    assert "surplus frozen" not in still(it, 9100, 800.0, from_s=9000)  # after a silence it begins anew


def test_without_a_meter_of_the_heater_nothing_is_said_of_the_surplus() -> None:
    it = Watch()
    for at_s in range(0, 9000, 10):
        assert it.names(at_s, surplus=800.0, measured=(None,)) == []


# Surplus of the wrong sign


class Switched(Watch):
    """A house whose heater an owner switches every ten minutes; the meter reads surplus × sign."""

    is_on = False

    def switch(self, times: int, sign: float, power_w: float = 1500.0, more_w: float = 0.0) -> list[str]:
        """more_w: what another load or the sun adds at each switching on, and takes away at each off."""
        names: list[str] = []
        start_s = int(self.now.mono_s) + 10
        for time in range(times):
            on = self.is_on = not self.is_on
            begin_s = start_s + 600 * time
            self.memory = set_override(self.memory, Order.SURPLUS if on else Order.WITHHOLD, begin_s + 1e5)
            for at_s in range(begin_s, begin_s + 600, 10):
                running = on if at_s > begin_s else not on
                power = power_w if running else 0.0
                surplus = 2000.0 - power + (more_w if running else 0.0)
                names = self.names(at_s, level=50 + at_s % 7, surplus=sign * surplus, measured=(power,))
        return names


def test_a_surplus_of_the_wrong_sign_is_found_by_switching_and_mended_by_one_the_right_way() -> None:
    it = Switched()
    it.names(0, surplus=-2000.0, measured=(0.0,))
    assert it.switch(5, -1.0) == []
    assert it.switch(1, -1.0) == ["surplus sign"]
    assert it.alarm.sentence == (
        "when the heaters took 1,500 W less, the surplus fell by 1,500 W, the wrong way, 6 switchings in a row: import"
        " is taken for surplus and diverted; reverse the sign of signals.surplus_w.scale in the home file, then restart"
    )
    assert it.switch(1, 1.0) == []


def test_the_right_sign_is_no_alarm() -> None:
    it = Switched()
    it.names(0, measured=(0.0,))
    assert it.switch(20, 1.0) == []
    assert it.watched.sign.wrong == 0


@pytest.mark.parametrize("more_w", [1000.0, 2000.0, 2550.0])
def test_what_is_not_alike_shows_nothing(more_w: float) -> None:
    """Another load that changes with the heater: the meter moves by what the heater takes less that."""
    it = Switched()
    it.names(0, measured=(0.0,))
    assert it.switch(8, 1.0, more_w=more_w) == []
    assert it.watched.sign.wrong == 0


def test_a_small_heater_shows_nothing() -> None:
    it = Switched()
    it.names(0, measured=(0.0,))
    assert it.switch(8, -1.0, power_w=299.0) == []


def test_a_heater_without_a_meter_shows_nothing() -> None:
    it = Watch(settings(heaters=TWO))
    for at_s in range(0, 6000, 10):
        on = at_s // 600 % 2 == 0
        it.memory = set_override(it.memory, Order.SURPLUS if on else Order.WITHHOLD, 1e5)
        power = 1500.0 if on else 0.0
        assert it.names(at_s, surplus=power - 2000.0, measured=(power, None)) == []


def test_a_quiet_house_makes_no_objects_between_two_looks() -> None:
    it = Watch()
    it.names(0, measured=(800.0,))
    it.names(61, measured=(800.0,))
    watched = it.watched
    assert it.names(71, measured=(810.0,), surplus=970.0) == []
    assert it.watched is watched


def test_a_level_from_two_publishers_is_named_with_both_figures() -> None:
    it = Watch()
    swings = tuple(Jump(float(at_s), *((80.0, 97.0), (97.0, 80.0))[at_s % 2], 1.0) for at_s in range(6))
    assert it.names(6, level_swings=swings[1:]) == []
    assert it.names(7, level_swings=swings) == ["level from two publishers"]
    assert "one about 80 %, the other about 97 %" in it.alarm.sentence
    assert it.names(606, level_swings=swings) == []
