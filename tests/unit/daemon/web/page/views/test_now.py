"""What the room Now shows of the daemon's answers."""

import pytest

from daemon.web.page.views.health import health_room
from daemon.web.page.views.now import now_room, today_sentence
from tests.support.page_answers import facts, health, reading, why


def test_now_parts_what_is_from_what_would_change_it() -> None:
    room = now_room(why(), health(), None, None, facts())
    assert room.sentence == "Heater off: tank 95 %."
    assert room.change == "Resumes below 88 %."
    assert room.level == "Tank 95 %, since 12:40."
    assert [(found.rule, found.verdict, found.decides) for found in room.findings] == [
        ("limit", "allows", False),
        ("full", "holds off", True),
    ]
    assert room.date == "Wednesday 10 June 2026, 13:00"
    assert room.clock == "13:00"
    assert room.troubles == ()


def test_a_level_that_is_not_fresh_is_told_as_of_when_it_was_heard() -> None:
    level = {**why()["level"], "age_s": 900.0, "fresh": False}
    room = now_room(why(level=level), health(), None, None, facts())
    assert room.level == "Tank 95 % when last heard, 15 min ago."
    room = now_room(why(level={**level, "age_s": None}), health(), None, None, facts())
    assert room.level == "Tank 95 %, as a message retained from before the daemon started says."
    assert now_room(why(level=None), health(), None, None, facts()).level == "The tank’s level is not known."


def test_an_input_is_stale_from_its_limit_or_when_it_was_only_retained() -> None:
    told = [reading("grid_w", -5, 600), reading("pv_w", 5, 600.1), reading("tank_level_pct", 5, None, None)]
    room = now_room(why(inputs=told), health(), None, None, facts())
    assert [one.stale for one in room.inputs] == [False, True, True]


def test_another_heater_is_told_beside_the_leading_one() -> None:
    heaters = [*why()["heaters"], {"heater": "upper", "order": "surplus", "watts": 1200, "guard": "surplus"}]
    room = now_room(why(heaters=heaters), health(), None, None, facts())
    assert room.heaters == ("upper: taking surplus (1,200 W), by the rule surplus",)


def test_what_is_wrong_is_said_on_now_in_the_words_of_health() -> None:
    links = {"readings": {"up": False, "reason": "connection refused"}}
    books = {**health()["books"], "fault": "disk full"}
    told = health(links=links, books=books)
    room = now_room(why(), told, None, None, facts())
    said = ("No connection to the broker for the readings: connection refused.", "Disk full.")
    assert room.troubles == health_room(told, [], 10**10, facts()).troubles == said
    assert now_room(why(), None, None, None, facts()).troubles == ("The ledger cannot be read now.",)


def test_what_is_announced_changes_with_the_order_and_not_with_every_figure() -> None:
    one = now_room(why(), health(), None, None, facts())
    other = [{**found, "sentence": found["sentence"].replace("95", "94.3")} for found in why()["findings"]]
    two = now_room(why(findings=other, level={**why()["level"], "value_pct": 94.3}), health(), None, None, facts())
    assert one.sentence != two.sentence
    assert one.state == two.state == "Heater off, by the rule full. All is well."


def test_the_line_of_facts_answers_how_full_with_what_power_and_what_today_brought() -> None:
    today = {"diverted_kwh": 4.95, "avoided": 0.56, "given_up": 0.32, "net": 0.24, "currency": "EUR"}
    found = {"guard": "surplus", "verdict": "allow", "sentence": "surplus 2,300 W", "change": "stops below 0 W"}
    told = why(order="surplus", guard="surplus", findings=[found], inputs=[reading("diverted_w", 2189, 3)])
    room = now_room(told, health(), today, None, facts(powers={"main": "diverted_w"}))
    assert room.facts == (
        ("heater", "on, 2,189 W"),
        ("tank", "95 %"),
        ("in today", "4.95 kWh"),
        ("bought less", "0.56 EUR"),
        ("sold less", "0.32 EUR"),
        ("worth", "+0.24 EUR"),
    )
    assert room.sentence == "Taking surplus, 2,189 W: surplus 2,300 W."
    old = why(level={**why()["level"], "fresh": False})
    assert now_room(old, health(), None, None, facts()).facts == (("heater", "off"), ("tank", "not known"))


def test_an_override_that_cannot_act_says_what_it_waits_for() -> None:
    said = {"order": "surplus", "heater": None, "ends_in_s": 5400.0}
    findings = [{"guard": "fresh", "verdict": "forbid", "sentence": "tank level never heard", "change": ""}]
    waiting = now_room(why(override=said, guard="fresh", findings=findings), health(), None, None, facts()).override
    assert waiting is not None
    assert waiting.waits == "It waits: tank level never heard."
    standing = [{"guard": "override", "verdict": "require", "sentence": "your override takes surplus", "change": ""}]
    acting = now_room(why(override=said, guard="override", findings=standing), health(), None, None, facts()).override
    assert acting is not None
    assert acting.waits == ""
    off = now_room(why(override={**said, "order": "withhold"}), health(), None, None, facts()).override
    assert off is not None
    assert off.waits == ""


def test_a_silent_tank_is_headlined_as_silent_and_not_as_one_that_cannot_be_believed() -> None:
    findings = [
        {"guard": "limit", "verdict": "forbid", "sentence": "nothing believable", "change": "resumes later"},
        {
            "guard": "fresh",
            "verdict": "forbid",
            "sentence": "tank level last heard 11 min ago",
            "change": "next reading",
        },
    ]
    silent = why(guard="limit", findings=findings, inputs=[reading("tank_top_c", 50, 700)])
    assert now_room(silent, health(), None, None, facts()).sentence == "Heater off: tank level last heard 11 min ago."
    mad = why(guard="limit", findings=findings, inputs=[reading("tank_top_c", 500, 7)])
    assert now_room(mad, health(), None, None, facts()).sentence == "Heater off: nothing believable."


def test_before_the_first_reading_it_says_what_is_expected_where() -> None:
    topics = {"pv_w": "hut/roof", "tank_level_pct": "hut/tank", "grid_w": "hut/meter"}
    room = now_room(why(), health(), None, None, facts(topics=topics, needed=("tank_level_pct", "grid_w")))
    assert [(one.words, one.topic, one.needed) for one in room.expected] == [
        ("tank level", "hut/tank", True),
        ("grid", "hut/meter", True),
        ("solar", "hut/roof", False),
    ]
    assert "hot water available" in room.expected[0].about


def test_an_override_counts_down_and_one_that_has_ended_is_none() -> None:
    told = {"order": "surplus", "heater": None, "ends_in_s": 5400.0}
    room = now_room(why(override=told), health(), None, None, facts())
    assert room.override is not None
    assert (room.override.words, room.override.until, room.override.left) == ("take surplus", "14:30", "1 h 30 min")
    assert now_room(why(override={**told, "ends_in_s": -1.0}), health(), None, None, facts()).override is None


@pytest.mark.parametrize(
    ("net", "said"),
    [(0.24, "worth 0.24 EUR more than"), (-0.24, "worth 0.24 EUR less than"), (-0.001, "worth the same as")],
)
def test_today_is_told_against_just_exporting(net: float, said: str) -> None:
    assert said in today_sentence({"diverted_kwh": 4.95, "net": net, "currency": "EUR"})


@pytest.mark.parametrize(
    ("told", "shown"),
    [
        ({"days_since": 2.34, "hot_since": None, "overdue": False}, "2.3 days ago"),
        ({"days_since": 9.0, "hot_since": None, "overdue": True}, "9.0 days ago, overdue"),
        ({"days_since": None, "hot_since": None, "overdue": False}, "not known"),
        ({"days_since": 2.3, "hot_since": "2026-06-10T11:00:00Z", "overdue": False}, "now"),
    ],
)
def test_the_line_of_facts_says_when_the_whole_tank_was_hot(told: dict[str, object], shown: str) -> None:
    assert ("whole tank hot", shown) in now_room(why(hygiene=told), health(), None, None, facts()).facts
    assert "whole tank hot" not in dict(now_room(why(hygiene=None), health(), None, None, facts()).facts)


def test_a_house_that_only_watches_says_what_would_be() -> None:
    room = now_room(why(mode="watch"), health(), None, None, facts())
    assert room.watching
    assert room.sentence == "Would be off: tank 95 %."
    assert room.state.startswith("Would be off, by the rule full")
    taking = now_room(why(mode="watch", order="surplus"), health(), None, None, facts())
    assert taking.sentence.startswith("Would take surplus: ")
    assert not now_room(why(mode="control"), health(), None, None, facts()).watching
