"""`/metrics`, read back by the parser of the library that collectors use, and who may read it."""

from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as read_openmetrics
from prometheus_client.parser import text_string_to_metric_families as read_plain

from daemon.web.api.metrics import exposition
from daemon.web.server.live_state import Picture
from tests.support.homes import SMALL, home
from tests.support.page_answers import AT_S, health, reading, why
from tests.support.served import TOKEN, Served

OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"
TODAY = {"since": "2026-06-10", "diverted_kwh": 2.5, "given_up": 0.16, "avoided": 0.28, "net": 0.12, "currency": "EUR"}
UNITS = {"watts", "joules", "celsius", "seconds", "ratio", "cubic_meters", "kilograms_per_kilowatt_hour"}
UNITS |= {"money_per_kilowatt_hour", ""}


def house(**told: Any) -> Picture:
    inputs = [
        reading("grid_w", -640.0, 2.0, 60),
        reading("tank_level_pct", 95.0, 5.0),
        reading("tank_top_c", 57.5, 5.0),
        reading("diverted_wh", 1_234_567.0, 3.0, None),
        reading("water_l", 12_000.0, None, None),
        reading("export_price", 0.065, 30.0),
        reading("grid_kg_per_kwh", 0.21, 30.0),
        reading("forecast_pv_wh", 9000.0, 30.0),
    ]
    alarms = [{"name": "level-still", "sentence": "the level has not moved", "since": "2026-06-10T11:00:00Z"}]
    told = {
        "inputs": inputs,
        "alarms": alarms,
        "override": {"order": "surplus", "heater": None, "ends_in_s": 90.0},
    } | told
    payloads = [{"signal": "grid_w", "received": 7, "refused": {"no number": 2, "NaN": 1}, "last_refused": "secret!"}]
    sound = health(payloads=payloads, home_file={"fault": None}, timeseries={"fault": "it does not answer"})
    return Picture(home(SMALL), AT_S, why(**told), sound, TODAY)


def samples(text: bytes) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    families = list(read_openmetrics(text.decode()))
    return {(one.name, frozenset(one.labels.items())): one.value for family in families for one in family.samples}


def test_the_librarys_own_parser_reads_it_with_its_values_in_base_units() -> None:
    text, kind = exposition(house(), OPENMETRICS)
    assert kind.startswith("application/openmetrics-text; version=1.0.0")
    assert text.endswith(b"# EOF\n")
    told = samples(text)

    def value(name: str, **labels: str) -> float:
        return told[name, frozenset(labels.items())]

    assert value("brimful_signal_power_watts", signal="grid_w") == -640
    assert value("brimful_signal_level_ratio", signal="tank_level_pct") == pytest.approx(0.95)
    assert value("brimful_signal_temperature_celsius", signal="tank_top_c") == 57.5
    assert value("brimful_signal_energy_joules_total", signal="diverted_wh") == 1_234_567 * 3600
    assert value("brimful_signal_water_cubic_meters_total", signal="water_l") == 12
    assert value("brimful_signal_age_seconds", signal="grid_w") == 2
    assert value("brimful_heater_order", heater="main", brimful_heater_order="withhold") == 1
    assert value("brimful_heater_order", heater="main", brimful_heater_order="surplus") == 0
    assert value("brimful_tank_limit_ratio", at="stop") == pytest.approx(0.95)
    assert value("brimful_today_diverted_joules") == 2.5 * 3.6e6
    assert value("brimful_today_money", part="net", currency="EUR") == 0.12
    assert value("brimful_override_left_seconds", order="surplus") == 90
    assert value("brimful_alarm", alarm="level-still") == 1
    assert value("brimful_payloads_total", signal="grid_w") == 7
    assert value("brimful_payloads_refused_total", signal="grid_w") == 3
    assert value("brimful_fault", part="timeseries") == 1
    assert value("brimful_fault", part="books") == 0
    assert value("brimful_ledger_written_timestamp_seconds", ledger="books") == AT_S
    assert ("brimful_signal_age_seconds", frozenset({("signal", "water_l")})) not in told  # never heard live


def test_every_family_is_ours_has_a_help_and_a_unit_that_its_name_ends_in() -> None:
    families = list(read_openmetrics(exposition(house(), OPENMETRICS)[0].decode()))
    assert len(families) > 20
    for family in families:
        assert family.name.startswith("brimful")
        assert family.documentation.endswith("."), family.name
        assert family.unit in UNITS
        assert family.name.endswith(family.unit)


def test_a_collector_of_the_older_kind_gets_plain_text() -> None:
    for accept in ("", "text/plain;version=0.0.4", "*/*"):
        text, kind = exposition(house(), accept)
        assert kind.startswith("text/plain; version=0.0.4")
        read = {one.name: one.value for family in read_plain(text.decode()) for one in family.samples}
        assert read["brimful_today_diverted_joules"] == 9e6


def test_it_holds_no_payloads_topics_paths_or_tokens() -> None:
    text = exposition(house(), OPENMETRICS)[0].decode()
    for secret in ("secret!", "hut/", ".toml", ".sqlite", TOKEN, "/"):
        assert secret not in text.replace("# ", ""), secret


def test_what_cannot_be_known_is_left_out() -> None:
    bare = Picture(home(SMALL), AT_S, why(level=None, inputs=[]), None, None)
    told = samples(exposition(bare, OPENMETRICS)[0])
    assert not [name for name, _ in told if name.startswith(("brimful_signal", "brimful_today", "brimful_fault"))]


def test_it_is_served_to_whoever_may_read() -> None:
    with Served() as open_to_all:
        answer = open_to_all.http("GET", "/metrics", headers={"Accept": OPENMETRICS})
        assert answer.status == 200
        assert answer.headers["Content-Type"].startswith("application/openmetrics-text; version=1.0.0")
        assert "brimful_heater_order" in answer.text
        assert open_to_all.http("GET", "/metrics", headers={"Host": "evil.example"}).status == 403
    with Served(names=("heat.example.org",)) as guarded:
        refused = guarded.http("GET", "/metrics")
        assert (refused.status, refused.json["error"]["subject"]) == (401, "login")
        assert guarded.http("GET", "/metrics", headers={"Authorization": f"Bearer {TOKEN}"}).status == 200
