"""Guessing signals from what a broker carries."""

import tomllib

from daemon.setup.suggest import Suggestion, signals_table, toml_text
from daemon.setup.suggest import suggest as suggest_from
from daemon.setup.survey import MOST_TOPICS, Survey, Topic
from daemon.setup.vocabulary import words_of

HOUSE = {
    "meter/now": b'{"time": "2026-06-01T10:00:00Z", "power": {"kw": -0.81}, "import_kwh": 4211.5, "export_kwh": 377}',
    "cylinder/charge": b"61.5",
    "cylinder/temperature/top": b"58.1",
    "diverter/energy": b"120034",
    "diverter/power": b"1210",
    "battery/state": b'{"power_w": 40, "soc": 88, "temperature": 21}',
    "roof/pv/power": b"2400",
    "car/charger/power": b"0",
    "prices/import_price": b"0.31",
    "fridge/temperature": b"4.5",
    "door": b"open",
}


def suggest(payloads: dict[str, bytes]) -> list[Suggestion]:
    """The guesses from one payload on each topic."""
    return suggest_from({topic: Topic(payload, 1, False) for topic, payload in payloads.items()})


def test_an_invented_house() -> None:
    found = {suggestion.source.signal: suggestion for suggestion in suggest(HOUSE)}
    places = {name: (each.source.topic, each.source.pointer, each.value) for name, each in found.items()}
    assert places == {
        "grid_w": ("meter/now", "/power/kw", -810.0),
        "import_wh": ("meter/now", "/import_kwh", 4211500.0),
        "export_wh": ("meter/now", "/export_kwh", 377000.0),
        "tank_level_pct": ("cylinder/charge", "", 61.5),
        "tank_top_c": ("cylinder/temperature/top", "", 58.1),
        "diverted_wh": ("diverter/energy", "", 120034.0),
        "diverted_w": ("diverter/power", "", 1210.0),
        "battery_w": ("battery/state", "/power_w", 40.0),
        "battery_level_pct": ("battery/state", "/soc", 88.0),
        "pv_w": ("roof/pv/power", "", 2400.0),
        "car_w": ("car/charger/power", "", 0.0),
        "import_price": ("prices/import_price", "", 0.31),
    }
    assert found["grid_w"].source.time_pointer == "/time"
    assert found["tank_level_pct"].source.time_pointer is None


def test_the_table_is_toml_that_says_why() -> None:
    text = signals_table(suggest(HOUSE))
    tables = tomllib.loads(text)["signals"]
    assert tables["grid_w"] == {"topic": "meter/now", "pointer": "/power/kw", "scale": 1000, "time_pointer": "/time"}
    assert tables["tank_level_pct"] == {"topic": "cylinder/charge"}
    assert "# guessed from charge, cylinder; now 61.5 %. Check before use." in text
    assert "+ import, − export" in text


def test_a_value_no_tank_can_have_is_no_tank() -> None:
    assert suggest({"cylinder/charge": b"4711"}) == []
    assert suggest({"cylinder/charge": b"unavailable"}) == []


def test_members_with_slashes_and_tildes_get_pointers_that_find_them() -> None:
    (found,) = suggest({"meter": b'{"grid/power~w": 5}'})
    assert found.source.pointer == "/grid~1power~0w"
    assert found.value == 5


def test_hostile_payloads_and_names() -> None:
    payloads = {
        "grid/power": b"[" * 8000,
        "grid/power/1": b'{"a":' * 1000,
        'grid/"\\\x7f\U0001f600/power': b"7",
        "grid/power/2": b"\xff\xfe",
        "grid/power/3": b"{" + b",".join(b'"p%d": 1' % n for n in range(800)) + b"}",
        "grid/power/4": b"1" * 5000,
    }
    suggestions = suggest(payloads)
    assert tomllib.loads(signals_table(suggestions)) is not None
    name = 'grid/"x\\\x7f\x01\U0001f600'
    assert tomllib.loads("a = " + toml_text(name))["a"] == name


def test_words() -> None:
    assert words_of("Cylinder/topTemp_C") == ("cylinder", "top", "temp", "c")
    assert words_of("gridCO2") == ("grid", "co2")


def test_a_survey_is_bounded() -> None:
    survey = Survey()
    for number in range(MOST_TOPICS + 5):
        survey.hear(f"t/{number}", b"1" * 10_000, retained=number == 0)
    survey.hear("t/0", b"7", retained=True)
    survey.hear("t/1", b"7", retained=False)
    assert len(survey.topics) == MOST_TOPICS
    assert survey.left_out == 5
    assert survey.topics["t/0"].count == 2
    assert survey.topics["t/0"].retained
    assert not survey.topics["t/1"].retained
    assert survey.payloads() == {"t/0": b"7", "t/1": b"7"}
    assert max(len(topic.payload) for topic in survey.topics.values()) <= 8192


def test_ones_own_topics_are_no_house_signals() -> None:
    survey = Survey()
    survey.hear("brimful/home/grid/power", b"1", retained=True)
    assert survey.payloads() == {}
