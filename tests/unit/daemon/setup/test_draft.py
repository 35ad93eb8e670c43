"""The home file that is begun from what was heard: it loads, it only watches, and it says what is doubtful."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config.load import load, parse
from daemon.setup.draft import UNHEARD, Facts, draft
from daemon.setup.suggest import suggest
from daemon.setup.survey import Survey, Topic
from daemon.simulation.house.simulated import DEMO, DemoHouse
from tests.support.heard import listened

_DEMO = Path(__file__).parents[4] / "daemon" / "demo" / "home.toml"
_MORNING_S = 1_781_074_800.0  # 2026-06-10 07:00 UTC


def _written(heard: dict[str, Topic], facts: Facts = Facts()) -> str:  # noqa: B008 (frozen)
    return draft(facts, suggest(heard), heard)


def test_the_simulated_house_is_guessed_as_its_own_home_file_has_it() -> None:
    house = DemoHouse(1, _MORNING_S)
    survey = Survey()
    for _ in range(120):
        house.advance(10)
        listened(survey, house.now_s, house.readings())
    text = _written(survey.readable(), Facts("Larch Cottage", str(DEMO.timezone), "EUR", (), 1200))
    home = parse(text.encode(), Path("new.toml"))
    meant = load(_DEMO)
    places = {name: (one.topic, one.pointer, one.scale, one.time_pointer) for name, one in home.signals.items()}
    wanted = {name: (one.topic, one.pointer, one.scale, one.time_pointer) for name, one in meant.signals.items()}
    assert places == wanted
    assert home.watches
    assert (home.home.name, home.home.timezone, home.home.currency) == ("Larch Cottage", "Europe/Dublin", "EUR")
    assert "NOT HEARD: orders cannot be guessed" in text
    assert "# DOUBTFUL: the sign" in text
    assert "taken for no signal" not in text


def test_nothing_heard_gives_a_file_that_loads_and_says_what_lacks() -> None:
    text = _written({})
    home = parse(text.encode(), Path("new.toml"))
    assert {name: signal.topic for name, signal in home.signals.items()} == {
        "tank_level_pct": f"{UNHEARD}/tank/level",
        "grid_w": f"{UNHEARD}/meter/power",
        "diverted_wh": f"{UNHEARD}/diverter/energy",
    }
    assert text.count("NOT HEARD") == 5
    assert home.watches


def test_a_broker_and_what_takes_orders_stand_in_it() -> None:
    heard = {"shed/diverter/permit": Topic(b"0", 1, True), "shed/door": Topic(b"open\x07", 3, False)}
    text = _written(heard, Facts(broker=('host = "broker.tern.example"', "port = 1884"), notes=("a note",)))
    home = parse(text.encode(), Path("new.toml"))
    assert home.broker is not None
    assert (home.broker.host, home.broker.port) == ("broker.tern.example", 1884)
    assert '# perhaps: topic = "shed/diverter/permit"   # heard: "0"' in text
    assert '# "shed/door"' in text
    assert "# a note" in text


def test_a_level_that_came_once_leaves_the_time_to_its_owner() -> None:
    heard = {"cylinder/charge": Topic(b"87%", 1, True), "meter/power": Topic(b"-420", 9, False)}
    text = _written(heard)
    assert "# stale_after_s = 14400" in text
    assert "it came only retained. If it is sent on change alone" in text
    home = parse(text.encode(), Path("new.toml"))
    assert home.signals["tank_level_pct"].stale_after_s is None


_NAMES = st.text(
    st.sampled_from("abcdefgw/_ 0123456789\"\\\x01\x7f\U0001f600é#=[]'\n").filter(lambda one: one != "#"), max_size=12
)
_KNOWN = st.sampled_from(["meter/power", "tank/level", "battery/w", "diverter/wh", "cylinder/top/temp", "pv/kw", "x"])

_PAYLOADS = [b"87%", b"1.2 kW", b'{"w": 3}', b"5", b'{"\\ud800 w": 3, "w": 4}', b'{"x\\n[ledger]": 3}']


@given(
    st.dictionaries(
        st.tuples(_KNOWN, _NAMES).map("/".join),
        st.tuples(st.one_of(st.binary(max_size=30), st.sampled_from(_PAYLOADS)), st.booleans()),
        max_size=6,
    )
)
@pytest.mark.filterwarnings("error")
def test_whatever_is_heard_the_file_loads(heard: dict[str, tuple[bytes, bool]]) -> None:
    topics = {name: Topic(payload, 1, retained) for name, (payload, retained) in heard.items()}
    text = _written(topics)
    tomllib.loads(text)
    assert parse(text.encode(), Path("new.toml")).watches
