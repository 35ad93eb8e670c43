"""The keeper and a real ledger: all of it is written together, or kept for the next time."""

from collections.abc import Iterator
from dataclasses import astuple, replace
from datetime import date, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from accounting.ledger import Batch, Facts, Ledger, LedgerError, LedgerWriter, OutboxKey
from accounting.ledger.tape import unpack
from accounting.model.entry import Entry
from accounting.pricing.bands import Band, Period
from accounting.pricing.signal_series import HeardSeries
from accounting.pricing.tariffs import Tariff
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.recording.memory_codec import read
from daemon.recording.unit_of_work import FEW, MEMORY, METER, MOST_MINUTES, MOST_ROWS, Keeper
from rules.model.memory import Frozen
from rules.model.orders import Order
from rules.model.overriding import set_override
from rules.model.reading import NEVER_LIVE_S, Moment, Reading
from tests.support.rules_case import settings

START_S = 1_780_315_200.0  # 2026-06-01T12:00:00Z, 13:00 in Dublin
WIRING = Wiring(("grid_w", -1.0), True, (None,), ("diverted_wh",), None, None, 10.0, 60.0)
RULES = settings(stale_after_s={"grid_w": 600.0, "tank_level_pct": 600.0, "diverted_wh": 600.0})
EXPORT = Tariff("export", (Period(date(2020, 1, 1), None, (Band("all", Fraction(1, 10)),)),), "UTC")
BOOKS = BooksSettings((HeaterBooks("main", 3000.0, counter="diverted_wh"),), late_s=120.0, export=EXPORT)


def with_price() -> BooksSettings:
    """Books with an import price that is heard."""
    price = HeardSeries("import_price", 600.0)
    return replace(BOOKS, imports=price, heard=(price,))


class Flaky:
    """A ledger whose disk is full for a while."""

    def __init__(self, ledger: LedgerWriter) -> None:
        self.full = False
        self._ledger = ledger

    def commit(self, batch: Batch) -> None:
        if self.full:
            raise LedgerError("write to the ledger", str(self._ledger.path), "the disk is full", may_pass=True)
        self._ledger.commit(batch)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._ledger, name)


class House:
    """An engine and a keeper on a ledger, living by one clock."""

    def __init__(self, folder: Path, timezone: str = "Europe/Dublin", start_s: float = START_S) -> None:
        self.path = folder / "house.sqlite"
        facts = Facts("Wren Hut", 30, "EUR", timezone, ("main",))
        self.disk = Flaky(LedgerWriter.open(self.path, facts))
        self.keeper = Keeper(self.disk)  # type: ignore[arg-type]
        rules = settings(stale_after_s=RULES.stale_after_s, timezone=timezone)
        books = Books(with_price(), self.disk.state(METER))
        self.start_s = start_s
        self.engine = Engine(rules, Board(rules, WIRING), books, read(self.disk.state(MEMORY), rules, self.at(0)))
        self.engine.decide(self.at(0))

    def at(self, after_s: float) -> Moment:
        return Moment(self.start_s + after_s, after_s)

    def hear(self, after_s: float, **values: float) -> None:
        readings = [Reading(name, value, self.start_s + after_s, after_s) for name, value in values.items()]
        self.engine.hear(readings, self.at(after_s))
        self.keeper.record(readings)

    def commit(self, after_s: float) -> None:
        self.keeper.commit(self.engine, self.at(after_s))

    def seen(self) -> "Seen":
        with Ledger.open_reader(self.path) as ledger:
            return Seen(ledger)


class Seen:
    """What another program finds in the ledger."""

    def __init__(self, ledger: Ledger) -> None:
        self.entries = ledger.entries(0, 2**40)
        self.open = ledger.open_entries()
        self.decisions = ledger.decisions(0, 2**40)
        self.events = [(event.kind, event.name) for event in ledger.events(0, 2**40)]
        self.tape = unpack(ledger.tape(0, 2**40))
        self.outbox = [item.key for item in ledger.outbox_peek(100)]
        self.state = {key: ledger.state(key) for key in (METER, MEMORY)}
        self.known_until_s = ledger.known_until_s()

    def parts(self) -> list[Any]:
        return [[astuple(e) for e in self.entries], [astuple(e) for e in self.open], self.decisions, self.events,
                self.tape, self.outbox, self.state, self.known_until_s]  # fmt: skip


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    yield made
    made.keeper.close()


def full_half_hour(house: House) -> None:
    """A half hour with 600 Wh, two minutes into the next with 20 Wh more; a decision and an event."""
    for minute in range(33):
        house.hear(60.0 * minute, grid_w=-500.0, tank_level_pct=50.0, diverted_wh=1000.0 + 20 * minute)
    house.keeper.decided(house.engine.explain(house.at(1920.0)), house.at(1920.0))
    house.keeper.event("alarm", "level silent", "no level heard", house.at(1920.0))


def test_all_that_waits_is_written_together(house: House) -> None:
    full_half_hour(house)
    house.commit(1980.0)
    seen = house.seen()
    assert [(entry.start_s, entry.diverted_wh) for entry in seen.entries] == [(START_S, 600)]
    assert [(entry.start_s, entry.diverted_wh) for entry in seen.open] == [(START_S + 1800, 40)]
    assert [(row.order, row.guard) for row in seen.decisions] == [(Order.SURPLUS, "surplus")]
    assert seen.events == [("alarm", "level silent")]
    assert seen.outbox == [OutboxKey(int(START_S), "main", 1)]
    assert seen.known_until_s == START_S + 1980
    assert house.keeper.written_at_s == START_S + 1980
    # Each minute of the tape ends with its reading; the first row is the reading at the start itself.
    assert [(end_s - START_S, values["diverted_wh"]) for end_s, values in seen.tape] == [
        (60.0 * minute, 1000.0 + 20 * minute) for minute in range(33)
    ]


def test_what_is_written_once_is_not_written_again(house: House) -> None:
    full_half_hour(house)
    house.commit(1980.0)
    before = house.seen()
    house.commit(1981.0)
    after = house.seen()
    assert after.parts()[:6] == before.parts()[:6]


def test_what_could_not_be_written_goes_with_the_next_commit(tmp_path: Path) -> None:
    (tmp_path / "well").mkdir()
    (tmp_path / "ill").mkdir()
    well, ill = House(tmp_path / "well"), House(tmp_path / "ill")
    try:
        for house in (well, ill):
            house.disk.full = house is ill
            full_half_hour(house)
            house.keeper.settle(house.engine, house.at(1980.0))  # the half hour is complete: written at once
            house.disk.full = False
            house.hear(2000.0, diverted_wh=1645.0)
            house.commit(2100.0)
        told = ill.seen()
        assert told.events[1:] == [*well.seen().events[1:], ("alarm", "ledger"), ("recovered", "ledger")]
        told.events = well.seen().events
        assert told.parts() == well.seen().parts()
        assert len(well.seen().entries) == 1
    finally:
        well.keeper.close()
        ill.keeper.close()


def test_a_failed_commit_writes_nothing_and_is_told_once(house: House, caplog: pytest.LogCaptureFixture) -> None:
    full_half_hour(house)
    house.disk.full = True
    house.commit(1980.0)
    house.commit(1990.0)
    assert house.seen().entries == []
    assert house.keeper.written_at_s is None
    assert "the disk is full" in house.keeper.fault
    assert "the disk is full" in house.keeper.health()["fault"]
    assert [record.levelname for record in caplog.records] == ["ERROR"]
    house.disk.full = False
    house.commit(2000.0)
    assert house.keeper.fault == ""
    assert [record.levelname for record in caplog.records] == ["ERROR", "WARNING"]


def test_what_waits_for_a_failing_ledger_is_bounded_and_no_energy_goes(house: House) -> None:
    """A month of a full disk: the newest decisions, events and minutes wait, all of the entries, all set aside."""
    house.disk.full = True
    house.hear(0.0, grid_w=-500.0, tank_level_pct=50.0, diverted_wh=1000.0)
    explanation = house.engine.explain(house.at(0.0))
    hours = 30 * 24
    for hour in range(1, hours + 1):
        for minute in range(60):
            house.keeper.record([Reading("grid_w", -500.0, START_S + hour * 3600 + minute * 60, 1.0)])
        house.hear(hour * 3600.0, diverted_wh=1000.0 + 100 * hour)
        for _ in range(5):
            house.keeper.decided(explanation, house.at(hour * 3600.0))
            house.keeper.event("note", f"hour {hour}", "an hour", house.at(hour * 3600.0))
        house.keeper.event("quarantine", "quarantine.main", "too much", house.at(hour * 3600.0))
        if hour % 20 == 0:
            house.commit(hour * 3600.0)
    house.disk.full = False
    house.commit(hours * 3600.0 + 1800)
    seen = house.seen()
    assert sum(one.diverted_wh for one in (*seen.entries, *seen.open)) == 100 * hours
    assert len(seen.decisions) == MOST_ROWS
    assert seen.events.count(("quarantine", "quarantine.main")) == hours
    notes = [name for kind, name in seen.events if kind == "note"]
    assert len(notes) == MOST_ROWS
    assert notes[-1] == f"hour {hours}"
    assert len(seen.tape) <= MOST_MINUTES + 60
    with Ledger.open_reader(house.path) as ledger:
        (told,) = [row for row in ledger.events(0, 2**40) if row.kind == "recovered"]
    let_go = told.figures["let_go"]
    assert (let_go["decisions"], let_go["events"]) == (5 * hours - MOST_ROWS, 5 * hours - MOST_ROWS)
    assert let_go["minutes of tape"] > 35_000
    assert f"{5 * hours - MOST_ROWS} decisions" in told.sentence
    house.commit(hours * 3600.0 + 1900)
    assert house.seen().events.count(("recovered", "ledger")) == 1


def test_settling_waits_until_there_is_something_to_settle(house: House) -> None:
    full_half_hour(house)
    house.commit(100.0)  # with it, the decision
    house.keeper.settle(house.engine, house.at(1919.0))
    assert house.keeper.written_at_s == START_S + 100
    house.keeper.settle(house.engine, house.at(1920.0))
    assert [entry.diverted_wh for entry in house.seen().entries] == [600]


def test_the_first_reading_ever_is_written_at_once(house: House) -> None:
    """All the heater's energy counts from it: a kill −9 in the first minutes loses none."""
    house.hear(0.0, grid_w=-500.0)
    house.keeper.begin(house.engine, house.at(0.0))
    house.hear(0.5, grid_w=-500.0)
    house.keeper.begin(house.engine, house.at(0.5))
    assert house.keeper.written_at_s == START_S, "once after a start"
    house.hear(1.0, diverted_wh=1000.0)
    house.keeper.begin(house.engine, house.at(1.0))
    assert house.seen().state[METER]["main"]["meter"]["standing"][1] == 1000
    house.hear(2.0, diverted_wh=1001.0)
    house.keeper.begin(house.engine, house.at(2.0))
    assert house.keeper.written_at_s == START_S + 1


def test_a_disk_that_fails_at_the_first_reading_is_not_asked_with_every_one(house: House) -> None:
    house.disk.full = True
    house.hear(1.0, diverted_wh=1000.0)
    house.keeper.begin(house.engine, house.at(1.0))
    house.disk.full = False
    house.hear(2.0, diverted_wh=1001.0)
    house.keeper.begin(house.engine, house.at(2.0))
    assert house.keeper.written_at_s is None
    house.keeper.flush(house.engine, house.at(3.0))
    assert house.keeper.written_at_s == START_S + 3


def test_while_a_heater_is_permitted_every_flush_writes(house: House) -> None:
    """A counter of coarse steps may stand still meanwhile; and what was heard then is what a replay needs."""
    house.hear(0.0, grid_w=-500.0, tank_level_pct=50.0, diverted_wh=1000.0)
    house.keeper.decided(house.engine.explain(house.at(0.0)), house.at(0.0))
    house.keeper.flush(house.engine, house.at(0.0))
    house.hear(300.0, grid_w=-500.0, diverted_wh=1000.0)
    house.keeper.flush(house.engine, house.at(300.0))
    assert house.keeper.written_at_s == START_S + 300


def test_where_only_time_has_passed_nothing_is_written_for_half_an_hour(house: House) -> None:
    house.hear(0.0, diverted_wh=1000.0, import_price=0.31)
    house.keeper.flush(house.engine, house.at(0.0))
    house.hear(300.0, diverted_wh=1000.0, grid_w=250.0, import_price=0.31)
    house.keeper.flush(house.engine, house.at(300.0))
    assert house.keeper.written_at_s == START_S
    house.keeper.flush(house.engine, house.at(1800.0))
    assert house.keeper.written_at_s == START_S + 1800
    house.keeper.flush(house.engine, house.at(1799.0))  # a clock that was set back
    assert house.keeper.written_at_s == START_S + 1799
    assert house.seen().tape, "what was heard meanwhile came with it"


WHAT = ["energy", "doubt", "full", "frozen", "override", "decision", "event", "again", "price"]


@pytest.mark.parametrize("what", WHAT)
def test_what_a_restart_could_not_find_out_again_is_written_by_the_flush(house: House, what: str) -> None:
    house.hear(0.0, diverted_wh=1000.0, tank_level_pct=50.0)
    house.keeper.flush(house.engine, house.at(0.0))
    match what:
        case "energy":
            house.hear(300.0, diverted_wh=1001.0)
        case "doubt":
            house.hear(300.0, diverted_wh=3.0)
        case "full":
            house.hear(300.0, tank_level_pct=99.0)
        case "frozen":
            house.engine.memory = replace(house.engine.memory, frozen=Frozen(50.0, 0.0, 9000.0))
        case "override":
            house.engine.memory = set_override(house.engine.memory, Order.WITHHOLD, 3600.0)
        case "decision":
            house.keeper.decided(house.engine.explain(house.at(300.0)), house.at(300.0))
        case "event":
            house.keeper.event("note", "home-file", "read again", house.at(300.0))
        case "again":
            house.keeper.again([OutboxKey(int(START_S), "main", 1)])
        case "price":
            house.hear(300.0, import_price=0.31)
    house.keeper.flush(house.engine, house.at(300.0))
    assert house.keeper.written_at_s == START_S + 300


def test_what_a_run_took_is_written_within_a_minute_of_its_end(house: House) -> None:
    house.hear(0.0, grid_w=-500.0, tank_level_pct=50.0, diverted_wh=1000.0)
    house.keeper.decided(house.engine.explain(house.at(0.0)), house.at(0.0))
    house.commit(0.0)
    house.hear(60.0, diverted_wh=1020.0)
    house.keeper.settle(house.engine, house.at(60.0))
    assert house.keeper.written_at_s == START_S, "the order stands"
    house.hear(70.0, tank_level_pct=99.0, diverted_wh=1022.0)
    house.keeper.decided(house.engine.explain(house.at(70.0)), house.at(70.0))
    house.keeper.settle(house.engine, house.at(120.0))
    assert sum(entry.diverted_wh for entry in house.seen().open) == 22


def test_after_a_restart_the_books_and_the_override_go_on(tmp_path: Path) -> None:
    first = House(tmp_path)
    for minute in range(10):
        first.hear(60.0 * minute, diverted_wh=1000.0 + 20 * minute)
    first.engine.memory = set_override(first.engine.memory, Order.WITHHOLD, 3600.0)
    first.commit(560.0)
    first.keeper.close()
    second = House(tmp_path, start_s=START_S + 900)  # its forward clock begins at 0 again
    try:
        assert second.engine.memory.override is not None
        assert second.engine.memory.override.until_s == 3600.0 - 900
        second.hear(1200.0, diverted_wh=1700.0)
        second.commit(1320.0)
        seen = second.seen()
        assert sum(entry.diverted_wh for entry in (*seen.entries, *seen.open)) == 700
    finally:
        second.keeper.close()


def test_energy_set_aside_becomes_an_event(house: House) -> None:
    for after_s, wh in ((0.0, 1000.0), (60.0, 91_000.0), (120.0, 91_020.0)):
        house.hear(after_s, diverted_wh=wh)
    house.commit(130.0)
    with Ledger.open_reader(house.path) as ledger:
        (event,) = ledger.events(0, 2**40)
    assert (event.kind, event.name) == ("quarantine", "quarantine.main")
    assert event.figures == {"heater": "main", "from_s": START_S, "to_s": START_S + 60, "wh": 90_000}


def test_retained_copies_are_not_recorded(house: House) -> None:
    house.keeper.record([Reading("grid_w", 5.0, START_S, NEVER_LIVE_S)])
    house.commit(60.0)
    assert house.seen().tape == []


# The outbox


def test_what_was_delivered_is_not_offered_again_before_it_is_struck_off(house: House) -> None:
    full_half_hour(house)
    house.commit(1980.0)
    (item,) = house.keeper.outbox(10)
    house.keeper.delivered([item.key])
    assert house.keeper.outbox(10) == []
    assert house.seen().outbox == [item.key]
    assert house.keeper.health()["outbox"] == 0
    house.disk.full = True
    house.commit(1990.0)
    assert house.keeper.outbox(10) == []
    house.disk.full = False
    house.commit(2000.0)
    assert house.seen().outbox == []
    house.keeper.again([item.key])
    house.commit(2010.0)
    assert [again.key for again in house.keeper.outbox(10)] == [item.key]


@pytest.mark.parametrize(("count", "writes"), [(FEW, False), (FEW + 1, True)])
def test_a_few_keys_struck_off_are_not_worth_a_write_many_are(house: House, count: int, writes: bool) -> None:
    house.hear(0.0, diverted_wh=1000.0)
    house.commit(0.0)
    house.keeper.delivered(OutboxKey(int(START_S) + 1800 * number, "main", 1) for number in range(count))
    house.keeper.flush(house.engine, house.at(300.0))
    assert house.keeper.written_at_s == START_S + (300 if writes else 0)


# Today


def test_today_is_the_ledger_with_what_is_not_settled(house: House) -> None:
    full_half_hour(house)
    before = house.keeper.today(house.engine, house.at(1980.0))
    house.commit(1980.0)
    after = house.keeper.today(house.engine, house.at(1980.0))
    assert before == after
    assert after == {
        "since": "2026-06-01",
        "diverted_kwh": 0.64,
        "given_up": 0.0,  # nothing says what the heat displaces: money counts on both sides or on neither
        "avoided": 0.0,
        "net": 0.0,
        "currency": "EUR",
    }
    house.hear(2000.0, diverted_wh=1645.0)
    assert house.keeper.today(house.engine, house.at(2000.0))["diverted_kwh"] == 0.645


def test_today_counts_what_the_disk_does_not_take(house: House) -> None:
    full_half_hour(house)
    house.disk.full = True
    house.commit(1980.0)
    assert house.keeper.today(house.engine, house.at(1980.0))["diverted_kwh"] == 0.64


@pytest.mark.parametrize(
    ("timezone", "day"),
    [
        ("Europe/Dublin", "2026-06-02"),
        # The 25-hour day whose midnight comes twice: it begins with the first. Source: the IANA data's Atlantic/Azores.
        ("Atlantic/Azores", "2026-10-25"),
    ],
)
def test_today_begins_at_local_midnight(tmp_path: Path, timezone: str, day: str) -> None:
    midnight_s = datetime.fromisoformat(f"{day}T00:00").replace(tzinfo=ZoneInfo(timezone)).timestamp()
    house = House(tmp_path, timezone, midnight_s - 3600)
    try:
        for minute in range(0, 60 * 5, 5):
            house.hear(60.0 * minute, diverted_wh=10.0 * minute)
        house.commit(60.0 * 300)
        for after_s in (3600.0 + 1, 3600.0 * 1.5 + 1, 3600.0 * 2.5, 3600.0 * 5 - 1):
            today = house.keeper.today(house.engine, house.at(after_s))
            assert (today["since"], today["diverted_kwh"]) == (day, 2.35), after_s
        assert house.keeper.today(house.engine, house.at(3599.0))["diverted_kwh"] == 2.95
    finally:
        house.keeper.close()


def test_an_entry_revised_but_not_written_yet_counts_once(house: House) -> None:
    full_half_hour(house)
    house.commit(1980.0)
    house.disk.full = True
    (booked,) = house.seen().entries
    house.keeper._entries.append(Entry(booked.start_s, 1800, "main", diverted_wh=590))
    assert house.keeper.today(house.engine, house.at(1980.0))["diverted_kwh"] == 0.63
