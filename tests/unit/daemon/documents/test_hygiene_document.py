"""What `why` and `health` say of the whole tank."""

from daemon.documents.hygiene_document import hygiene_answer
from daemon.web.api.schemas import WholeTank
from rules.model.memory import HotRecord, Memory
from rules.model.settings import Heater, Hygiene
from rules.model.snapshot import HeatingTimes, Stretch
from tests.support.rules_case import START_UTC_S, House, settings

DAY_S = 86_400.0
RULES = settings(
    heaters=(Heater("main", "gate", 3000.0, can_heat=True),), hygiene=Hygiene("main"), temperatures=("tank_bottom_c",)
)


def house(record: HotRecord, bottom: float = 48.5) -> House:
    it = House(RULES, Memory(hygiene=record))
    it.at(0, bottom=bottom, times=HeatingTimes(hygiene=Stretch(START_UTC_S + 3600, START_UTC_S + 7200)))
    return it


def test_the_days_and_what_comes_next() -> None:
    it = house(HotRecord(START_UTC_S, START_UTC_S - 6.5 * DAY_S))
    told = hygiene_answer(it.settings, it.memory, it.snapshot, it.now)
    assert told == {
        "sentence": "the whole tank was last hot 6.5 days ago; due by 01:00 tomorrow; heats from 14:00 if the sun has"
        " not done it by then",
        "known_by": "measured",
        "days_since": 6.5,
        "last_hot": "2026-06-03T00:00:00Z",
        "hot_since": None,
        "coldest_c": 48.5,
        "at_c": 60.0,
        "hold_s": 1920.0,
        "due": "2026-06-10T00:00:00Z",
        "overdue": False,
        "heats": {"from": "2026-06-09T13:00:00Z", "to": "2026-06-09T14:00:00Z"},
    }
    assert WholeTank.model_validate(told).days_since == 6.5


def test_a_tank_that_is_hot_now_and_one_never_known_to_be() -> None:
    it = house(HotRecord(START_UTC_S - 2 * DAY_S), bottom=62.0)
    told = hygiene_answer(it.settings, it.memory, it.snapshot, it.now)
    assert told is not None
    assert (told["days_since"], told["hot_since"], told["overdue"]) == (None, "2026-06-09T12:00:00Z", True)


def test_without_the_rule_nothing_is_said() -> None:
    it = House(settings())
    it.at(0)
    assert hygiene_answer(it.settings, it.memory, it.snapshot, it.now) is None
