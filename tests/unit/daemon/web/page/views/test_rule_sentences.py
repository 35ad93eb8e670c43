"""The rules as sentences."""

from daemon.documents.rules_document import rules_answer
from daemon.web.page.views.rule_sentences import TITLES, phrases
from daemon.web.page.views.rules import rules_room
from tests.support.homes import SMALL, home

ALL = (
    SMALL
    + """
[signals.battery_w]
topic = "b"
[signals.battery_level_pct]
topic = "c"
[signals.car_w]
topic = "d"
[rules.full]
stop_at_pct = 92.5
[rules.battery]
minimum_level_pct = 80
maximum_discharge_w = 100
[rules.worth]
enabled = true
margin = 0.02
[rules.rest]
minimum_on_s = 300
[rules.yield]
signal = "car_w"
above_w = 500
for_s = 120
[rules.away]
periods = [{ from = 2026-08-01, to = 2026-08-15 }]
"""
)


def sentences(text: str) -> dict[str, list[str]]:
    shown = rules_room(rules_answer(home(text)), None, "EUR")
    return {rule.name: [phrase.text for phrase in rule.plain] for rule in shown}


def test_each_rule_reads_as_a_person_would_say_it() -> None:
    told = sentences(ALL)
    assert told["limit"] == ["Stop at 70 °C anywhere in the tank, go on below 67 °C."]
    assert told["full"] == ["Stop at 92.5 % full, go on below 85.5 %."]
    assert told["surplus"] == ["Start from 200 W of surplus, stop below 0 W."]
    assert told["battery"] == [
        "The battery goes first until it is 80 % charged.",
        "Hold off while the battery gives more than 100 W.",
    ]
    assert told["worth"] == ["Divert only while a kWh is worth more as heat than sold, by at least 0.0200 EUR."]
    assert told["rest"] == [
        "Once on, stay on for at least 5 min.",
        "Once off, stay off for at least 60 s.",
    ]
    assert told["yield"] == ["Hold off while car draws more than 500 W, and for 2 min after."]
    assert told["away"] == ["Away from Saturday 1 August 2026 to Saturday 15 August 2026."]


def test_a_rule_that_does_nothing_has_no_sentence() -> None:
    idle = {name for name, said in sentences(SMALL).items() if not said}
    assert idle == {"alternate", "heaters", "away", "hygiene", "battery", "worth", "tracking", "yield"}


def test_the_keys_stand_beside_their_sentence_and_every_rule_has_a_name() -> None:
    for rule in rules_room(rules_answer(home(ALL)), None, "EUR"):
        assert TITLES[rule.name]
        known = {key.name for key in rule.settings}
        assert all(set(phrase.keys) <= known for phrase in rule.phrases)
    (full,) = [rule for rule in rules_room(rules_answer(home(ALL)), None, "EUR") if rule.name == "full"]
    assert [(key.name, key.is_set) for key in full.keys_of(full.plain)] == [
        ("stop_at_pct", True),
        ("resume_below_pct", False),
    ]
    assert {key.name for key in full.keys_of(full.advanced)} == {
        "idle_w",
        "idle_after_s",
        "idle_fall_pct",
        "retry_after_s",
    }


def test_a_rule_without_sentences_of_its_own_has_none() -> None:
    assert phrases("unheard-of", {}, "EUR") == ()


HYGIENE = {"at_c": 60, "hold_minutes": 32, "every_days": 7, "heat": True, "heater": None, "thermostat_on_c": None}


def test_the_whole_tank_hot_in_sentences() -> None:
    assert [phrase.text for phrase in phrases("hygiene", HYGIENE, "EUR")] == [
        "The whole tank is to be at 60 °C for 32 min, every 7 days at the latest.",
        "Where the sun has not done it by the last day, heat, from the grid too.",
    ]
    other = HYGIENE | {"heat": False, "thermostat_on_c": 61}
    assert [phrase.text for phrase in phrases("hygiene", other, "EUR")][1:] == [
        "Only count the days and raise the alarm: something else heats for it.",
        "No sensor at the bottom: its thermostat, which heats again below 61 °C, stands for one.",
    ]
    assert phrases("hygiene", dict.fromkeys(HYGIENE), "EUR") == ()
