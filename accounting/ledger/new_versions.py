"""Versions of intervals as they are written: only where one says something that the newest does not."""

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from operator import attrgetter
from typing import NamedTuple

from accounting.ledger.records import OutboxKey
from accounting.ledger.sealed_writing import LINE, SealedWriting
from accounting.ledger.sealing import DAY_S
from accounting.ledger.versions import VALUE_COLUMNS, VALUES, entry_of
from accounting.model.entry import Entry, Posting, TankEntry

_NEWEST = f"SELECT max(version), {VALUE_COLUMNS} FROM entry WHERE start_s BETWEEN ? AND ? GROUP BY start_s, heater"
_NUMBERS = "SELECT start_s, heater, max(version) FROM entry WHERE start_s BETWEEN ? AND ? GROUP BY start_s, heater"
_POSTINGS = (
    f"SELECT start_s, heater, version, {', '.join(LINE)} FROM posting WHERE start_s BETWEEN ? AND ? "
    "ORDER BY start_s, heater, version, line"
)
_COLUMNS = (*VALUES, "version", "booked_at_s", "restatement")
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
TAKE_BACK = "DELETE FROM refused WHERE start_s = ? AND heater = ?"
_SETTLED = "DELETE FROM open_interval WHERE start_s = ? AND heater = ?"
_STRETCH = (
    "INSERT INTO heater (name, in_use, first_s, end_s) VALUES (?, 0, ?, ?) ON CONFLICT DO UPDATE SET "
    "first_s = min(ifnull(first_s, excluded.first_s), excluded.first_s), "
    "end_s = max(ifnull(end_s, excluded.end_s), excluded.end_s)"
)

Interval = tuple[int, str]
"""Start and heater."""


class Newest(NamedTuple):
    """The newest version of an interval: its number, and what it says."""

    version: int
    entry: Entry | None


_NONE = Newest(0, None)


def book(
    db: sqlite3.Connection,
    writing: SealedWriting,
    entries: Sequence[Entry],
    at_s: float,
    newest: dict[Interval, Newest],
    restatement: int | None = None,
) -> None:
    """Write a new version of each interval that differs from its newest, and queue it for sending. newest: what is
    there, of those that have a version; it is brought up to date."""
    keys: list[OutboxKey] = []
    news: list[Entry] = []
    replaced = []
    for entry in entries:
        interval = entry.start_s, entry.heater
        version, before = newest.get(interval, _NONE)
        if before is not None:
            if _says_the_same(entry, before):
                continue
            replaced.append((*interval, version, at_s))
        newest[interval] = Newest(version + 1, entry)
        keys.append(OutboxKey(*interval, version + 1))
        news.append(entry)
    if not news:
        return
    rows = [(*_values(entry), key.version, at_s, restatement) for key, entry in zip(keys, news, strict=True)]
    writing.book("entry", _COLUMNS, rows, [entry.postings for entry in news])
    writing.book("superseded", (*OutboxKey._fields, "at_s"), replaced)
    db.executemany(_QUEUE, keys)
    if db.executemany(TAKE_BACK, (key[:2] for key in keys)).rowcount:
        writing.changed("refused")
    db.executemany(_STRETCH, _stretches(news))
    db.executemany(_SETTLED, (key[:2] for key in keys))
    writing.changed("heater", "open_interval")


def book_tank(db: sqlite3.Connection, writing: SealedWriting, entries: Sequence[TankEntry], at_s: float) -> None:
    """Write a new version of each of the tank's intervals that differs from its newest. An interval comes once."""
    rows = []
    news = []
    for entry in entries:
        newest = db.execute(_NEWEST_TANK, (entry.start_s,)).fetchone()
        version = 1
        if newest is not None:
            kept = db.execute(_TANK_POSTINGS, (entry.start_s, newest[0])).fetchall()
            if newest[1:] == _tank_says(entry) and [Posting(*line) for line in kept] == [*entry.postings]:
                continue
            version = newest[0] + 1
        rows.append((entry.start_s, version, *_tank_says(entry), entry.reason, at_s))
        news.append(entry.postings)
    writing.book("tank_entry", _TANK_COLUMNS, rows, news)


def newest_of(db: sqlite3.Connection, entries: Sequence[Entry]) -> dict[Interval, Newest]:
    """What stands of the intervals of these entries, and of others around."""
    found: dict[Interval, Newest] = {}
    for span in _spans(entries):
        lines: dict[tuple[int, str, int], list[Posting]] = {}
        for start_s, heater, version, *line in db.execute(_POSTINGS, span):
            lines.setdefault((start_s, heater, version), []).append(Posting(*line))
        for version, *row in db.execute(_NEWEST, span):
            start_s, _, heater = row[:3]
            postings = lines.get((start_s, heater, version), ())
            found[start_s, heater] = Newest(version, entry_of(row, tuple(postings)))
    return found


def numbered(db: sqlite3.Connection, entries: Sequence[Entry]) -> dict[Interval, Newest]:
    """The same of entries that were just read, and are the newest."""
    versions: dict[Interval, int] = {}
    for span in _spans(entries):
        versions |= {(start_s, heater): version for start_s, heater, version in db.execute(_NUMBERS, span)}
    return {(entry.start_s, entry.heater): Newest(versions[entry.start_s, entry.heater], entry) for entry in entries}


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
    of_heater: dict[str, list[int]] = {}
    for entry in entries:
        of_heater.setdefault(entry.heater, []).extend((entry.start_s, entry.end_s))
    return [(heater, min(ends), max(ends)) for heater, ends in of_heater.items()]
