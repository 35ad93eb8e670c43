"""Working state that cannot be read is begun anew and said; what is whole goes on."""

import sqlite3
from pathlib import Path
from zlib import crc32

import pytest

from accounting.ledger import Batch, Ledger, StateMangled
from accounting.ledger.records import Facts
from daemon.assembly.prepared_home import prepare
from daemon.recording.recovery import resumed
from daemon.recording.unit_of_work import MEMORY, METER
from rules.model.memory import Memory
from rules.model.reading import Moment
from tests.support.homes import SMALL, home
from tests.support.ledgers import START_S, entry, new_ledger

NOW = Moment(START_S + 1900.0, 50.0)
PLAN = prepare(home(SMALL))


def mangle(path: Path, key: str, value: bytes) -> None:
    with sqlite3.connect(path) as db:
        db.execute("UPDATE state SET value = CAST(? AS TEXT) WHERE key = ?", (value, key))
    db.close()


@pytest.mark.parametrize("value", [b"", b"{", b"{}", b"null", b"\xff\xfe", b"[" * 5000, b'{"main": 1}'])
def test_a_mangled_row_is_found_by_its_seal(tmp_path: Path, value: bytes) -> None:
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S, state={METER: {"main": 2}, MEMORY: {"full_since": None}}))
    mangle(tmp_path / "quay.sqlite", METER, value)
    with Ledger.open_reader(tmp_path / "quay.sqlite") as ledger:
        with pytest.raises(StateMangled, match="its working state meter is mangled"):
            ledger.state(METER)
        assert ledger.state(MEMORY) == {"full_since": None}
        assert ledger.known_until_s() == START_S


@pytest.mark.parametrize("value", [b'"x"', b"[1]", b"9" * 400, b"-5", b"NaN", b"1e999"])
def test_an_instant_that_is_none_counts_as_not_known(tmp_path: Path, value: bytes) -> None:
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S))
        assert ledger.known_until_s() == START_S
    mangle(tmp_path / "quay.sqlite", "known_until_s", value)
    mangle(tmp_path / "quay.sqlite", "known_until_s.seal", str(crc32(value)).encode())
    with Ledger.open_reader(tmp_path / "quay.sqlite") as ledger:
        assert ledger.known_until_s() is None


def test_a_row_without_a_seal_is_an_older_programs(tmp_path: Path) -> None:
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S, state={METER: 5}))
    with sqlite3.connect(tmp_path / "quay.sqlite") as db:
        db.execute("DELETE FROM state WHERE key LIKE '%.seal'")
    db.close()
    with Ledger.open_reader(tmp_path / "quay.sqlite") as ledger:
        assert ledger.state(METER) == 5


def test_meters_begin_anew_with_what_the_ledger_holds_of_the_open_interval(tmp_path: Path) -> None:
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(START_S, (entry(0),), (entry(1, 40, measured_s=60),), state={METER: {}, MEMORY: {}}))
        mangle(tmp_path / "quay.sqlite", METER, b'{"main": {"meter": 1}}')
        books, memory, forgotten = resumed(PLAN, ledger, NOW)
    assert [sentence.partition(":")[0] for sentence in forgotten] == ["where the meters stood cannot be read"]
    assert [(one.start_s, one.diverted_wh) for one in books.open_entries(NOW.utc_s)] == [(START_S + 1800, 40)]
    assert memory == Memory()


def test_a_whole_row_of_another_shape_is_begun_anew_too(tmp_path: Path) -> None:
    with new_ledger(tmp_path, Facts("Wren Hut", 30, "EUR", "Europe/Lisbon", ("main",))) as ledger:
        state = {METER: {"main": {"booked": 3}}, MEMORY: {"override": {"order": "boil", "until": 1e12, "left_s": 9}}}
        ledger.commit(Batch(START_S, state=state))
        books, memory, forgotten = resumed(PLAN, ledger, NOW)
        assert len(forgotten) == 2
        assert memory == Memory()
        ledger.commit(Batch(START_S + 1, state={METER: books.state(), MEMORY: {}}))
        assert resumed(PLAN, ledger, NOW)[2] == []
