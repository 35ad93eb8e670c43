"""The alarm that the whole tank has not been hot for longer than the owner allows, with what to do about it."""

from rules.alarms.alarm import Alarm
from rules.guards.away import absence
from rules.guards.hygiene import last_hot
from rules.model import wording
from rules.model.formatting import degrees, duration, percent
from rules.model.memory import HotRecord, Memory
from rules.model.reading import Moment
from rules.model.settings import Hygiene, Settings
from rules.tank.hot_throughout import due_utc_s

NAME = "hygiene overdue"


def is_overdue(settings: Settings, memory: Memory, now: Moment) -> bool:
    """Whether the time is up. Never while nobody is at home: the heating is then planned for the day of the return."""
    rule, record = settings.hygiene, memory.hygiene
    if rule is None or record is None or now.utc_s <= due_utc_s(record, rule):
        return False
    return absence(settings, now.utc_s) is None


def overdue(settings: Settings, memory: Memory, now: Moment) -> list[Alarm]:
    """The alarm, if it stands."""
    rule, record = settings.hygiene, memory.hygiene
    if rule is None or record is None or not is_overdue(settings, memory, now):
        return []
    sentence = wording.say(
        "{last}; it must be at {hot} for {hold} every {every}: {todo}. Until then Legionella may grow in it: keep away"
        " from the spray of showers, above all if you are old or ill",
        last=last_hot(rule, record, now),
        hot=degrees(rule.at_c),
        hold=duration(rule.hold_s),
        every=duration(rule.every_s),
        todo=_todo(settings, rule, record),
    )
    return [Alarm(NAME, sentence, now.mono_of(due_utc_s(record, rule)))]


def _todo(settings: Settings, rule: Hygiene, record: HotRecord) -> str:
    """What prevents it, and what to do."""
    by_other_means = wording.say(
        "heat the whole tank by other means (a boiler, a second element, the tank's own programme)"
    )
    if not rule.can_be_known:
        return wording.say(
            "fit a sensor at the bottom of the tank and name it as signals.tank_bottom_c; until then, count the days"
            " yourself and take out [rules.hygiene]"
        )
    if rule.why_not:
        return wording.joined((rule.why_not, by_other_means), "; ")
    if record.tried_utc_s is not None:
        ended = wording.say(
            "the last attempt ended at the stop level of {level}", level=percent(settings.full.stop_at_pct)
        )
        if record.bottom_c is not None:
            coldest = degrees(record.bottom_c)
            ended = wording.say("{ended} while the coldest water was {coldest}", ended=ended, coldest=coldest)
        return wording.say(
            "{ended}; raise rules.full.stop_at_pct, or {by_other_means}", ended=ended, by_other_means=by_other_means
        )
    return wording.say(
        "brimful tries once a day, in the cheapest hours. Ask `brimful why` what keeps the heater off, and check that"
        " its thermostat is set to 60–65 °C and its switch and fuse are on; otherwise {by_other_means}",
        by_other_means=by_other_means,
    )
