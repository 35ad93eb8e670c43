"""The alarm of a tank that has not been hot for too long: when it stands, and what it says to do."""

from typing import Any

from rules.alarms import Announced, Watched, news, watch
from rules.model.memory import HotRecord
from rules.model.settings import Away, Heater, Hygiene
from tests.support.rules_case import START_UTC_S, House, moment, settings

DAY_S = 86_400.0
HEATS = Heater("main", "gate", 3000.0, 100.0, can_heat=True)


def alarms(at_s: float, record: HotRecord, rule: Hygiene, **changes: Any) -> list[str]:
    """The sentences of the alarm at `at_s`."""
    rules = settings(heaters=(HEATS,), hygiene=rule, temperatures=("tank_bottom_c",), **changes)
    it = House(rules)
    it.memory = it.memory.__class__(hygiene=record)
    it.at(at_s, bottom=40.0)
    found, _ = watch(it.snapshot, rules, it.memory, Watched(), it.now)
    return [alarm.sentence for alarm in found if alarm.name == "hygiene overdue"]


def test_it_stands_once_the_days_are_over() -> None:
    record = HotRecord(START_UTC_S, START_UTC_S)
    assert alarms(7 * DAY_S, record, Hygiene("main")) == []
    (said,) = alarms(7 * DAY_S + 1, record, Hygiene("main"))
    assert said.startswith(
        "the whole tank was last hot 7.0 days ago; it must be at 60 °C for 32 min every 7 days: brimful tries once a"
        " day, in the cheapest hours."
    )
    assert "keep away from the spray of showers" in said


def test_a_tank_not_known_to_have_been_hot_has_a_day() -> None:
    assert alarms(DAY_S, HotRecord(START_UTC_S), Hygiene("main")) == []
    (said,) = alarms(DAY_S + 1, HotRecord(START_UTC_S), Hygiene("main"))
    assert said.startswith("there is no record of the whole tank ever being hot")


def test_it_says_that_the_stop_level_ended_the_attempt() -> None:
    record = HotRecord(START_UTC_S, START_UTC_S, tried_utc_s=START_UTC_S + 7 * DAY_S, bottom_c=48.0)
    (said,) = alarms(8 * DAY_S, record, Hygiene("main"))
    assert (
        "the last attempt ended at the stop level of 95 % while the coldest water was 48 °C; raise"
        " rules.full.stop_at_pct, or heat the whole tank by other means"
    ) in said


def test_it_says_what_cannot_be_known_or_is_not_heated_for() -> None:
    (said,) = alarms(DAY_S + 1, HotRecord(START_UTC_S), Hygiene("main", measured=False, why_not="no sensor"))
    assert "fit a sensor at the bottom of the tank and name it as signals.tank_bottom_c" in said
    (said,) = alarms(DAY_S + 1, HotRecord(START_UTC_S), Hygiene("main", why_not="rules.hygiene.heat is false"))
    assert "rules.hygiene.heat is false; heat the whole tank by other means" in said


def test_nobody_is_alarmed_while_nobody_is_at_home() -> None:
    away = Away(((START_UTC_S + 6 * DAY_S, START_UTC_S + 20 * DAY_S),))
    record = HotRecord(START_UTC_S, START_UTC_S)
    assert alarms(10 * DAY_S, record, Hygiene("main"), away=away) == []
    assert len(alarms(20 * DAY_S, record, Hygiene("main"), away=away)) == 1


def test_its_end_is_announced_once_the_tank_was_hot() -> None:
    rules = settings(heaters=(HEATS,), hygiene=Hygiene("main", hold_s=60.0), temperatures=("tank_bottom_c",))
    it, watched, announced = House(rules), Watched(), Announced()
    said = []
    for at_s, bottom_c in ((0, 40.0), (DAY_S + 1, 40.0), (DAY_S + 100, 61.0), (DAY_S + 200, 61.0)):
        it.at(at_s, bottom=bottom_c)
        found, watched = watch(it.snapshot, rules, it.memory, watched, it.now)
        events, announced = news(found, announced, moment(at_s))
        said += [event.kind for event in events if event.name == "hygiene overdue"]
    assert said == ["alarm", "recovered"]
