"""A row's digest is that of its JSON, as the general encoder writes it."""

import json
import sqlite3
from hashlib import blake2b
from typing import Any

import pytest

from accounting.ledger.connecting import migrate
from accounting.ledger.sealing import BY_NAME, Sealing

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
        (row,) = sealing.columns(of).whole(tuple(said), [tuple(said.values())])
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
    for _ in range(2):  # the form is made once
        assert (
            sealing.digest(table, whole(table, SAID[table]), parts) == blake2b(text.encode(), digest_size=16).digest()
        )
    db.close()


def test_a_number_that_became_a_text_has_another_digest() -> None:
    """As a flipped bit in the file may make it."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate(db)
    columns = Sealing(db).columns("posting")
    (row,) = columns.whole(("account", "wh"), [("sun", 12)])
    damaged = [str(value) if value == 12 else value for value in row]
    assert columns.meant(damaged) != columns.meant(row)
    db.close()
