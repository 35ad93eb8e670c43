"""Checks of the whole ledger: the file, and whether the books agree with themselves."""

import json
import zlib
from collections.abc import Callable, Iterator
from typing import Any, Protocol

from accounting.ledger.errors import LedgerError
from accounting.ledger.made_tables import tables
from accounting.ledger.proving import ENOUGH, Check
from accounting.ledger.records import Facts, Restatement
from rules.model.formatting import counted

CURRENT = (
    "NOT EXISTS (SELECT 1 FROM superseded s WHERE s.start_s = e.start_s AND s.heater = e.heater "
    "AND s.version = e.version)"
)
"""Of entry e: no later version has taken its place."""
ONE_SIDED = (
    "({0}unpriced_wh IS NULL AND ({0}export_price_micro IS NULL OR {0}heat_value_micro IS NULL) AND {0}diverted_wh > 0)"
)
"""Of an entry: whether it was booked with money on one side alone; see `Entry.one_sided`."""
Ask = Callable[..., list[Any]]


class Verifiable(Protocol):
    """What a check asks of a ledger; see `accounting.ledger.reading`."""

    def ask(self, sql: str, *values: object, **named: object) -> list[Any]: ...

    def facts(self) -> Facts: ...

    def sums(self, spans: list[tuple[int, int]]) -> list[Any]: ...

    def restatements(self) -> list[Restatement]: ...

    def unfinished_restatement(self) -> Restatement | None: ...


def checks(ledger: Verifiable) -> Iterator[Check]:
    """Look through the books of a ledger held still, whose file is whole. Reads everything. Raises LedgerError."""
    ask = ledger.ask
    yield tables(ask)
    yield _references(ask)
    yield _versions(ask)
    yield _postings(ask)
    yield _totals(ledger, ask)
    yield _restatements(ledger, ask)
    yield _intervals(ledger, ask)
    yield _heaters(ask)
    yield _open(ask)
    yield _outbox(ask)
    yield _texts(ask)
    yield _tape(ask)


def whole_file(ask: Ask) -> Check:
    """Look through the file itself. Raises LedgerError."""
    try:
        ((pages,),), ((size,),) = ask("PRAGMA page_count"), ask("PRAGMA page_size")
        problems = [" ".join(str(row[0]).split()) for row in ask(f"PRAGMA integrity_check({ENOUGH})") if row[0] != "ok"]
    except LedgerError as error:
        if not error.damaged:
            raise
        return damaged(error)
    return Check("file", f"{pages:,} pages of {size} bytes", tuple(problems))


def damaged(error: LedgerError) -> Check:
    """The check of a file that cannot even be looked through."""
    return Check("file", "it cannot be read", (error.cause,))


def _references(ask: Ask) -> Check:
    problems = [f"{table}: a row points to nothing" for table, *_ in ask("PRAGMA foreign_key_check")]
    return Check("references", "every row points to one that is there", tuple(problems[:ENOUGH]))


def _versions(ask: Ask) -> Check:
    problems = []
    for start_s, heater, count, newest, current, standing in ask(
        "SELECT start_s, heater, count(*), max(version), sum(current), sum(iif(current, version, 0)) "
        f"FROM (SELECT start_s, heater, version, {CURRENT} AS current FROM entry e) GROUP BY start_s, heater "
        f"HAVING sum(current) <> 1 OR sum(iif(current, version, 0)) <> max(version) OR count(*) <> max(version) "
        f"LIMIT {ENOUGH}"
    ):
        if current != 1:
            what = f"{current} current versions instead of 1"
        elif standing != newest:
            what = f"version {standing} is current though there is version {newest}"
        else:
            what = f"{count} versions, the newest is {newest}"
        problems.append(f"interval {start_s} of {heater}: {what}")
    ((entries,),), ((replaced,),) = ask("SELECT count(*) FROM entry"), ask("SELECT count(*) FROM superseded")
    return Check("versions", f"{entries:,} entries, {replaced:,} of them replaced", tuple(problems))


def _postings(ask: Ask) -> Check:
    """Each version balances in energy, money and carbon, each source gave what the entry's column says, and it cost
    what the entry gives up and buys."""
    problems = [
        f"interval {start_s} of {heater}, version {version}: postings add up to {wh} Wh instead of 0"
        for start_s, heater, version, wh in ask(
            "SELECT start_s, heater, version, sum(wh) FROM posting GROUP BY start_s, heater, version "
            f"HAVING sum(wh) <> 0 LIMIT {ENOUGH}"
        )
    ]
    problems += [
        f"interval {start_s} of {heater}, version {version}: postings cost {micro} millionths and {mg} mg instead of 0"
        for start_s, heater, version, micro, mg in ask(
            "SELECT start_s, heater, version, sum(micro), sum(mg) FROM posting GROUP BY start_s, heater, version "
            f"HAVING sum(micro) <> 0 OR sum(mg) <> 0 LIMIT {ENOUGH}"
        )
    ]
    problems += [
        f"interval {start_s} of {heater}, version {version}: given up and bought are {entry_micro} millionths and "
        f"{entry_mg} mg, the tank's postings {micro} and {mg}"
        for start_s, heater, version, entry_micro, entry_mg, micro, mg in ask(
            "SELECT start_s, heater, version, given_up_micro + bought_micro AS entry_micro, "
            "given_up_mg + bought_mg AS entry_mg, p.micro, p.mg FROM entry JOIN posting p "
            "USING (start_s, heater, version) WHERE account = 'tank' AND used IS NOT NULL "
            f"AND (entry_micro, entry_mg) <> (p.micro, p.mg) LIMIT {ENOUGH}"
        )
    ]
    problems += [
        f"interval {start_s} of {heater}, version {version}: {', '.join(map(str, columns))} Wh of sun, grid and "
        f"battery, postings of {', '.join(map(str, given))}"
        for start_s, heater, version, columns, given in _sources(ask)
    ]
    problems += [
        f"tank's interval {start_s}, version {version}: postings add up to {wh} Wh instead of 0"
        for start_s, version, wh in ask(
            "SELECT start_s, version, sum(wh) FROM tank_posting GROUP BY start_s, version "
            f"HAVING sum(wh) <> 0 LIMIT {ENOUGH}"
        )
    ]
    ((lines,),), ((of_tank,),) = ask("SELECT count(*) FROM posting"), ask("SELECT count(*) FROM tank_posting")
    return Check("postings", f"{lines:,} of the heaters and {of_tank:,} of the tank balance", tuple(problems))


def _sources(ask: Ask) -> Iterator[tuple[int, str, int, tuple[int, ...], tuple[int, ...]]]:
    """Versions whose columns and postings differ on who gave the energy: Wh by the columns, Wh by the postings."""
    given = (
        "SELECT start_s, heater, version, sum(iif(account IN ('sun', 'battery_forgone'), -wh, 0)) AS sun, "
        "sum(iif(account = 'grid' OR account GLOB 'grid:*', -wh, 0)) AS grid, "
        "sum(iif(account = 'battery', -wh, 0)) AS battery FROM posting GROUP BY start_s, heater, version"
    )
    for start_s, heater, version, *parts in ask(
        "SELECT start_s, heater, version, diverted_wh - grid_wh - battery_wh AS sun_wh, grid_wh, battery_wh, "
        f"ifnull(sun, 0), ifnull(grid, 0), ifnull(battery, 0) FROM entry LEFT JOIN ({given}) "
        "USING (start_s, heater, version) "
        f"WHERE (sun_wh, grid_wh, battery_wh) <> (ifnull(sun, 0), ifnull(grid, 0), ifnull(battery, 0)) LIMIT {ENOUGH}"
    ):
        yield start_s, heater, version, tuple(parts[:3]), tuple(parts[3:])


def _totals(ledger: Verifiable, ask: Ask) -> Check:
    """What `value` adds up, added up another way."""
    sums = ledger.sums([(-(2**60), 2**60)])[0]
    counts = CURRENT
    if (running := ledger.unfinished_restatement()) is not None:
        counts = (
            f"ifnull(restatement, 0) <> {running.number} AND NOT EXISTS (SELECT 1 FROM entry l WHERE l.start_s = "
            "e.start_s AND l.heater = e.heater AND l.version > e.version "
            f"AND ifnull(l.restatement, 0) <> {running.number})"
        )
    ((wh, given_up, avoided),) = ask(
        f"SELECT ifnull(sum(diverted_wh), 0), ifnull(sum(iif({ONE_SIDED.format('')}, 0, given_up_micro)), 0), "
        f"ifnull(sum(iif({ONE_SIDED.format('')}, 0, avoided_micro)), 0) FROM entry e WHERE {counts}"
    )
    problems = [
        f"total of {name}: {one:,} one way, {other:,} the other"
        for name, one, other in (
            ("diverted_wh", sums.diverted_wh, wh),
            ("given_up_micro", sums.given_up_micro, given_up),
            ("avoided_micro", sums.avoided_micro, avoided),
        )
        if one != other
    ]
    return Check("totals", f"{wh / 1000:,.3f} kWh diverted", tuple(problems))


def _restatements(ledger: Verifiable, ask: Ask) -> Check:
    """Each finished restatement revised as many intervals as it states; at most one is unfinished."""
    restatements = ledger.restatements()
    revised = dict(
        ask(
            "SELECT restatement, count(*) FROM (SELECT DISTINCT restatement, start_s, heater FROM entry "
            "WHERE restatement IS NOT NULL) GROUP BY restatement"
        )
    )
    problems = [
        f"restatement {one.number}: {revised.get(one.number, 0)} intervals instead of {one.intervals}"
        for one in restatements
        if one.done_at_s is not None and revised.get(one.number, 0) != one.intervals
    ]
    unfinished = [one.number for one in restatements if one.done_at_s is None]
    if len(unfinished) > 1:
        problems.append(f"restatements {', '.join(map(str, unfinished))}: more than one is unfinished")
    waits = f"; {unfinished[0]} is unfinished and does not count yet" if unfinished else ""
    return Check("restated", f"{counted(len(restatements), 'restatement')}{waits}", tuple(problems[:ENOUGH]))


def _intervals(ledger: Verifiable, ask: Ask) -> Check:
    length_s = ledger.facts().interval_s
    problems = [
        f"interval {start_s} of {heater}: {interval_s} s long instead of {length_s}"
        for start_s, heater, interval_s in ask(
            f"SELECT start_s, heater, interval_s FROM entry WHERE interval_s <> ? LIMIT {ENOUGH}", length_s
        )
    ]
    return Check("intervals", f"each {length_s // 60} min long", tuple(problems))


def _heaters(ask: Ask) -> Check:
    """Each heater's booked stretch is that of its entries; coverage is worked out from it."""
    kept = {name: (first_s, end_s) for name, first_s, end_s in ask("SELECT name, first_s, end_s FROM heater")}
    booked = {
        name: (first_s, end_s)
        for name, first_s, end_s in ask(
            "SELECT heater, min(start_s), max(start_s + interval_s) FROM entry GROUP BY heater"
        )
    }
    problems = [
        f"heater {name}: booked from {booked.get(name)}, kept as {kept.get(name)}"
        for name in sorted({*kept, *booked})
        if kept.get(name) != booked.get(name, (None, None))
    ]
    return Check("heaters", ", ".join(sorted(kept)) or "none", tuple(problems))


def _open(ask: Ask) -> Check:
    problems = [
        f"interval {start_s} of {heater}: open though it is settled"
        for start_s, heater in ask(
            f"SELECT start_s, heater FROM open_interval JOIN entry USING (start_s, heater) LIMIT {ENOUGH}"
        )
    ]
    ((count,),) = ask("SELECT count(*) FROM open_interval")
    return Check("open", f"{counted(count, 'interval')} not settled yet", tuple(problems))


def _outbox(ask: Ask) -> Check:
    problems = [
        f"interval {start_s} of {heater}: version {version} waits to be sent though a newer one is there"
        for start_s, heater, version in ask(
            "SELECT start_s, heater, o.version FROM outbox o WHERE EXISTS (SELECT 1 FROM superseded s WHERE "
            "s.start_s = o.start_s AND s.heater = o.heater AND s.version = o.version) "
            f"LIMIT {ENOUGH}"
        )
    ]
    ((count,),) = ask("SELECT count(*) FROM outbox")
    return Check("outbox", f"{counted(count, 'interval')} to be sent", tuple(problems))


def _texts(ask: Ask) -> Check:
    """What is kept as JSON can be read: the working state, decisions' findings, events' figures."""
    problems = [f"state {key}: cannot be read" for key, value in ask("SELECT key, value FROM state") if _bad(value)]
    for table, column in (("decision", "findings"), ("event", "figures")):
        problems += [
            f"{table} {number}: its {column} cannot be read"
            for (number,) in ask(f"SELECT id FROM {table} WHERE NOT json_valid({column}) LIMIT {ENOUGH}")
        ]
    ((decisions,),), ((events,),) = ask("SELECT count(*) FROM decision"), ask("SELECT count(*) FROM event")
    return Check("notes", f"{decisions:,} decisions, {events:,} events, the working state", tuple(problems))


def _tape(ask: Ask) -> Check:
    problems = []
    count = 0
    last = 0
    while some := ask("SELECT id, rows, data FROM tape WHERE id > ? ORDER BY id LIMIT 1000", last):
        for number, rows, data in some:
            count += rows
            try:
                held = zlib.decompress(data).count(b"\n") - 1
            except zlib.error:
                held = -1
            if held != rows:
                problems.append(f"tape {number}: {max(held, 0)} minutes can be read instead of {rows}")
        last = some[-1][0]
    return Check("tape", f"{count:,} minutes", tuple(problems[:ENOUGH]))


def _bad(text: str) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return True
    return False
