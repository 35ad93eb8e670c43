"""The ledger's tables, as the list of steps that made them. A step that has been released is never edited."""

import sqlite3
from collections.abc import Callable

from accounting.ledger.sealing import BOOKED, NOTED
from accounting.ledger.sealing_upgrade import seal_all

Step = str | Callable[[sqlite3.Connection], None]
"""One statement, or what is done in Python."""

APPLICATION_ID = 0x6272_696D
"""Marks the file as a ledger of ours in SQLite's header ("brim")."""

# An entry is known by (start_s, heater, version) and the tables are clustered by it, so that a period's rows lie
# together and its sums read nothing else.
_VALUES = """
    start_s            INTEGER NOT NULL,
    heater             TEXT    NOT NULL,
    {key}
    interval_s         INTEGER NOT NULL CHECK (interval_s > 0 AND start_s % interval_s = 0),
    measured_s         INTEGER NOT NULL CHECK (measured_s BETWEEN 0 AND interval_s),
    diverted_wh        INTEGER NOT NULL,
    estimated_wh       INTEGER NOT NULL,
    given_up_micro     INTEGER NOT NULL,
    avoided_micro      INTEGER NOT NULL,
    given_up_mg        INTEGER NOT NULL,
    avoided_mg         INTEGER NOT NULL,
    export_price_micro INTEGER,
    import_price_micro INTEGER,
    heat_value_micro   INTEGER,
    reason             TEXT    NOT NULL
"""


def _never(table: str) -> tuple[str, ...]:
    return tuple(
        f"CREATE TRIGGER {table}_keeps_{action.lower()} BEFORE {action} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: {table}'); END"
        for action in ("UPDATE", "DELETE")
    )


_FIRST = (
    f"PRAGMA application_id = {APPLICATION_ID}",
    "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID",
    f"""CREATE TABLE entry (
    {_VALUES.format(key="version INTEGER NOT NULL CHECK (version >= 1),")},
    booked_at_s        REAL    NOT NULL,
    PRIMARY KEY (start_s, heater, version)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE posting (
    start_s INTEGER NOT NULL, heater TEXT NOT NULL, version INTEGER NOT NULL, line INTEGER NOT NULL,
    account TEXT NOT NULL, wh INTEGER NOT NULL,
    PRIMARY KEY (start_s, heater, version, line),
    FOREIGN KEY (start_s, heater, version) REFERENCES entry (start_s, heater, version)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE superseded (
    start_s INTEGER NOT NULL, heater TEXT NOT NULL, version INTEGER NOT NULL, at_s REAL NOT NULL,
    PRIMARY KEY (start_s, heater, version),
    FOREIGN KEY (start_s, heater, version) REFERENCES entry (start_s, heater, version)
    ) STRICT, WITHOUT ROWID""",
    *_never("entry"),
    *_never("posting"),
    *_never("superseded"),
    f"""CREATE TABLE open_interval (
    {_VALUES.format(key="")},
    PRIMARY KEY (start_s, heater)
    ) STRICT, WITHOUT ROWID""",
    # One row per interval and heater: a newer version takes the place of one that was not sent yet.
    """CREATE TABLE outbox (
    start_s INTEGER NOT NULL, heater TEXT NOT NULL, version INTEGER NOT NULL,
    PRIMARY KEY (start_s, heater),
    FOREIGN KEY (start_s, heater, version) REFERENCES entry (start_s, heater, version)
    ) STRICT, WITHOUT ROWID""",
    # Each heater's first and last booked instant, so that coverage need not scan the entries for them.
    """CREATE TABLE heater (
    name TEXT PRIMARY KEY, in_use INTEGER NOT NULL, first_s INTEGER, end_s INTEGER
    ) STRICT, WITHOUT ROWID""",
    "CREATE TABLE state (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID",
    """CREATE TABLE decision (
    id INTEGER PRIMARY KEY, at_s REAL NOT NULL, heater TEXT NOT NULL, told TEXT NOT NULL, watts INTEGER,
    guard TEXT NOT NULL, sentence TEXT NOT NULL, change TEXT NOT NULL, findings TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX decision_by_heater ON decision (heater, at_s)",
    "CREATE INDEX decision_by_time ON decision (at_s)",
    """CREATE TABLE event (
    id INTEGER PRIMARY KEY, at_s REAL NOT NULL, name TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('alarm', 'recovered', 'quarantine', 'note')),
    sentence TEXT NOT NULL, figures TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX event_by_time ON event (at_s)",
    """CREATE TABLE tape (
    id INTEGER PRIMARY KEY, from_s INTEGER NOT NULL, to_s INTEGER NOT NULL, rows INTEGER NOT NULL, data BLOB NOT NULL
    ) STRICT""",
    "CREATE INDEX tape_by_end ON tape (to_s)",
)

_SET_ASIDE = (
    # What the time-series server will not take: one row per interval and heater, in the outbox or here, never in both.
    """CREATE TABLE refused (
    start_s INTEGER NOT NULL, heater TEXT NOT NULL, version INTEGER NOT NULL, at_s REAL NOT NULL, why TEXT NOT NULL,
    PRIMARY KEY (start_s, heater),
    FOREIGN KEY (start_s, heater, version) REFERENCES entry (start_s, heater, version)
    ) STRICT, WITHOUT ROWID""",
)

# What a heater took that the sun did not give, carbon by marginal factors beside the average, and the heat stock.
_MORE_VALUES = (
    "grid_wh INTEGER NOT NULL DEFAULT 0",
    "battery_wh INTEGER NOT NULL DEFAULT 0",
    "curtailed_wh INTEGER NOT NULL DEFAULT 0",
    "bought_micro INTEGER NOT NULL DEFAULT 0",
    "bought_mg INTEGER NOT NULL DEFAULT 0",
    "given_up_marginal_mg INTEGER",
    "avoided_marginal_mg INTEGER",
    "bought_marginal_mg INTEGER",
    "used TEXT",
)

_HEAT_STOCK = (
    *(f"ALTER TABLE {table} ADD COLUMN {column}" for table in ("entry", "open_interval") for column in _MORE_VALUES),
    # 0 in the postings written before: their cost stands in the entry alone.
    "ALTER TABLE posting ADD COLUMN micro INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE posting ADD COLUMN mg INTEGER NOT NULL DEFAULT 0",
    # So that a report need not look through the entries for columns that hold nothing.
    "CREATE INDEX entry_bought ON entry (start_s) WHERE grid_wh > 0 OR battery_wh > 0",
    "CREATE INDEX entry_marginal ON entry (start_s) WHERE given_up_marginal_mg IS NOT NULL",
    # The newest version of an interval is the one that counts, from booked_at_s on.
    """CREATE TABLE tank_entry (
    start_s INTEGER NOT NULL, version INTEGER NOT NULL CHECK (version >= 1),
    interval_s INTEGER NOT NULL CHECK (interval_s > 0 AND start_s % interval_s = 0),
    measured_s INTEGER NOT NULL CHECK (measured_s BETWEEN 0 AND interval_s),
    closing_wh INTEGER NOT NULL, metered INTEGER NOT NULL, reason TEXT NOT NULL, booked_at_s REAL NOT NULL,
    PRIMARY KEY (start_s, version)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE tank_posting (
    start_s INTEGER NOT NULL, version INTEGER NOT NULL, line INTEGER NOT NULL,
    account TEXT NOT NULL, wh INTEGER NOT NULL, micro INTEGER NOT NULL, mg INTEGER NOT NULL,
    PRIMARY KEY (start_s, version, line),
    FOREIGN KEY (start_s, version) REFERENCES tank_entry (start_s, version)
    ) STRICT, WITHOUT ROWID""",
    *_never("tank_entry"),
    *_never("tank_posting"),
)

_RESTATEMENT = (
    # What is begun stands in the first, what is done in the second: the versions of one that is not done do not count
    # yet, so that all of them begin to count at one instant.
    """CREATE TABLE restatement (
    id INTEGER PRIMARY KEY, at_s REAL NOT NULL, why TEXT NOT NULL, from_s INTEGER NOT NULL, to_s INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE restated (
    id INTEGER PRIMARY KEY REFERENCES restatement (id), at_s REAL NOT NULL, intervals INTEGER NOT NULL
    ) STRICT""",
    *_never("restatement"),
    *_never("restated"),
    "ALTER TABLE entry ADD COLUMN restatement INTEGER REFERENCES restatement (id)",
    "CREATE INDEX entry_restated ON entry (restatement) WHERE restatement IS NOT NULL",
)

# What the house battery forgoes, what lacks a price, and what the heat was taken to displace.
_BOTH_SIDES: tuple[Step, ...] = (
    *(
        f"ALTER TABLE {table} ADD COLUMN {column}"
        for table in ("entry", "open_interval")
        for column in (
            "forgone_wh INTEGER NOT NULL DEFAULT 0",
            "forgone_micro INTEGER NOT NULL DEFAULT 0",
            "forgone_mg INTEGER NOT NULL DEFAULT 0",
            "unheard_wh INTEGER NOT NULL DEFAULT 0",
            "battery_hours TEXT",
            "unpriced_wh INTEGER",
            "displaced TEXT",
        )
    ),
    "CREATE INDEX entry_forgone ON entry (start_s) WHERE forgone_wh > 0 OR unheard_wh > 0",
    # Entries of former versions that hold money on one side alone; none that is written now does.
    "CREATE INDEX entry_one_sided ON entry (start_s) WHERE unpriced_wh IS NULL "
    "AND (export_price_micro IS NULL OR heat_value_micro IS NULL) AND diverted_wh > 0",
)

_DIGESTS: tuple[Step, ...] = (
    *(
        f"ALTER TABLE {table.name} ADD COLUMN {column}"
        for table in BOOKED
        for column in ("batch INTEGER", "digest BLOB")
    ),
    *(f"ALTER TABLE {table} ADD COLUMN digest BLOB" for table in NOTED),
    "CREATE TABLE link (batch INTEGER PRIMARY KEY, at_s REAL NOT NULL, digest BLOB NOT NULL) STRICT",
    *_never("link"),
    seal_all,
)

MIGRATIONS: tuple[tuple[Step, ...], ...] = (_FIRST, _SET_ASIDE, _HEAT_STOCK, _RESTATEMENT, _BOTH_SIDES, _DIGESTS)
"""MIGRATIONS[n] takes a file from user_version n to n + 1, in one transaction."""
