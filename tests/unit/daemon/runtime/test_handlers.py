"""What the daemon says and does at each question and wish."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from accounting.ledger import EventRow, Ledger
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.documents.times import iso
from daemon.mqtt.address import BrokerAddress
from daemon.runtime.service import Service
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Ask, Heard, Linked, Tick
from rules.model.errors import BrimfulError
from rules.model.orders import Order
from rules.model.reading import NEVER_LIVE_S, Reading
from tests.support.broker import free_port

NOON_S = 1_780_315_200.0  # 2026-06-01T12:00:00Z
WITHIN_S = 30.0
HOME = """\
[home]
name = "Plover Barn"
timezone = "Europe/Dublin"
currency = "EUR"
[signals.grid_w]
topic = "barn/meter"
[signals.tank_level_pct]
topic = "barn/level"
[signals.diverted_wh_upper]
topic = "barn/upper/wh"
[signals.diverted_wh_lower]
topic = "barn/lower/wh"
[heaters.upper]
kind = "gate"
rated_w = 1200
topic = "barn/upper/order"
orders = { withhold = "off", surplus = "on", heat = "grid" }
[heaters.lower]
kind = "gate"
rated_w = 3000
topic = "barn/lower/order"
orders = { withhold = "off", surplus = "on" }
[rules.heaters]
prefer = ["upper", "lower"]
"""


class Running:
    """A daemon whose broker is not there, on a clock that stands."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "home.toml"
        self.file.write_text(f"{HOME}\n[api]\nport = {free_port()}\n", encoding="utf-8")
        self.clock = SteppedClock(NOON_S)
        nobody = BrokerAddress("127.0.0.1", free_port())
        self.service = Service(prepare(load(self.file)), nobody, self.clock, stepped_from_s=NOON_S)
        self.service.start()

    def hear(self, **values: float) -> None:
        self.service.loop.put(Heard(tuple(Reading(name, value, NOON_S, NOON_S) for name, value in values.items())))

    def ask(self, name: str, **arguments: Any) -> dict[str, Any]:
        question = Ask(name, arguments)
        self.service.loop.put(question)
        answer: dict[str, Any] = question.answer.result(WITHIN_S)
        assert json.loads(json.dumps(answer, allow_nan=False)) == answer
        return answer

    def override(self, **arguments: Any) -> dict[str, Any]:
        return self.ask("override", **arguments)

    def refused(self, name: str, **arguments: Any) -> str:
        with pytest.raises(BrimfulError) as told:
            self.ask(name, **arguments)
        return str(told.value)

    def orders(self) -> dict[str, str]:
        return {told["heater"]: told["order"] for told in self.ask("why")["heaters"]}

    def tick(self) -> None:
        done = Tick()
        self.service.loop.put(done)
        done.done.result(WITHIN_S)


@contextmanager
def started(folder: Path) -> Iterator[Running]:
    made = Running(folder)
    yield made
    made.service.stop()
    assert made.service.join(WITHIN_S)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    with started(tmp_path) as made:
        yield made


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """One for all the tests that change nothing."""
    with started(tmp_path_factory.mktemp("standing")) as made:
        made.hear(grid_w=-2000.0, tank_level_pct=50.0)
        yield made


# Overrides


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ({"order": "surplus"}, "for_s: expected 1 s to 7 days, got None; an override always ends"),
        ({"order": "surplus", "for_s": None}, "for_s: expected 1 s"),
        ({"order": "surplus", "for_s": "60"}, "for_s: expected 1 s"),
        ({"order": "surplus", "for_s": float("inf")}, "for_s: expected 1 s"),
        ({"order": "surplus", "for_s": 0}, "for_s: expected 1 s"),
        ({"order": "surplus", "for_s": -60}, "for_s: expected 1 s"),
        ({"order": "surplus", "for_s": 7 * 86_400 + 1}, "got 604801"),
        ({"order": "boil", "for_s": 60}, "order: expected withhold, surplus, heat, got 'boil'"),
        ({"for_s": 60}, "order: expected withhold, surplus, heat, got None"),
        ({"order": "surplus", "for_s": 60, "heater": "kettle"}, "heater: expected one of upper, lower, got 'kettle'"),
        ({"order": "heat", "for_s": 60, "heater": "lower"}, "heaters.lower: expected a heater that obeys `heat`"),
    ],
)
def test_an_override_that_is_refused_changes_nothing(standing: Running, arguments: dict[str, Any], told: str) -> None:
    before = standing.orders()
    assert told in standing.refused("override", **arguments)
    assert standing.orders() == before == {"upper": "surplus", "lower": "withhold"}


def test_an_override_always_says_when_it_ends(running: Running) -> None:
    for for_s in (1, 60.5, 7 * 86_400):
        answer = running.override(order="withhold", for_s=for_s)
        assert answer["until"] == iso(NOON_S + for_s)
        assert answer["sentence"].startswith("override: withhold until ")
        assert running.ask("why")["override"] == {"order": "withhold", "heater": None, "ends_in_s": for_s}


def test_an_override_asks_the_heater_it_names(running: Running) -> None:
    running.hear(grid_w=-2000.0, tank_level_pct=50.0)
    assert running.override(order="surplus", for_s=60, heater="lower")["order"] == "surplus"
    assert running.orders() == {"upper": "withhold", "lower": "surplus"}
    running.override(order="heat", for_s=60, heater="upper")
    assert running.orders() == {"upper": "heat", "lower": "withhold"}
    running.override(clear=True)
    assert running.orders() == {"upper": "surplus", "lower": "withhold"}
    assert running.ask("why")["override"] is None


def test_an_override_to_withhold_names_no_heater_and_means_all(running: Running) -> None:
    running.hear(grid_w=-2000.0, tank_level_pct=50.0)
    running.override(order="withhold", for_s=60)
    assert running.orders() == {"upper": "withhold", "lower": "withhold"}


def test_no_override_beats_a_full_tank_or_a_level_nobody_knows(running: Running) -> None:
    assert running.override(order="heat", for_s=60)["guard"] == "fresh"
    running.hear(tank_level_pct=97.0)
    answer = running.override(order="heat", for_s=60)
    assert (answer["order"], answer["guard"]) == ("withhold", "full")
    assert Order.HEAT not in {told.order for told in running.service.controller.engine.decision.orders}  # type: ignore[union-attr]


# Questions


def test_why_has_the_figures_and_their_ages(running: Running) -> None:
    running.hear(grid_w=-2000.0, tank_level_pct=50.0)
    running.service.loop.put(Heard((Reading("diverted_wh_upper", 7.0, NOON_S, NEVER_LIVE_S),)))
    running.tick()
    running.clock.move_to(NOON_S + 12.34)
    why = running.ask("why")
    assert why["schema"] == "brimful.why/1"
    assert (why["home"], why["at"]) == ("Plover Barn", "2026-06-01T12:00:12Z")
    assert (why["heater"], why["order"], why["guard"]) == ("upper", "surplus", "surplus")
    assert "2,000 W" in why["sentence"]
    assert why["inputs"] == [
        {"signal": "diverted_wh_upper", "value": 7.0, "age_s": None, "stale_after_s": 60.0},
        {"signal": "grid_w", "value": -2000.0, "age_s": 12.3, "stale_after_s": 60.0},
        {"signal": "tank_level_pct", "value": 50.0, "age_s": 12.3, "stale_after_s": 900.0},
    ]
    guards = [finding["guard"] for finding in why["findings"]]
    assert len(guards) == len(set(guards)) > 5
    assert {finding["verdict"] for finding in why["findings"]} == {"allow"}


def test_why_names_the_links_that_are_down(running: Running) -> None:
    # Names of no connection of this house: what its own report, and when, is not the test's to say.
    running.service.loop.put(Linked("far", False, "nothing listens there"))
    running.service.loop.put(Linked("near", True))
    down = running.ask("why")["links_down"]
    assert down["far"] == "nothing listens there"
    assert "near" not in down


def test_health_tells_links_books_and_alarms(running: Running) -> None:
    running.service.loop.put(Linked("far", False, "connection refused"))
    health = running.ask("health")
    assert health["schema"] == "brimful.health/1"
    assert health["links"]["far"] == {"up": False, "reason": "connection refused"}
    assert health["books"]["fault"] == ""
    assert health["books"]["outbox"] == 0
    assert health["timeseries"] is None
    assert health["prices"] == {"faults": []}


# Rules


def test_a_rule_is_shown_and_changed_in_its_file(running: Running) -> None:
    assert running.ask("rules")["rules"]["full"]["stop_at_pct"] == {"value": 95, "set": False}
    changed = running.ask("rule", rule="full", set={"stop_at_pct": 90}, file=str(running.file.resolve()))
    assert changed["applied"] is True
    assert changed["changes"] == [
        {"key": "stop_at_pct", "old": 95, "new": 90},
        {"key": "resume_below_pct", "old": 88, "new": 83},
    ]
    assert running.ask("rules")["rules"]["full"]["stop_at_pct"] == {"value": 90, "set": True}
    assert "stop_at_pct = 90" in running.file.read_text()
    running.hear(grid_w=-2000.0, tank_level_pct=91.0)
    assert running.ask("why")["guard"] == "full"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ({}, 'expected {"rule": NAME, "set": {KEY: VALUE}}'),
        ({"rule": "full", "set": ["stop_at_pct"]}, 'expected {"rule": NAME, "set": {KEY: VALUE}}'),
        ({"rule": "fill", "set": {}}, "full is meant?"),
        ({"rule": "full", "set": {"stop_at": 90}}, "rules.full.stop_at: expected a known key"),
        ({"rule": "full", "set": {"stop_at_pct": {"a": 1}}}, "rules.full.stop_at_pct"),
        ({"rule": "full", "set": {"stop_at_pct": "90\n[api]\nport = 1"}}, "rules.full.stop_at_pct"),
        ({"rule": "yield", "set": {"signal": 'x"\n[api]\nport = 1'}}, "rules.yield"),
    ],
)
def test_a_rule_that_makes_no_sense_leaves_the_file_alone(
    standing: Running, arguments: dict[str, Any], told: str
) -> None:
    before = standing.file.read_bytes()
    assert told in standing.refused("rule", **arguments)
    assert standing.file.read_bytes() == before


def test_another_homes_daemon_changes_no_rule(standing: Running, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    told = standing.refused("rule", rule="full", set={"stop_at_pct": 90}, file=str(other))
    assert f"{other}: expected the running daemon's home file" in told
    assert "another home's daemon answers at this port" in told
    assert "stop_at_pct" not in standing.file.read_text()


# The owner's notes


def test_a_note_is_kept_at_once_and_a_withdrawal_is_another_event(running: Running) -> None:
    told = running.ask("note", day="2026-05-02", kind="hardware", text="a new meter")
    assert (told["done"], told["kept"], told["text"]) == ("written", True, "a new meter")
    kept = _owners(running)
    assert [(event.sentence, event.figures["day"]) for event in kept] == [("a new meter", "2026-05-02")]
    assert running.ask("withdraw", note=told["note"])["done"] == "withdrawn"
    assert [event.sentence for event in _owners(running)] == ["a new meter", "withdrawn: a new meter"]
    assert "it may be withdrawn already" in running.refused("withdraw", note=told["note"])
    assert "kind: expected one of" in running.refused("note", day="2026-05-02", kind="gossip", text="x")
    assert len(_owners(running)) == 2


def _owners(running: Running) -> list[EventRow]:
    home = load(running.file)
    with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger:
        return ledger.events(0, float("inf"), "owner.*")


def test_why_tells_the_level_since_when_and_the_prices_in_force(running: Running) -> None:
    assert running.ask("why")["level"] is None
    running.hear(grid_w=-2000.0, tank_level_pct=97.0)
    told = running.ask("why")
    since = "2026-06-01T12:00:00Z"
    assert told["level"] == {"value_pct": 97.0, "age_s": 0.0, "fresh": True, "since": since, "full_since": since}
    assert told["prices"] == {"import_price": None, "export_price": None, "heat_value": None}


def test_a_changed_rule_stands_among_the_events_with_old_and_new(running: Running) -> None:
    running.ask("rule", rule="full", set={"stop_at_pct": "92"})
    home = load(running.file)
    with Ledger.open_reader(home.path_of(home.ledger.path)) as ledger:
        told = [event.sentence for event in ledger.events(0, float("inf"), "rule.*")]
    assert told == ["rules.full: stop_at_pct 95 → 92, resume_below_pct 88 → 85"]


def test_a_hygiene_rule_that_is_set_counts_from_then_and_says_what_it_cannot_know(running: Running) -> None:
    assert running.ask("why")["hygiene"] is None
    changed = running.ask("rule", rule="hygiene", set={"heater": "lower", "heat": "false"})
    assert any("replaces no thermostat" in caution for caution in changed["cautions"])
    running.hear(grid_w=-500.0, tank_level_pct=50.0)
    whole = running.ask("why")["hygiene"]
    assert (whole["known_by"], whole["days_since"], whole["overdue"]) == ("nothing", None, False)
    assert whole["due"] == iso(NOON_S + 86_400)
    assert whole["sentence"].startswith("nothing shows whether the whole tank ever gets hot")
    assert running.ask("health")["hygiene"] == whole
