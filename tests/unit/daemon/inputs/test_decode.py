"""Payloads to values: what is accepted, and why the rest is refused."""

import json
import math
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.inputs.decode import MAXIMUM_PAYLOAD, Decoded, Refused, Source, decode, decode_all, in_reach
from daemon.inputs.instants import FAR_S, instant

GRID = Source("grid_w", "meter/now")
KW = Source("grid_w", "meter/now", pointer="/power/kw", scale=1000)
LEVEL = Source("tank_level_pct", "cylinder/charge")
STAMPED = Source("grid_w", "meter/now", pointer="/w", time_pointer="/t")

REASONS = {
    "longer than 256 kB",
    "not UTF-8 text",
    "empty",
    "JSON nested too deeply",
    "says it has no value",
    "not readable as JSON",
    "nothing at its pointer",
    "no time at its pointer",
    "not a finite number",
    "not a number",
    "below the lowest value taken as real",
    "above the highest value taken as real",
    "its time is not one",
    "its time has no offset from UTC",
    "its time is not plausible",
    "its time is more than a day ago",
    "states a unit that is not its signal's",
    "a comma before three digits may mean thousands or decimals",
    "states its unit, which is converted already: scale must then be 1, or -1 to turn its sign",
    "nothing at its minus_pointer",
}


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"812.5", 812.5),
        (b"-40", -40),
        (b" +7\r\n", 7),
        (b".5", 0.5),
        (b"5.", 5),
        (b"1e3", 1000),
        (b'"21.5"', 21.5),
        (b"on", 1),
        (b"OFF", 0),
        (b"True", 1),
        (b'"on"', 1),
    ],
)
def test_plain_payloads(payload: bytes, value: float) -> None:
    assert decode(payload, GRID) == Decoded(value)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "empty"),
        (b"  \n", "empty"),
        (b'""', "empty"),
        (b"unavailable", "says it has no value"),
        (b"Unknown", "says it has no value"),
        (b"NaN", "says it has no value"),
        (b"null", "says it has no value"),
        (b"Infinity", "not a finite number"),
        (b"-inf", "not a finite number"),
        (b"1e999", "not a finite number"),
        (b"21,500", "a comma before three digits may mean thousands or decimals"),
        (b"1.234,5", "not a number"),
        (b"21.5 %", "states a unit that is not its signal's"),
        (b"21.5 Wh", "states a unit that is not its signal's"),
        (b"21.5 items", "states a unit that is not its signal's"),
        (b"1_000", "not a number"),
        (b"0x10", "not a number"),
        ("١٢".encode(), "not a number"),
        (b"{}", "not a number"),
        (b"1" * 65, "not a number"),
        (b"\xff\xfe", "not UTF-8 text"),
        (b"1e7", "above the highest value taken as real"),
        (b"-1e7", "below the lowest value taken as real"),
        (b" " * (MAXIMUM_PAYLOAD + 1), "longer than 256 kB"),
    ],
)
def test_refused_plain_payloads(payload: bytes, reason: str) -> None:
    assert decode(payload, GRID) == Refused(reason)


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b'{"power": {"kw": -0.812}}', Decoded(-812.0)),
        (b'{"power": {"kw": "1.5"}}', Decoded(1500.0)),
        (b'{"power": {"kw": true}}', Decoded(1000.0)),
        (b'{"power": {"kw": "off"}}', Decoded(0.0)),
        (b'{"power": {"kw": null}}', Refused("says it has no value")),
        (b'{"power": {"kw": NaN}}', Refused("not a finite number")),
        (b'{"power": {"kw": 1e999}}', Refused("not a finite number")),
        (b'{"power": {"kw": "unavailable"}}', Refused("says it has no value")),
        (b'{"power": {"kw": ""}}', Refused("empty")),
        (b'{"power": {"kw": [1]}}', Refused("not a number")),
        (b'{"power": {}}', Refused("nothing at its pointer")),
        (b'{"power": 3}', Refused("nothing at its pointer")),
        (b"3", Refused("nothing at its pointer")),
        (b"[]", Refused("nothing at its pointer")),
        (b'{"power": {"kw": 1', Refused("not readable as JSON")),
        (b"unavailable", Refused("says it has no value")),
        (b'{"a":' * 50_000, Refused("JSON nested too deeply")),
        (b"[" * 200_000, Refused("JSON nested too deeply")),
    ],
)
def test_json_payloads(payload: bytes, expected: object) -> None:
    assert decode(payload, KW) == expected


@pytest.mark.parametrize("digits", [400, 4_300, 5_000, 200_000])
@pytest.mark.parametrize("form", ['{"power": {"kw": %s}}', '{"power": {"kw": "%s"}}', "%s"])
def test_endless_numbers_are_refused_quickly(digits: int, form: str) -> None:
    payload = (form % ("1" * digits)).encode()
    start = time.process_time()
    assert isinstance(decode(payload, KW), Refused)
    assert isinstance(decode(payload, GRID), Refused)
    assert time.process_time() - start < 0.5


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b"-0.1", Refused("below the lowest value taken as real")),
        (b"0", Decoded(0)),
        (b"110", Decoded(110)),
        (b"110.1", Refused("above the highest value taken as real")),
    ],
)
def test_bounds_of_the_signal(payload: bytes, expected: object) -> None:
    assert decode(payload, LEVEL) == expected


def test_bounds_of_the_source_narrow_those_of_the_signal_and_never_widen_them() -> None:
    narrow = Source("tank_level_pct", "t", minimum=10, maximum=90)
    wide = Source("tank_level_pct", "t", minimum=-1e6, maximum=1e6)
    assert decode(b"9.9", narrow) == Refused("below the lowest value taken as real")
    assert decode(b"90.1", narrow) == Refused("above the highest value taken as real")
    assert decode(b"50", narrow) == Decoded(50)
    assert decode(b"-1", wide) == Refused("below the lowest value taken as real")
    assert decode(b"111", wide) == Refused("above the highest value taken as real")


def test_bounds_hold_for_the_scaled_value() -> None:
    celsius = Source("tank_top_c", "t", scale=5 / 9, offset=-160 / 9)
    answer = decode(b"140", celsius)
    assert isinstance(answer, Decoded)
    assert answer.value == pytest.approx(60.0)
    assert decode(b"300", celsius) == Refused("above the highest value taken as real")


def test_own_words_go_before_the_known_ones_and_whatever_their_case() -> None:
    source = Source("tank_level_pct", "t", words={"Full": 100, "half": 50, "on": 2, "unknown": 0})
    assert decode(b"FULL", source) == Decoded(100)
    assert decode(b"half", source) == Decoded(50)
    assert decode(b"On", source) == Decoded(2)
    assert decode(b"unknown", source) == Decoded(0)
    assert decode(b"quarter", source) == Refused("not a number")


@pytest.mark.parametrize(
    ("signal", "payload", "value"),
    [
        ("tank_level_pct", "87%", 87),
        ("tank_level_pct", "93.0 %", 93),
        ("tank_level_pct", "93,5\N{NO-BREAK SPACE}%", 93.5),
        ("grid_w", "0 W", 0),
        ("grid_w", "-812W", -812),
        ("grid_w", "1,5 kW", 1500),
        ("grid_w", "1.5 KW", 1500),
        ("grid_w", "0,125 kW", 125),
        ("grid_w", "21,5", 21.5),
        ("diverted_wh", "1234,567 kWh", 1_234_567),
        ("diverted_wh", "1.25 MWh", 1_250_000),
        ("tank_top_c", "61.5 °C", 61.5),
        ("tank_top_c", "61.5°", None),
        ("tank_top_c", "140 °F", 60),
        ("tank_top_c", "333.15 K", 60),
        ("water_l", "1.5 m³", 1500),
        ("water_l", "1.5 m3", 1500),
        ("grid_kg_per_kwh", "212 gCO2/kWh", 0.212),
        ("diverted_wh", "1.25 mWh", None),
        ("diverted_wh", "12 kW", None),
        ("tank_level_pct", "87 °C", None),
        ("tank_top_c", "87 %", None),
        ("import_price", "0.21 EUR/kWh", None),
    ],
)
def test_a_stated_unit_of_the_signals_kind_is_converted_and_another_refused(
    signal: str, payload: str, value: float | None
) -> None:
    for source, sent in (
        (Source(signal, "t"), payload),
        (Source(signal, "t"), json.dumps(payload)),
        (Source(signal, "t", pointer="/v"), json.dumps({"v": payload})),
    ):
        answer = decode(sent.encode(), source)
        if value is None:
            assert answer == Refused("states a unit that is not its signal's")
        else:
            assert isinstance(answer, Decoded)
            assert answer.value == pytest.approx(value)


def test_a_unit_is_not_converted_twice() -> None:
    assert decode(b'{"power": {"kw": "1.5"}}', KW) == Decoded(1500)
    twice = "states its unit, which is converted already: scale must then be 1, or -1 to turn its sign"
    assert decode(b'{"power": {"kw": "1.5 kW"}}', KW) == Refused(twice)
    turned = Source("grid_w", "t", scale=-1)
    assert decode(b"1.5 kW", turned) == Decoded(-1500)


def test_what_charges_and_what_discharges_may_be_members_of_their_own() -> None:
    source = Source("battery_w", "t", pointer="/charge", minus_pointer="/discharge", scale=1000)
    assert decode(b'{"charge": 1.5, "discharge": 0}', source) == Decoded(1500)
    assert decode(b'{"charge": 0, "discharge": "0.25"}', source) == Decoded(-250)
    assert decode(b'{"charge": 0}', source) == Refused("nothing at its minus_pointer")
    assert decode(b'{"discharge": 0}', source) == Refused("nothing at its pointer")
    assert decode(b'{"charge": 1, "discharge": null}', source) == Refused("says it has no value")


@pytest.mark.parametrize(
    ("stamp", "age_s"), [("PT12.5S", 12.5), ("PT0S", 0), ("PT1M5S", 65), ("P0DT0H2M", 120), ("PT1,5H", 5400)]
)
def test_a_payload_may_say_how_old_it_is(stamp: str, age_s: float) -> None:
    assert decode(json.dumps({"w": 5, "t": stamp}).encode(), STAMPED) == Decoded(5, None, age_s)


@pytest.mark.parametrize(
    ("stamp", "reason"),
    [
        ("P2D", "its time is more than a day ago"),
        ("P1M", "its time is not one"),
        ("PT", "its time is not one"),
        ("P", "its time is not one"),
        ("-PT5S", "its time is not one"),
        ("PT" + "9" * 80 + "S", "its time is not one"),
    ],
)
def test_ages_that_are_refused(stamp: str, reason: str) -> None:
    assert decode(json.dumps({"w": 5, "t": stamp}).encode(), STAMPED) == Refused(reason)


def test_a_time_far_from_now_is_refused() -> None:
    now_s = 1_780_308_000.0
    for at_s in (now_s - FAR_S, now_s, now_s + FAR_S):
        assert in_reach(Decoded(5, at_s), now_s) == Decoded(5, at_s)
    assert in_reach(Decoded(5, 1_000_000_001), now_s) == Refused("its time is more than a day ago")
    ahead = Refused("its time is more than a day ahead of this machine's clock")
    assert in_reach(Decoded(5, now_s + FAR_S + 1), now_s) == ahead
    assert in_reach(Decoded(5), now_s) == Decoded(5)


@pytest.mark.parametrize("payload", [b"on", b"off", b"true", b'"on"', b'{"level": true}', b'{"level": "off"}'])
@pytest.mark.parametrize("signal", ["tank_level_pct", "battery_level_pct", "tank_top_c", "diverted_wh", "export_price"])
def test_what_is_no_power_is_never_on_or_off(signal: str, payload: bytes) -> None:
    source = Source(signal, "t", pointer="/level" if payload.startswith(b"{") else "")
    assert decode(payload, source) == Refused("not a number")


def test_one_payload_feeds_several_sources() -> None:
    sources = (
        Source("grid_w", "t", pointer="/grid"),
        Source("tank_level_pct", "t", pointer="/level"),
        Source("tank_top_c", "t", pointer="/nothing"),
    )
    assert decode_all(b'{"grid": -5, "level": 61}', sources) == [
        Decoded(-5),
        Decoded(61),
        Refused("nothing at its pointer"),
    ]


def test_a_word_serves_the_source_without_pointer_beside_one_with() -> None:
    assert decode_all(b"on", (GRID, KW)) == [Decoded(1), Refused("not readable as JSON")]


def test_a_heaters_own_signal_has_the_signals_bounds() -> None:
    assert decode(b"-1", Source("diverted_wh_upper", "t")) == Refused("below the lowest value taken as real")


@pytest.mark.parametrize("name", ["nonsense", "diverted_kw", "tank_level_pct_upper"])
def test_unknown_signals_are_a_mistake_of_the_caller(name: str) -> None:
    with pytest.raises(ValueError, match="no signal is called"):
        Source(name, "t")


@pytest.mark.parametrize(
    ("stamp", "at_s"),
    [
        ('"2026-06-01T10:00:00Z"', 1780308000.0),
        ('"2026-06-01T12:00:00+02:00"', 1780308000.0),
        ('"2026-06-01 10:00:00.250+00:00"', 1780308000.25),
        ("1780308000", 1780308000.0),
        ("1780308000.5", 1780308000.5),
        ("1780308000500", 1780308000.5),
        ('"1780308000"', 1780308000.0),
    ],
)
def test_a_payloads_own_time(stamp: str, at_s: float) -> None:
    assert decode(f'{{"w": 5, "t": {stamp}}}'.encode(), STAMPED) == Decoded(5, at_s)


@pytest.mark.parametrize(
    ("stamp", "reason"),
    [
        ('"2026-06-01T10:00:00"', "its time has no offset from UTC"),
        ('"2026-06-01"', "its time has no offset from UTC"),
        ('"yesterday"', "its time is not one"),
        ('""', "its time is not one"),
        ('"' + "9" * 100 + '"', "its time is not one"),
        ('"1970-01-01T00:00:07Z"', "its time is not plausible"),
        ("7", "its time is not plausible"),
        ("-5", "its time is not plausible"),
        ("1780308000000000", "its time is not plausible"),
        ("1e999", "its time is not plausible"),
        ("NaN", "its time is not plausible"),
        ("1" * 400, "its time is not plausible"),
        ("true", "its time is not one"),
        ("null", "its time is not one"),
        ("[]", "its time is not one"),
    ],
)
def test_times_that_are_refused(stamp: str, reason: str) -> None:
    assert decode(f'{{"w": 5, "t": {stamp}}}'.encode(), STAMPED) == Refused(reason)


def test_without_the_time_that_was_promised_the_value_is_refused() -> None:
    assert decode(b'{"w": 5}', STAMPED) == Refused("no time at its pointer")


@pytest.mark.parametrize("value", ["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59"])
def test_the_calendars_ends(value: str) -> None:
    with pytest.raises(ValueError, match="not plausible"):
        instant(value)


SOURCES = [
    GRID,
    KW,
    LEVEL,
    STAMPED,
    Source("grid_w", "t", pointer="/0"),
    Source("tank_top_c", "t", pointer="", time_pointer="/t", words={"hot": 60}),
]
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["power", "kw", "w", "t"]) | st.text(), inner, max_size=4)
    ),
    max_leaves=12,
)
PAYLOADS = (
    st.binary(max_size=200)
    | st.text(max_size=50).map(lambda text: text.encode("utf-8", "replace"))
    | JSON.map(lambda document: json.dumps(document).encode())
    | JSON.map(lambda document: json.dumps({"power": {"kw": document}, "w": document, "t": document}).encode())
)


@given(PAYLOADS, st.sampled_from(SOURCES))
def test_whatever_comes_the_answer_is_a_finite_value_in_bounds_or_a_known_reason(
    payload: bytes, source: Source
) -> None:
    match decode(payload, source):
        case Decoded(value, at_s):
            assert math.isfinite(value)
            assert source.lowest <= value <= source.highest
            assert at_s is None or 1e9 <= at_s < 1e10
        case Refused(reason):
            assert reason in REASONS


@given(st.floats(-1e6, 1e6), st.sampled_from(["%r", ' "%r" ']))
def test_a_number_comes_back_as_it_was_sent(value: float, form: str) -> None:
    assert decode((form % value).encode(), GRID) == Decoded(value)
