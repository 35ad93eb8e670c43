"""One cause is one trouble: a broken connection, a silent device."""

from typing import Any

from daemon.web.page.views.house import HomeFacts, home_facts
from daemon.web.page.views.troubles import state_words, troubles
from tests.support.homes import SMALL, home
from tests.support.page_answers import AT, health, reading

FACTS = HomeFacts(
    timezone="Europe/Dublin",
    heaters=("main",),
    topics={"tank_level_pct": "hut/tank", "tank_top_c": "hut/tank", "grid_w": "hut/meter", "diverted_wh": "hut/energy"},
    needed=("tank_level_pct", "tank_top_c", "grid_w"),
    booked=("diverted_wh",),
    powers={},
)


def said(**told: Any) -> list[str]:
    return [one.sentence for one in troubles(health(**told), FACTS, 10**10)]


def test_a_silent_device_is_one_trouble_with_its_alarm_and_all_its_signals() -> None:
    silent = [reading("tank_level_pct", 90, 700), reading("tank_top_c", 55, 700), reading("grid_w", 5, 1)]
    alarm = {"name": "tank level silent", "sentence": "no tank level heard", "since": AT}
    assert said(inputs=silent, alarms=[alarm]) == ["Nothing heard on hut/tank for 12 min: tank level and tank top."]


def test_a_broken_connection_explains_every_silence() -> None:
    down = {"up": False, "reason": "connection refused"}
    silent = [reading("tank_level_pct", 90, 700), reading("grid_w", 5, 700)]
    alarms = [
        {"name": "tank level silent", "sentence": "no tank level heard", "since": AT},
        {"name": "surplus silent", "sentence": "no surplus heard", "since": AT},
    ]
    assert said(links={"readings": down, "main": down}, inputs=silent, alarms=alarms) == [
        "No connection to the broker for the readings and heater main: connection refused."
    ]


def test_a_device_that_is_not_read_is_no_matter_of_the_broker() -> None:
    links = {
        "reader roof": {"up": False, "reason": "Modbus unit 1 at 192.0.2.7:502: no answer"},
        "homie device": {"up": False, "reason": "connection refused"},
    }
    assert said(links=links) == [
        "Reader roof: Modbus unit 1 at 192.0.2.7:502: no answer.",
        "No connection to the broker for the Homie device: connection refused.",
    ]


def test_another_alarm_stays_beside_a_silence() -> None:
    alarm = {"name": "withheld but drawing", "sentence": "heater main draws 900 W though it is off", "since": AT}
    found = said(inputs=[reading("tank_level_pct", 90, 700)], alarms=[alarm])
    assert len(found) == 2
    assert any("draws 900 W" in sentence for sentence in found)


def test_what_concerns_the_heater_comes_first_and_prices_may_be_old() -> None:
    books = {**health()["books"], "fault": "disk full"}
    old = [reading("import_price", 0.3, 9e9), reading("grid_w", 5, 700)]
    assert said(books=books, inputs=old) == ["Nothing heard on hut/meter for 12 min: grid.", "Disk full."]


def test_payloads_that_cannot_be_understood_are_said_with_the_last_of_them() -> None:
    tally = {"signal": "grid_w", "received": 3, "refused": {"no number": 3}, "last_refused": "n/a"}
    assert said(payloads=[tally]) == ["No reading of grid could be understood, the last payload: n/a."]


def test_a_signal_that_never_came_is_expected_on_its_topic() -> None:
    tally = {"signal": "grid_w", "received": 0, "refused": {}, "last_refused": ""}
    assert said(payloads=[tally]) == ["Nothing heard on hut/meter since the daemon started: grid."]


def test_the_state_is_one_word_or_a_number() -> None:
    assert [state_words(many) for many in (0, 1, 6)] == ["All is well", "1 trouble", "6 troubles"]
    assert troubles(None, FACTS)[0].sentence == "The ledger cannot be read now."


def test_a_home_needs_its_level_its_surplus_and_what_its_rules_go_by() -> None:
    found = home_facts(home(SMALL + '[signals.battery_w]\ntopic = "b"\n[rules.battery]\nmaximum_discharge_w = 100\n'))
    assert found.needed == ("tank_level_pct", "grid_w", "battery_w")
    assert found.topics["grid_w"] == "hut/meter"
    assert "diverted_wh" in found.booked
