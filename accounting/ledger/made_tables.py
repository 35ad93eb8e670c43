"""Whether the file's tables have the columns that brimful makes.

SQLite keeps the tables' own descriptions as text, and holds a file with a damaged one for whole: a column that is
called otherwise is another column. No digest of a row covers that text.
"""

import sqlite3
from collections.abc import Callable
from functools import cache
from typing import Any

from accounting.ledger.connecting import migrate
from accounting.ledger.proving import ENOUGH, Check
from accounting.ledger.schema import MIGRATIONS

COLUMNS = (
    'SELECT m.name, c.name, c.type, c."notnull", c.dflt_value, c.pk FROM sqlite_master m '
    "JOIN pragma_table_info(m.name) c WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite\\_%' ESCAPE '\\'"
)
Column = tuple[Any, ...]


@cache
def made(version: int) -> frozenset[Column]:
    """Every column of a new ledger of this schema: table, name, type, NOT NULL, default, place in the key."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    try:
        migrate(db, MIGRATIONS[:version])
        return frozenset(db.execute(COLUMNS).fetchall())
    finally:
        db.close()


def tables(ask: Callable[..., list[Any]]) -> Check:
    """Compare the file's columns with those of a new ledger. Raises LedgerError."""
    ((version,),) = ask("PRAGMA user_version")
    wanted, found = made(version), frozenset(tuple(row) for row in ask(COLUMNS))
    problems = [
        f"{table}: the column {name} is not as brimful makes it" for table, name, *_ in _in_order(found - wanted)
    ]
    problems += [f"{table}: the column {name} is missing" for table, name, *_ in _in_order(wanted - found)]
    return Check("tables", f"{len(found)} columns as brimful makes them", tuple(problems[:ENOUGH]))


def _in_order(columns: frozenset[Column]) -> list[Column]:
    """By table and name; the rest may be NULL."""
    return sorted(columns, key=lambda column: (column[0], column[1]))
