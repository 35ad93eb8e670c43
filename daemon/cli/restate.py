"""restate: settled intervals valued anew, and what moved by it."""

import csv
import io
import time
from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from accounting.books.restatement import LONGEST_WHY, MovedRow, Restating, moved, moved_total, revisions, unfinished
from accounting.ledger import Ledger, LedgerWriter
from accounting.model.entry import Entry
from accounting.reports.value_statement import local_iso
from accounting.valuation.historical_shares import as_recorded
from accounting.valuation.settings import BooksSettings
from accounting.valuation.valuer import Valuer
from daemon.assembly.endpoints import facts
from daemon.assembly.prepared_home import prepare
from daemon.cli.options import echo_json, home_option, json_option, print_whole, statement_console
from daemon.config.load import load
from daemon.config.model import Home
from daemon.documents.times import instant
from daemon.web.api.client import NotRunning, ask
from rules.model.errors import BrimfulError
from rules.model.formatting import counted

_ASK_AGAIN_S = 0.2
_FIGURES = (
    ("given_up_before", "given_up_micro_before"),
    ("given_up_after", "given_up_micro_after"),
    ("avoided_before", "avoided_micro_before"),
    ("avoided_after", "avoided_micro_after"),
    ("net_before", "net_micro_before"),
    ("net_after", "net_micro_after"),
    ("net_kg_before", "net_mg_before"),
    ("net_kg_after", "net_mg_after"),
)


@click.command()
@click.option("--from", "from_", metavar="TIME", help="Start: a date, or a time with offset. Default: all.")
@click.option("--to", metavar="TIME", help="End, not included: a date is its first instant. Default: all.")
@click.option("--why", default="by hand", show_default=True, help="Kept with every interval that is revised.")
@click.option("--dry-run", is_flag=True, help="Only show what would change.")
@click.option("--ledger", type=click.Path(path_type=Path), help="The ledger, if not the home file's.")
@click.option("--csv", "as_table", is_flag=True, help="Print CSV.")
@home_option
@json_option
def restate(
    from_: str | None,
    to: str | None,
    why: str,
    dry_run: bool,
    ledger: Path | None,
    as_table: bool,
    home: Path,
    as_json: bool,
) -> None:
    """Value settled intervals again, by the home file as it is now, and show what changed.

    Energy stays as it was metered. The former figures are kept: value --as-of shows them. An interval of which less is
    known now than when it was booked keeps its value.
    """
    loaded = load(home)
    zone = ZoneInfo(loaded.home.timezone)
    asked_from_s, asked_to_s = (None if text is None else instant(text, zone) for text in (from_, to))
    if asked_from_s is not None and asked_to_s is not None and asked_to_s <= asked_from_s:
        raise BrimfulError("restate", "--to", f"expected a time after {from_}, got {to}")
    why = " ".join(why.split())
    if not 1 <= len(why) <= LONGEST_WHY:
        raise BrimfulError("restate", "--why", f"expected 1 to {LONGEST_WHY} characters, got {len(why)}")
    path = ledger or loaded.path_of(loaded.ledger.path)
    with Ledger.open_reader(path) as books:
        spans = books.heater_spans()
    from_s = max([asked_from_s or 0, min((span.first_s for span in spans), default=0)])
    to_s = min([asked_to_s if asked_to_s is not None else 2**40, max((span.end_s for span in spans), default=0)])
    number, kept = None, 0
    rows: list[MovedRow] = []
    if from_s < to_s and dry_run:
        rows, kept = _would_move(path, prepare(loaded).books, why, from_s, to_s, zone)
    elif from_s < to_s:
        number, kept = _restate(loaded, path, why, from_s, to_s)
        if number is not None:
            with Ledger.open_reader(path) as books, books.still():
                rows = moved(books.revisions(number), zone)
    if as_json:
        echo_json(_answer(rows, loaded, zone, number, kept, why, dry_run))
    elif as_table:
        click.echo(_csv(rows, zone), nl=False)
    else:
        _show(rows, loaded, zone, kept, dry_run)


def _would_move(
    path: Path, settings: BooksSettings, why: str, from_s: int, to_s: int, zone: ZoneInfo
) -> tuple[list[MovedRow], int]:
    kept = 0

    def pairs(books: Ledger) -> Iterator[tuple[Entry, Entry]]:
        nonlocal kept
        valuer = Valuer(as_recorded(settings, books))
        for _, (before, after) in revisions(books, valuer, why, from_s, to_s):
            if after is None:
                kept += 1
            else:
                yield before, after

    with Ledger.open_reader(path) as books, books.still():
        return moved(pairs(books), zone), kept


def _restate(home: Home, path: Path, why: str, from_s: int, to_s: int) -> tuple[int | None, int]:
    """The restatement's number, None if nothing moved, and how many intervals keep their value."""
    try:
        asked = {"ledger": str(path.resolve()), "from_s": from_s, "to_s": to_s, "why": why}
        ticket = ask(home.file, "POST", "/api/restate", asked)["ticket"]
    except NotRunning:
        with LedgerWriter.open(path, facts(home)) as own:
            cut_short = unfinished(own)
            while cut_short is not None and not cut_short.step(time.time()):
                pass
            work = Restating(own, Valuer(as_recorded(prepare(home).books, own)), why, from_s, to_s)
            while not work.step(time.time()):
                pass
            return work.number, work.kept
    while True:
        answer = ask(home.file, "GET", "/api/restating")
        done = answer["done"].get(str(ticket))
        if done is not None:
            return done["restatement"], done["kept_intervals"]
        if answer["fault"]:
            raise BrimfulError(
                "restate", "ledger", answer["fault"], "the daemon goes on with it when it can be written"
            )
        time.sleep(_ASK_AGAIN_S)


def _answer(
    rows: list[MovedRow], home: Home, zone: ZoneInfo, number: int | None, kept: int, why: str, dry_run: bool
) -> dict[str, Any]:
    def answer(row: MovedRow) -> dict[str, Any]:
        return {
            "start": local_iso(row.start_s, zone),
            "end": local_iso(row.end_s, zone),
            "intervals": row.intervals,
            "diverted_kwh": row.diverted_wh / 1000,
            **{name: getattr(row, source) / 10**6 for name, source in _FIGURES},
        }

    return {
        "schema": "brimful.restate/1",
        "home": home.home.name,
        "currency": home.home.currency,
        "timezone": zone.key,
        "restatement": number,
        "dry_run": dry_run,
        "why": why,
        "kept_intervals": kept,
        "rows": [answer(row) for row in rows],
        "total": answer(moved_total(rows)) if rows else None,
    }


def _csv(rows: list[MovedRow], zone: ZoneInfo) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("start", "end", "intervals", "diverted_kwh", *(name for name, _ in _FIGURES)))
    for row in rows:
        figures = (f"{Decimal(getattr(row, source)).scaleb(-6):f}" for _, source in _FIGURES)
        writer.writerow(
            (
                local_iso(row.start_s, zone),
                local_iso(row.end_s, zone),
                row.intervals,
                f"{Decimal(row.diverted_wh).scaleb(-3):f}",
                *figures,
            )
        )
    return text.getvalue()


def _show(rows: list[MovedRow], home: Home, zone: ZoneInfo, kept: int, dry_run: bool) -> None:
    from rich.table import Table

    console = statement_console()
    would = "would move" if dry_run else "moved"
    console.print(f"{home.home.name}: what {would} by valuing it anew", style="bold")
    if not rows:
        console.print("Nothing: every interval is worth what the books say.")
    else:
        table = Table(box=None, pad_edge=False, padding=(0, 1), header_style="bold", show_footer=True)
        heads = ("", "intervals", "given up", "avoided", "net before", "net after", f"moved {home.home.currency}")
        for name, foot in zip(heads, ("total", *_cells(moved_total(rows))), strict=True):
            table.add_column(name, footer=foot, justify="right" if name else "left", no_wrap=True)
        for row in rows:
            table.add_row(datetime.fromtimestamp(row.start_s, zone).strftime("%Y-%m"), *_cells(row))
        print_whole(console, table)
        if dry_run:
            console.print("Nothing is written. Without --dry-run it is; the former figures are kept.")
    if kept:
        left = counted(kept, "interval")
        console.print(f"Left as booked: {left}, for less is known of the prices now than at the time of booking.")


def _cells(row: MovedRow) -> tuple[str, ...]:
    return (
        str(row.intervals),
        f"{(row.given_up_micro_after - row.given_up_micro_before) / 1e6:+.2f}",
        f"{(row.avoided_micro_after - row.avoided_micro_before) / 1e6:+.2f}",
        f"{row.net_micro_before / 1e6:+.2f}",
        f"{row.net_micro_after / 1e6:+.2f}",
        f"{(row.net_micro_after - row.net_micro_before) / 1e6:+.2f}",
    )
