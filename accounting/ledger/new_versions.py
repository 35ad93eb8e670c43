"""Versions of intervals as they are written: only where one says something that the newest does not."""

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from operator import attrgetter
from typing import Any

from accounting.ledger.records import OutboxKey
from accounting.ledger.sealed_writing import LINE, SealedWriting
from accounting.ledger.sealing import DAY_S
from accounting.ledger.versions import VALUE_COLUMNS, VALUES, entry_of
from accounting.model.entry import Entry, Posting, TankEntry

_NEWEST = f"SELECT max(version), {VALUE_COLUMNS} FROM entry WHERE start_s BETWEEN ? AND ? GROUP BY start_s, heater"
_POSTINGS = (
    f"SELECT start_s, heater, version, {', '.join(LINE)} FROM posting WHERE start_s BETWEEN ? AND ? "
    "ORDER BY start_s, heater, version, line"
)
_values = attrgetter(*VALUES)
_figures = attrgetter(*(name for name in VALUES if name != "reason"))
_TANK_SAYS = ("interval_s", "measured_s", "closing_wh", "metered")
_tank_says = attrgetter(*_TANK_SAYS)
_TANK_COLUMNS = ("start_s", "version", *_TANK_SAYS, "reason", "booked_at_s")
_NEWEST_TANK = (
    f"SELECT version, {', '.join(_TANK_SAYS)} FROM tank_entry WHERE start_s = ? ORDER BY version DESC LIMIT 1"
)
_TANK_POSTINGS = f"SELECT {', '.join(LINE)} FROM tank_posting WHERE start_s = ? AND version = ? ORDER BY line"
_QUEUE = (
    "INSERT INTO outbox (start_s, heater, version) VALUES (?, ?, ?) "
    "ON CONFLICT DO UPDATE SET version = excluded.version WHERE excluded.version > version"
)
# What was refused of these intervals, once something newer stands; what was open, once it is settled.
_TAKE_BACK = (
    "DELETE FROM refused AS r WHERE start_s BETWEEN ? AND ? AND EXISTS (SELECT 1 FROM superseded s "
    "WHERE s.start_s = r.start_s AND s.heater = r.heater AND s.version = r.version)"
)
_SETTLED = (
    "DELETE FROM open_interval AS o WHERE start_s BETWEEN ? AND ? "
    "AND EXISTS (SELECT 1 FROM entry e WHERE e.start_s = o.start_s AND e.heater = o.heater)"
)
_STRETCH = (
    "INSERT INTO heater (name, in_use, first_s, end_s) VALUES (?, 0, ?, ?) ON CONFLICT DO UPDATE SET "
    "first_s = min(ifnull(first_s, excluded.first_s), excluded.first_s), "
    "end_s = max(ifnull(end_s, excluded.end_s), excluded.end_s)"
)

Version = tuple[OutboxKey, Entry]


def book(
    db: sqlite3.Connection,
    writing: SealedWriting,
    versions: Sequence[Version],
    at_s: float,
    restatement: int | None = None,
) -> None:
    """Write versions of intervals, each in the place of the one before it, and queue them for sending."""
    if not versions:
        return
    keys = [key for key, _ in versions]
    entries = [entry for _, entry in versions]
    said = dict(zip(VALUES, zip(*map(_values, entries), strict=True), strict=True))
    said["version"] = tuple([key.version for key in keys])
    said |= {"booked_at_s": (at_s,) * len(keys), "restatement": (restatement,) * len(keys)}
    writing.book("entry", said, [entry.postings for entry in entries])
    replaced = [key for key in keys if key.version > 1]
    says: dict[str, list[Any]] = {
        "start_s": [key.start_s for key in replaced],
        "heater": [key.heater for key in replaced],
        "version": [key.version - 1 for key in replaced],
        "at_s": [at_s] * len(replaced),
    }
    writing.book("superseded", says)
    db.executemany(_QUEUE, keys)
    spans = _spans(entries)
    if db.executemany(_TAKE_BACK, spans).rowcount:
        writing.changed("refused")
    db.executemany(_STRETCH, _stretches(entries))
    db.executemany(_SETTLED, spans)
    writing.changed("heater", "open_interval")


def news(db: sqlite3.Connection, entries: Sequence[Entry]) -> list[Version]:
    """Those of the entries that say something which their interval's newest version does not, numbered."""
    newest: dict[tuple[int, str], Version] = {}
    for span in _spans(entries):
        lines: dict[OutboxKey, list[Posting]] = {}
        for start_s, heater, version, *line in db.execute(_POSTINGS, span):
            lines.setdefault(OutboxKey(start_s, heater, version), []).append(Posting(*line))
        for version, *row in db.execute(_NEWEST, span):
            key = OutboxKey(row[0], row[2], version)
            newest[key[:2]] = key, entry_of(row, tuple(lines.get(key, ())))
    found = []
    for entry in entries:
        interval = entry.start_s, entry.heater
        before = newest.get(interval)
        if before is not None and _says_the_same(entry, before[1]):
            continue
        key = OutboxKey(*interval, 1 if before is None else before[0].version + 1)
        newest[interval] = key, entry
        found.append(newest[interval])
    return found


def book_tank(db: sqlite3.Connection, writing: SealedWriting, entries: Sequence[TankEntry], at_s: float) -> None:
    """Write a new version of each of the tank's intervals that differs from its newest, which may be among them."""
    rows = []
    news = []
    newest: dict[int, tuple[int, tuple[Any, ...], list[Posting]]] = {}
    for entry in entries:
        says, postings = _tank_says(entry), [*entry.postings]
        version, *kept = newest.get(entry.start_s) or _newest_tank(db, entry.start_s)
        if kept == [says, postings]:
            continue
        newest[entry.start_s] = version + 1, says, postings
        rows.append((entry.start_s, version + 1, *says, entry.reason, at_s))
        news.append(entry.postings)
    if rows:
        said = dict(zip(_TANK_COLUMNS, zip(*rows, strict=True), strict=True))
        writing.book("tank_entry", said, news)


def _newest_tank(db: sqlite3.Connection, start_s: int) -> tuple[int, tuple[Any, ...], list[Posting]]:
    """Version, figures and postings of what the ledger has of the tank's interval; version 0 for nothing."""
    newest = db.execute(_NEWEST_TANK, (start_s,)).fetchone()
    if newest is None:
        return 0, (), []
    kept = db.execute(_TANK_POSTINGS, (start_s, newest[0])).fetchall()
    return newest[0], newest[1:], [Posting(*line) for line in kept]


def _spans(entries: Sequence[Entry]) -> list[tuple[int, int]]:
    """The first and last start of the entries of each day."""
    days: dict[int, list[int]] = {}
    for entry in entries:
        days.setdefault(entry.start_s // DAY_S, []).append(entry.start_s)
    return [(min(starts), max(starts)) for starts in days.values()]


def _says_the_same(entry: Entry, newest: Entry) -> bool:
    """Whether only the reason differs. It says why a version was written and is not part of its figures.

    What the first schemas did not keep (the share counted as used, the cost in the postings, what lacks a price and
    what was displaced) is not news either.
    """
    kept_less = newest.used is None
    said = replace(entry, used=None) if kept_less else entry
    if newest.unpriced_wh is None:
        said = replace(said, unpriced_wh=None, displaced=None)
    if _figures(said) != _figures(newest):
        return False
    if kept_less:
        energies = ([(line.account, line.wh) for line in one.postings] for one in (entry, newest))
        return next(energies) == next(energies)
    return entry.postings == newest.postings


def _stretches(entries: Sequence[Entry]) -> list[tuple[str, int, int]]:
    """From when to when there are entries of each heater."""
    starts: dict[str, list[int]] = {}
    for entry in entries:
        starts.setdefault(entry.heater, []).append(entry.start_s)
    interval_s = entries[0].interval_s
    return [(heater, min(found), max(found) + interval_s) for heater, found in starts.items()]
