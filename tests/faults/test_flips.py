"""Flipped bits and edited cells: whatever changes an answer is seen by `verify`, and no answer ends in a traceback."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.support.whole_ledger import answers, seen, write

TABLES = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"
Counts = dict[str, int]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The bytes of a ledger at rest with something in every table."""
    path = write(tmp_path_factory.mktemp("sound"))
    assert not seen(path)
    assert not any(answer.startswith("refused") for answer in answers(path).values())
    return path.read_bytes()


def judged(path: Path, before: dict[str, str], counts: Counts, what: str) -> None:
    """Whatever is answered otherwise now must be seen."""
    counts["made"] += 1
    changed = [name for name, answer in answers(path).items() if answer != before[name]]
    if changed:
        counts["changed an answer"] += 1
        assert seen(path), f"{what}: {', '.join(changed)} changed, and verify finds nothing"


@pytest.mark.parametrize("many", [25, pytest.param(1000, marks=pytest.mark.long)])
def test_a_flipped_bit_that_changes_an_answer_is_seen(tmp_path: Path, sound: bytes, many: int) -> None:
    path = tmp_path / "quay.sqlite"
    path.write_bytes(sound)
    before = answers(path)
    counts = {"made": 0, "changed an answer": 0}
    dice = random.Random(many)
    for _ in range(many):
        offset, bit = dice.randrange(100, len(sound)), dice.randrange(8)
        damaged = bytearray(sound)
        damaged[offset] ^= 1 << bit
        path.write_bytes(damaged)
        judged(path, before, counts, f"bit {bit} of byte {offset}")
    print(f"\n{counts}, 0 unseen")
    assert counts["changed an answer"] > many / 8


def edited(value: object, dice: random.Random) -> object:
    """Another value of the same type."""
    match value:
        case int():
            return value ^ (1 << dice.randrange(20))
        case float():
            return value + 1.0
        case str():
            place = dice.randrange(len(value)) if value else 0
            return value[:place] + chr(ord(value[place]) ^ 1) + value[place + 1 :] if value else "x"
        case bytes():
            return value[:-1] + bytes([value[-1] ^ 1])
        case _:
            return 7


@pytest.mark.parametrize("rounds", [1, pytest.param(6, marks=pytest.mark.long)])
def test_an_edited_cell_that_changes_an_answer_is_seen(tmp_path: Path, sound: bytes, rounds: int) -> None:
    """As somebody who opens the file with a database tool would do it, in every column of every table."""
    path = tmp_path / "quay.sqlite"
    path.write_bytes(sound)
    before = answers(path)
    counts = {"made": 0, "changed an answer": 0}
    dice = random.Random(rounds)
    with closing(sqlite3.connect(path)) as db:
        columns = [
            (table, row[1])
            for (table,) in db.execute(TABLES).fetchall()
            for row in db.execute(f"PRAGMA table_info({table})")
        ]
    for table, column in columns * rounds if rounds > 1 else dice.sample(columns, 25):
        path.write_bytes(sound)
        with closing(sqlite3.connect(path, isolation_level=None)) as db:
            free(db)
            rows = db.execute(f"SELECT * FROM {table}").fetchall()
            names = [name for name, *_ in db.execute(f"SELECT * FROM {table} LIMIT 1").description]
            row = dice.choice(rows)
            which = " AND ".join(f"{name} IS ?" for name in names)
            value = edited(row[names.index(column)], dice)
            try:
                db.execute(f"UPDATE {table} SET {column} = ? WHERE {which}", (value, *row))
            except sqlite3.IntegrityError:
                continue
        judged(path, before, counts, f"{table}.{column} made {value!r} in {row}")
    print(f"\n{counts}, 0 unseen")
    assert counts["changed an answer"] > 8


@pytest.mark.parametrize("action", ["dropped", "added"])
def test_a_row_dropped_or_added_is_seen(tmp_path: Path, sound: bytes, action: str) -> None:
    path = tmp_path / "quay.sqlite"
    path.write_bytes(sound)
    before = answers(path)
    counts = {"made": 0, "changed an answer": 0}
    dice = random.Random(4)
    with closing(sqlite3.connect(path)) as db:
        tables = [table for (table,) in db.execute(TABLES)]
    for table in tables:
        path.write_bytes(sound)
        with closing(sqlite3.connect(path, isolation_level=None)) as db:
            free(db)
            names = [name for name, *_ in db.execute(f"SELECT * FROM {table} LIMIT 1").description]
            rows = db.execute(f"SELECT * FROM {table}").fetchall()
            if action == "dropped":
                which = " AND ".join(f"{name} IS ?" for name in names)
                db.execute(f"DELETE FROM {table} WHERE {which}", dice.choice(rows))
            else:
                row = list(rows[-1])
                row[0] = f"{row[0]}x" if isinstance(row[0], str) else row[0] + 1_800_000
                db.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(names))})", row)
        if table == "outbox" and action == "dropped":
            continue  # sent or not: `reconcile` compares with the database itself
        judged(path, before, counts, f"a row of {table} {action}")
        assert seen(path) or table == "outbox", table


@pytest.mark.parametrize("was", [b"curtailed_wh", b"grid_wh", b"DEFAULT 0"])
def test_a_damaged_description_of_a_table_is_seen(tmp_path: Path, sound: bytes, was: bytes) -> None:
    """SQLite holds the file for whole: a column of another name or default is still a column."""
    path = tmp_path / "quay.sqlite"
    place = sound.index(was)
    damaged = was[:-1] + bytes([was[-1] ^ (0x20 if was[-1:].isalpha() else 1)])
    path.write_bytes(sound[:place] + damaged + sound[place + len(was) :])
    assert seen(path)


def free(db: sqlite3.Connection) -> None:
    """Take away what keeps an honest program from it."""
    db.execute("PRAGMA ignore_check_constraints = ON")
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f"DROP TRIGGER {name}")
