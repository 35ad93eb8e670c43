"""Writes a ledger of the newest schema as text, for later programs to upgrade: `python -m tests.support.old_ledger`.

The text is tests/faults/ledgers/schema-N.sql.gz, N being the schema of the day. That of an older schema is never
written anew: only the program that had it could do so.
"""

import gzip
import sqlite3
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from accounting.ledger import Batch, DecisionRow, EventRow
from accounting.ledger.schema import MIGRATIONS
from accounting.ledger.tape import pack
from rules.model.orders import Finding, Order, Verdict
from tests.support.ledgers import QUAY, entry, new_ledger

FOLDER = Path(__file__).parents[1] / "faults" / "ledgers"
BOOKED, REVISED, WAITING = 40, 7, 12


def text_of(schema: int) -> Path:
    """Where the text of a schema's ledger is."""
    return FOLDER / f"schema-{schema}.sql.gz"


def load(schema: int, path: Path) -> None:
    """Make the ledger of an older schema from its text."""
    db = sqlite3.connect(path)
    try:
        db.executescript(gzip.decompress(text_of(schema).read_bytes()).decode())
        db.execute("PRAGMA journal_mode = WAL")
    finally:
        db.close()


def write() -> Path:
    """A few dozen entries of two heaters, some revised, some still to be sent, with decisions, events and tape."""
    found = (Finding("full", Verdict.FORBID, "tank 96 %, full since 13:10", "resumes below 88 %"),)
    facts = replace(QUAY, heaters=("main", "upper"))
    with tempfile.TemporaryDirectory() as folder, new_ledger(Path(folder), facts) as ledger:
        for place in range(BOOKED):
            heater = "upper" if place % 5 == 4 else "main"
            settled = entry(place, 500 + 7 * place, heater, estimated_wh=100 * (place % 3))
            ledger.commit(
                Batch(
                    settled.end_s + 120.0,
                    entries=(settled,),
                    open_entries=(entry(BOOKED, 55),),
                    decisions=(
                        DecisionRow(settled.start_s + 0.5, heater, Order.WITHHOLD, None, "full", "96 %", "88 %", found),
                    ),
                    events=(EventRow(settled.start_s + 0.25, "level silent", "alarm", "no level", {"age_s": 901.5}),),
                    state={"meter": {"main": {"wh": place}}, "memory": {"since_s": float("-inf")}},
                    tape=pack([(settled.end_s, {"grid_w": -1.5 * place, "tank_level_pct": 60.0})]),
                )
            )
        for place in range(REVISED):
            revised = replace(entry(place, 900 + place), reason="late reading")
            ledger.commit(Batch(revised.end_s + 7200.0, (revised,)))
        keys = tuple(item.key for item in ledger.outbox_peek(1000))
        ledger.commit(Batch(entry(BOOKED).end_s, delivered=keys[WAITING:]))
        db = sqlite3.connect(ledger.path)
        try:
            marks = [
                f"PRAGMA {name} = {db.execute(f'PRAGMA {name}').fetchone()[0]};"
                for name in ("application_id", "user_version")
            ]
            lines = [*db.iterdump(), *marks]
        finally:
            db.close()
    to = text_of(len(MIGRATIONS))
    to.parent.mkdir(exist_ok=True)
    to.write_bytes(gzip.compress(("\n".join(lines) + "\n").encode(), 9, mtime=0))
    return to


if __name__ == "__main__":
    sys.stdout.write(f"{write().name}\n")
