"""What must agree about readers, pulse counters, alerts and the Homie device."""

import re

import pytest

from daemon.assembly.endpoints import read_sources, sources
from daemon.assembly.prepared_home import prepare
from daemon.config.load import ConfigError
from tests.support.homes import EXAMPLE, SMALL, home

SUNSPEC = """
[readers.roof]
kind = "sunspec"
host = "192.0.2.7"

[signals.pv_w]
topic = "reader:roof"
pointer = "/103/W"
"""
TELEGRAMS = """
[readers.meter]
kind = "telegrams"
format = "sml"
{}

[signals.pv_w]
topic = "reader:meter"
"""
ALERT = """
[[alerts]]
kind = "mqtt"
topic = "{}"
"""
PULSES = SMALL.replace('topic = "hut/energy"', 'topic = "hut/pulses"\npulses_per_kwh = 800')


def refused(text: str) -> str:
    with pytest.raises(ConfigError) as wrong:
        home(text)
    return str(wrong.value)


def test_pulses_are_watt_hours_by_the_meters_constant_and_their_step_is_one_pulse() -> None:
    """IEC 62053-31 has pulse outputs, with the constant on the meter's face: 800 imp/kWh is 1.25 Wh a pulse."""
    made = home(PULSES)
    (counter,) = [source for source in sources(made) if source.signal == "diverted_wh"]
    assert counter.scale == 1.25
    assert [heater.resolution_wh for heater in prepare(made).books.heaters] == [1.25]
    coarse = home(PULSES.replace("pulses_per_kwh = 800", "pulses_per_kwh = 800\nresolution = 10"))
    assert coarse.signals["diverted_wh"].step == 10
    assert home(SMALL).signals["diverted_wh"].step == 100


def test_what_a_reader_reads_is_not_heard_on_the_broker() -> None:
    made = home(SMALL + SUNSPEC)
    assert [(source.signal, source.topic, source.pointer) for source in read_sources(made)] == [
        ("pv_w", "reader:roof", "/103/W")
    ]
    assert "pv_w" not in [source.signal for source in sources(made)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (PULSES.replace("= 800", "= 800\nscale = 2"), "signals.diverted_wh.pulses_per_kwh: expected either scale or"),
        (
            SMALL.replace('topic = "hut/meter"', 'topic = "hut/meter"\npulses_per_kwh = 800'),
            'signals.grid_w.pulses_per_kwh: expected a signal that counts energy, as diverted_wh does, got "grid_w"',
        ),
        (SMALL + SUNSPEC.replace("reader:roof", "reader:rof"), "signals.pv_w.topic: expected a reader of the table"),
        (SMALL + SUNSPEC.replace("reader:roof", "hut/pv"), "readers.roof: expected a signal with topic"),
        (SMALL + TELEGRAMS.format(""), "readers.meter.host: expected either host and port, or device, got neither"),
        (SMALL + TELEGRAMS.format('host = "a"\ndevice = "b"'), "readers.meter.host: expected either host and port, or"),
        (SMALL + TELEGRAMS.format('host = "a"'), "readers.meter.port: expected host and port together"),
        (SMALL + ALERT.format("hut/permit"), "alerts[#1].topic: expected another topic than heaters.main"),
        (SMALL + ALERT.format("hut/tank"), "alerts[#1].topic: expected another topic than signals"),
        (SMALL + ALERT.format("brimful/wren-hut/x"), "alerts[#1].topic: expected a topic outside brimful"),
        (
            SMALL.replace("hut/permit", "homie/5/brimful-wren-hut/tank/stop-level/set") + "[homie]\n",
            "heaters.main.topic: expected a topic outside homie/5/brimful-wren-hut/",
        ),
        (SMALL + '[homie]\ndomain = "Home/x"\n', 'homie.domain: expected a topic level such as "homie"'),
        (SMALL + '[[alerts]]\nkind = "webhook"\nurl = "ftp://x"\n', "url: expected an http or https address"),
    ],
)  # fmt: skip
def test_what_disagrees_is_named(text: str, said: str) -> None:
    assert said in refused(text)


def test_what_agrees_is_taken() -> None:
    made = home(
        SMALL
        + SUNSPEC
        + '[homie]\nsettable = true\n[[alerts]]\nkind = "mqtt"\ntopic = "hut/alerts"\n'
        + '[[alerts]]\nkind = "webhook"\nurl = "https://hooks.example.org/x?k=1"\nwhat = ["alarm"]\n'
        + '[[alerts]]\nkind = "notify"\nurls_file = "urls"\n'
    )
    assert [alert.kind for alert in made.alerts] == ["mqtt", "webhook", "notify"]
    assert made.alerts[1].what == ("alarm",)


def test_what_the_example_file_has_as_comments_loads_once_it_is_none() -> None:
    text = EXAMPLE.read_text()
    begin, end = text.index("# ---- Neighbours"), text.index("# A copy of each settled interval.")
    lines = re.findall(r"^# (\[.*|[a-z_]+ = .*)$", text[begin:end], flags=re.MULTILINE)
    made = home("\n".join((text[:begin], *lines, text[end:])))
    assert made.homie is not None
    assert [alert.kind for alert in made.alerts] == ["mqtt", "webhook", "notify"]
    assert [reader.kind for reader in made.readers.values()] == ["sunspec", "telegrams", "forecast"]
    assert len(read_sources(made)) == 3
