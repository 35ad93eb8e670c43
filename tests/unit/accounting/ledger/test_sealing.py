"""A row's digest is that of its JSON, as the general encoder writes it."""

import json
import sqlite3
from hashlib import blake2b
from typing import Any

import pytest

from accounting.ledger.connecting import migrate
from accounting.ledger.sealing import BITE, BY_NAME, Sealing

SAID: dict[str, dict[str, Any]] = {
    "entry": {
        "start_s": 1800,
        "heater": 'the "upper" één\n',
        "version": 2,
        "diverted_wh": -7,
        "grid_wh": 0,  # its default: left out
        "measured_s": 0,  # it has no default
        "booked_at_s": 1.0e22,
        "used": "9/10 %s",
        "displaced": None,
        "batch": 12,
    },
    "superseded": {"start_s": 0, "heater": "", "version": 1, "at_s": float("inf"), "batch": 1},
    "tape": {"id": 3, "from_s": 0, "to_s": 60, "rows": 2, "data": b"\x00\xff"},
}
LINES = [{"line": 0, "account": "sun", "wh": -7, "micro": 0, "mg": 5}, {"line": 1, "account": "tank", "wh": 7}]


@pytest.mark.parametrize("table", SAID)
def test_a_digest_is_that_of_the_json_of_what_is_said(table: str) -> None:
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate(db)
    sealing = Sealing(db)

    def whole(of: str, said: dict[str, Any]) -> list[Any]:
        (row,) = sealing.columns(of).whole({name: [value] for name, value in said.items()}, 1)
        return row

    def meant(of: str, said: dict[str, Any]) -> dict[str, Any]:
        defaults = {row[1]: row[4] and int(row[4]) for row in db.execute(f"PRAGMA table_info({of})")}
        every = dict.fromkeys(defaults, None) | defaults | said
        return {name: value for name, value in every.items() if value != defaults[name]}

    lines = LINES if table in BY_NAME and BY_NAME[table].lines else []
    text = json.dumps(
        [table, meant(table, SAID[table]), [meant("posting", line) for line in lines]],
        sort_keys=True,
        separators=(",", ":"),
        default=bytes.hex,
    )
    parts = [whole("posting", line) for line in lines]
    (digest,) = sealing.digests(table, [whole(table, SAID[table])], [parts])
    assert digest == blake2b(text.encode(), digest_size=16).digest()
    db.close()


def test_a_row_has_the_same_digest_among_others() -> None:
    """Whether they hold a column's default or not, and however many there are."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate(db)
    sealing = Sealing(db)
    columns = sealing.columns("entry")
    places = range(2 * BITE + 7)
    rows = columns.whole(
        {
            "start_s": places,
            "grid_wh": [place % 3 if place < 2 * BITE else 0 for place in places],
            "used": ["9/10" if place > 2 * BITE and place % 2 else None for place in places],
            "booked_at_s": [place / 7 for place in places],
        },
        len(places),
    )
    lines = sealing.columns("posting").whole({"line": [0, 1], "account": ["sun", "tank"], "micro": [0, 5]}, 2)
    parts = [lines[: place % 3] for place in range(len(rows))]
    alone = [sealing.digests("entry", [row], [of_it])[0] for row, of_it in zip(rows, parts, strict=True)]
    assert sealing.digests("entry", rows, parts) == alone
    assert len({*alone}) == len(rows)
    assert sealing.digests("entry", [], []) == []
    db.close()


def test_rows_are_written_in_the_types_in_which_they_are_read() -> None:
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate(db)
    columns = Sealing(db).columns("restatement")
    said = {"id": [1, 2], "at_s": [5, 5.5], "why": ["a", "b"], "from_s": [0, 0], "to_s": [True, 2], "batch": [None, 3]}
    rows = columns.whole(said, 2)
    columns.insert(db, rows)
    read = db.execute(f"SELECT {columns.listed} FROM restatement ORDER BY id").fetchall()
    assert [[(type(value), value) for value in row] for row in read] == [
        [(type(value), value) for value in row] for row in rows
    ]
    db.close()


def test_a_number_that_became_a_text_has_another_digest() -> None:
    """As a flipped bit in the file may make it."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate(db)
    columns = Sealing(db).columns("posting")
    (row,) = columns.whole({"account": ["sun"], "wh": [12]}, 1)
    for damaged in (str, float):
        other = [damaged(value) if value == 12 else value for value in row]
        for rows in ([row, other], [other, row]):
            one, another = columns.meant(rows)
            assert one != another
    db.close()
