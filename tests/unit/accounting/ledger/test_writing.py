"""What the ledger writes, and what it never does."""

import json
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path

import pytest

from accounting.ledger import Batch, DecisionRow, EventRow, Ledger, LedgerWriter, OutboxKey, TapeChunk
from accounting.ledger.versions import VALUE_COLUMNS
from accounting.model.entry import Entry, Posting
from rules.model.orders import Finding, Order, Verdict
from tests.support.ledgers import HALF_HOUR_S, QUAY, START_S, entry, new_ledger

EVER = 1e11


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[LedgerWriter]:
    with new_ledger(tmp_path) as ledger:
        yield ledger


def raw(ledger: Ledger, sql: str) -> list[tuple[object, ...]]:
    with sqlite3.connect(ledger.path) as db:
        rows = db.execute(sql).fetchall()
    db.close()
    return rows


def test_the_columns_are_the_fields_of_an_entry_in_their_order() -> None:
    assert [*VALUE_COLUMNS.split(", "), "postings"] == [field.name for field in fields(Entry)]


def test_an_entry_comes_back_as_it_went_in(ledger: LedgerWriter) -> None:
    bare = replace(entry(1, 0), export_price_micro=None, import_price_micro=None, heat_value_micro=None, postings=())
    ledger.commit(Batch(START_S, (entry(0), bare)))
    assert ledger.entries(START_S, EVER) == [entry(0), bare]
    assert ledger.entries(START_S + 1, EVER) == [bare]
    assert ledger.entries(START_S, START_S + HALF_HOUR_S) == [entry(0)]
    assert ledger.last_entry_start() == START_S + HALF_HOUR_S


def test_entry_and_outbox_row_come_together(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (entry(1), entry(0))))
    assert [item.key for item in ledger.outbox_peek(9)] == [(START_S, "main", 1), (START_S + HALF_HOUR_S, "main", 1)]
    assert ledger.outbox_peek(1)[0].entry == replace(entry(0), postings=())
    assert ledger.outbox_depth() == 2


def test_the_same_again_is_not_written_again(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (entry(0),)))
    ledger.commit(
        Batch(START_S + 9, (replace(entry(0), reason="another"),), delivered=(OutboxKey(START_S, "main", 1),))
    )
    assert raw(ledger, "SELECT version, reason, booked_at_s FROM entry") == [(1, "settled", START_S)]
    assert raw(ledger, "SELECT * FROM superseded") == []
    assert ledger.outbox_depth() == 0


@pytest.mark.parametrize(
    "other",
    [
        replace(entry(0), measured_s=1799),
        replace(entry(0), avoided_micro=1),
        replace(entry(0), heat_value_micro=None),
        replace(entry(0), postings=(Posting("sun", -700), Posting("tank", 690), Posting("lost", 10))),
    ],
)
def test_another_content_is_a_new_version_beside_the_old_one(ledger: LedgerWriter, other: Entry) -> None:
    ledger.commit(Batch(START_S, (entry(0),), delivered=()))
    ledger.commit(Batch(START_S + 5, (replace(other, reason="late reading"),)))
    assert ledger.entries(0, EVER) == [replace(other, reason="late reading")]
    assert raw(ledger, "SELECT version, reason FROM entry") == [(1, "settled"), (2, "late reading")]
    assert raw(ledger, "SELECT start_s, heater, version, at_s FROM superseded") == [(START_S, "main", 1, START_S + 5)]
    assert [item.key for item in ledger.outbox_peek(9)] == [(START_S, "main", 2)]
    assert ledger.integrity() == []


def test_going_back_to_an_earlier_content_is_a_third_version(ledger: LedgerWriter) -> None:
    for wh in (700, 710, 700):
        ledger.commit(Batch(START_S, (entry(0, wh),)))
    assert raw(ledger, "SELECT version, diverted_wh FROM entry") == [(1, 700), (2, 710), (3, 700)]
    assert ledger.integrity() == []


def test_delivery_of_an_old_version_leaves_the_newer_one_in_the_outbox(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (entry(0),)))
    (sent,) = ledger.outbox_peek(9)
    ledger.commit(Batch(START_S, (entry(0, 710),)))
    ledger.commit(Batch(START_S, delivered=(sent.key,)))
    assert [item.key.version for item in ledger.outbox_peek(9)] == [2]


def test_what_is_doubtful_is_queued_again_in_its_newest_version(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (entry(0), entry(1))))
    keys = tuple(item.key for item in ledger.outbox_peek(9))
    ledger.commit(Batch(START_S, (entry(0, 710),), delivered=(keys[1],)))
    ledger.commit(Batch(START_S, delivered=(OutboxKey(START_S, "main", 2),)))
    assert ledger.outbox_depth() == 0
    ledger.commit(Batch(START_S, again=keys))
    assert [item.key.version for item in ledger.outbox_peek(9)] == [2, 1]


def test_the_outbox_is_rebuilt_from_the_current_entries(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (entry(0), entry(1), entry(2))))
    ledger.commit(Batch(START_S, (entry(1, 710),)))
    ledger.commit(Batch(START_S, delivered=tuple(item.key for item in ledger.outbox_peek(9))))
    assert ledger.rebuild_outbox(START_S + HALF_HOUR_S) == 2
    assert [item.entry.diverted_wh for item in ledger.outbox_peek(9)] == [710, 700]
    assert ledger.rebuild_outbox() == 3


@pytest.mark.parametrize("table", ["entry", "posting", "superseded"])
@pytest.mark.parametrize("statement", ["UPDATE {} SET start_s = start_s + 1800", "DELETE FROM {}"])
def test_the_books_cannot_be_changed(ledger: LedgerWriter, table: str, statement: str) -> None:
    ledger.commit(Batch(START_S, (entry(0),)))
    ledger.commit(Batch(START_S, (entry(0, 710),)))
    with sqlite3.connect(ledger.path) as db, pytest.raises(sqlite3.IntegrityError, match=f"append-only: {table}"):
        db.execute(statement.format(table))
    db.close()


def test_an_entry_cannot_be_replaced_behind_the_triggers(tmp_path: Path) -> None:
    def keep(address: str) -> sqlite3.Connection:
        made.append(sqlite3.connect(address, uri=True, isolation_level=None))
        return made[0]

    made: list[sqlite3.Connection] = []
    with LedgerWriter.open(tmp_path / "a.sqlite", QUAY, keep) as ledger:
        ledger.commit(Batch(START_S, (entry(0),)))
        with pytest.raises(sqlite3.IntegrityError, match="append-only: entry"):
            made[0].execute("INSERT OR REPLACE INTO entry SELECT * FROM entry")


def test_a_batch_is_written_whole_or_not_at_all(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (entry(0),), state={"meter": 1}))
    spoilt = EventRow(START_S, "x", "unheard of", "a kind that the table does not know")  # type: ignore[arg-type]
    with pytest.raises(sqlite3.IntegrityError):
        ledger.commit(
            Batch(
                START_S + 5,
                (entry(1),),
                (entry(2),),
                events=(spoilt,),
                state={"meter": 2},
                delivered=(OutboxKey(START_S, "main", 1),),
            )
        )
    assert ledger.entries(0, EVER) == [entry(0)]
    assert ledger.open_entries() == []
    assert ledger.state("meter") == 1
    assert ledger.known_until_s() == START_S
    assert ledger.outbox_depth() == 1
    ledger.commit(Batch(START_S + 5, (entry(1),)))
    assert ledger.outbox_depth() == 2


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (entry(0, step_s=900, measured_s=900), "expected an interval of 1800 s, got 900"),
        (replace(entry(0), postings=(Posting("sun", -700), Posting("tank", 699))), "expected 0 Wh, accumulated -1"),
        (replace(entry(0), postings=()), "expected 700 Wh, accumulated 0"),
    ],
)
def test_an_entry_that_cannot_be_is_refused(ledger: LedgerWriter, bad: Entry, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        ledger.commit(Batch(START_S, (entry(1), bad)))
    with pytest.raises(ValueError, match=words):
        ledger.commit(Batch(START_S, open_entries=(bad,)))
    assert ledger.entries(0, EVER) == []


@pytest.mark.parametrize("bad", [replace(entry(0), start_s=START_S + 1), replace(entry(0), measured_s=1801)])
def test_the_tables_refuse_a_crooked_interval(ledger: LedgerWriter, bad: Entry) -> None:
    with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
        ledger.commit(Batch(START_S, (bad,)))


def test_the_open_picture_is_replaced_and_gives_way_to_the_settled_entry(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, open_entries=(entry(0, 10), entry(1, 20))))
    ledger.commit(Batch(START_S))
    assert [one.diverted_wh for one in ledger.open_entries()] == [10, 20]
    ledger.commit(Batch(START_S, (entry(0),)))
    assert [one.diverted_wh for one in ledger.open_entries()] == [20]
    ledger.commit(Batch(START_S, open_entries=(entry(0, 30), entry(1, 40))))
    assert [one.diverted_wh for one in ledger.open_entries()] == [40], "an interval counts once"
    ledger.commit(Batch(START_S, open_entries=()))
    assert ledger.open_entries() == []


def test_state_is_json_and_nothing_is_none(ledger: LedgerWriter) -> None:
    value = {"since_s": float("-inf"), "heaters": ["main", None], "level": 95.5}
    ledger.commit(Batch(START_S, state={"memory": value}))
    ledger.commit(Batch(START_S + 60))
    assert ledger.state("memory") == value
    assert ledger.state("never") is None
    assert ledger.known_until_s() == START_S + 60


def test_decisions_are_found_by_the_instant(ledger: LedgerWriter) -> None:
    found = (Finding("full", Verdict.FORBID, "tank 96 %, full since 13:10", "resumes below 88 %"),)
    rows = (
        DecisionRow(100.0, "upper", Order.WITHHOLD, None, "fresh", "no level yet"),
        DecisionRow(100.5, "main", Order.SURPLUS, 1200, "surplus", "1,210 W over"),
        DecisionRow(160.0, "main", Order.WITHHOLD, None, "full", "tank 96 %", "resumes below 88 %", found),
    )
    ledger.commit(Batch(200, decisions=rows))
    assert ledger.decision_at(99) == []
    assert ledger.decision_at(100.5) == [rows[1], rows[0]]
    assert ledger.decision_at(EVER) == [rows[2], rows[0]]
    assert ledger.decisions(100.5, 160) == [rows[1]]
    assert ledger.decisions(0, EVER) == list(rows)


def test_events_keep_their_figures(ledger: LedgerWriter) -> None:
    event = EventRow(50.0, "heater.main.jump", "quarantine", "a step of 9 kWh in 60 s", {"wh": 9000, "from_s": 10.5})
    ledger.commit(Batch(60, events=(event,)))
    assert ledger.events(50, 51) == [event]
    assert ledger.events(51, EVER) == []


def test_the_tape_alone_is_pruned(ledger: LedgerWriter) -> None:
    chunks = [TapeChunk(at_s, at_s + 540, 10, b"x") for at_s in (600, 1200, 1800)]
    for chunk in chunks:
        ledger.commit(Batch(2000, tape=chunk))
    assert ledger.tape(1140, 1800) == chunks[:2]
    assert ledger.prune("tape", 1740) == 1
    assert ledger.tape(0, EVER) == chunks[1:]


def test_decisions_and_events_are_pruned_in_bites_but_the_one_that_stood(ledger: LedgerWriter) -> None:
    rows = tuple(
        DecisionRow(float(at_s), heater, Order.WITHHOLD, None, "full", "96 %")
        for at_s in range(100, 200, 10)
        for heater in ("main", "upper")
    )
    events = tuple(EventRow(float(at_s), "x", "note", "a note") for at_s in range(100, 200, 10))
    ledger.commit(Batch(300, decisions=rows, events=events))
    assert ledger.decision_at(155) == [rows[10], rows[11]]
    assert [ledger.prune("decision", 155, most=4) for _ in range(4)] == [4, 4, 2, 0]
    assert ledger.decision_at(155) == [rows[10], rows[11]], "what stood at the limit stays, for the time after it"
    assert ledger.decisions(0, EVER) == list(rows[10:])
    assert [ledger.prune("event", 155, most=4) for _ in range(3)] == [4, 2, 0]
    assert ledger.events(0, EVER) == list(events[6:])


def test_the_facts_follow_the_home_file_but_for_what_the_figures_hang_on(tmp_path: Path) -> None:
    new_ledger(tmp_path).close()
    moved = replace(QUAY, name="Mill House", timezone="Europe/Paris", heaters=("upper", "lower"))
    new_ledger(tmp_path, moved).close()
    with Ledger.open_reader(tmp_path / "quay.sqlite") as ledger:
        assert ledger.facts() == replace(moved, heaters=("lower", "upper"))


def test_only_the_owner_may_read_the_files(tmp_path: Path) -> None:
    mask = os.umask(0o022)
    try:
        with new_ledger(tmp_path) as ledger:
            ledger.commit(Batch(START_S, (entry(0),)))
            modes = {path.name: path.stat().st_mode & 0o777 for path in tmp_path.iterdir()}
    finally:
        os.umask(mask)
    assert set(modes) == {f"quay.sqlite{tail}" for tail in ("", "-wal", "-shm", "-writer")}
    assert set(modes.values()) == {0o600}


def test_a_reader_sees_what_is_committed_while_the_writer_goes_on(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (entry(0),)))
    with Ledger.open_reader(ledger.path) as reader:
        with reader.still():
            assert reader.last_entry_start() == START_S
            ledger.commit(Batch(START_S, (entry(1),)))
            assert reader.last_entry_start() == START_S, "the picture holds still"
            assert reader.entries(0, EVER) == [entry(0)], "also for a question that holds it still itself"
            assert reader.last_entry_start() == START_S
        assert reader.last_entry_start() == START_S + HALF_HOUR_S


def test_integrity_names_what_is_wrong(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, (entry(0), entry(1))))
    assert ledger.integrity() == []
    with sqlite3.connect(ledger.path) as db:
        db.execute("INSERT INTO posting VALUES (?, 'main', 1, 2, 'lost', 5, 0, 0)", (START_S,))
        row = (START_S + HALF_HOUR_S,)
        db.execute("INSERT INTO superseded (start_s, heater, version, at_s) VALUES (?, 'main', 1, 0)", row)
    db.close()
    assert ledger.integrity() == [
        "replacement of the entry of 2026-06-01 00:30 UTC of main, version 1: not as it was written",
        "entry of 2026-06-01 00:00 UTC of main, version 1: not as it was written",
        "what was booked up to 2026-06-01 00:00 UTC was changed, dropped or added to",
        f"interval {START_S + HALF_HOUR_S} of main: 0 current versions instead of 1",
        f"interval {START_S} of main, version 1: postings add up to 5 Wh instead of 0",
        f"interval {START_S + HALF_HOUR_S} of main: version 1 waits to be sent though a newer one is there",
    ]


def test_findings_are_stored_by_name(ledger: LedgerWriter) -> None:
    """A number would change its meaning with the enumeration."""
    found = (Finding("full", Verdict.ALLOW, "80 %"),)
    ledger.commit(Batch(1, decisions=(DecisionRow(1, "main", Order.HEAT, None, "plan", "tonight", "", found),)))
    assert raw(ledger, "SELECT told, findings FROM decision") == [
        ("heat", json.dumps([["full", "ALLOW", "80 %", ""]], separators=(",", ":")))
    ]


def test_the_owners_own_notes_are_never_let_go(ledger: LedgerWriter) -> None:
    events = (EventRow(100, "owner.note", "note", "a new meter"), EventRow(101, "level", "alarm", "no level heard"))
    ledger.commit(Batch(200, events=events))
    assert ledger.prune("event", 1e12) == 1
    assert [event.sentence for event in ledger.events(0, 1e12)] == ["a new meter"]
    assert [event.sentence for event in ledger.events(0, 1e12, "owner.*")] == ["a new meter"]
    assert ledger.events(0, 1e12, "level") == []


def test_a_restatement_takes_the_place_of_the_newest_version_alone(ledger: LedgerWriter) -> None:
    """Nothing of its transaction is written where another version of one of the intervals already stands."""
    ledger.commit(Batch(START_S + 3600, (entry(0), entry(1))))
    ((late, _), (last, _)) = ledger.standing(START_S, START_S + 3600)
    ledger.commit(Batch(START_S + 3700, (entry(0, 900),)))
    number = ledger.begin_restatement(START_S + 3800, "a word", START_S, START_S + 3600)
    before = ledger.standing(START_S, START_S + 3600)
    with pytest.raises(sqlite3.IntegrityError):
        ledger.restate(number, [(last, entry(1, 800)), (late, entry(0, 800))], (), START_S + 3800)
    assert ledger.standing(START_S, START_S + 3600) == before
    (newest, _), _ = before
    ledger.restate(number, [(newest, entry(0, 800)), (last, entry(1, 800))], (), START_S + 3900)
    assert [key.version for key, _ in ledger.standing(START_S, START_S + 3600)] == [3, 2]
    assert [one.diverted_wh for one in ledger.entries(START_S, START_S + 3600)] == [800, 800]
