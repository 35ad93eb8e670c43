"""bills: a supplier's figures beside the logger's own, and what may be behind the difference."""

import csv
import io
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

import click

from accounting.ledger import Ledger
from accounting.model.periods import local_day
from accounting.reports.bill_patterns import amounts as amounts_told
from accounting.reports.bill_patterns import bill_scale, estimated, expected_amount, left_out
from accounting.reports.bills import (
    LEAST_HELD_S,
    METERS,
    POWER,
    BillRow,
    Suggestion,
    bill_rows,
    minutes_around,
    monthly,
    own_figures,
    suggestions,
)
from accounting.reports.supplier import UNITS, Layout, is_bills, read_bills, read_intervals
from accounting.reports.value_statement import local_iso
from daemon.cli.options import echo_json, home_option, json_option, print_whole, statement_console
from daemon.config.build import books_settings
from daemon.config.load import load
from daemon.config.model import Home
from rules.model.errors import BrimfulError
from rules.model.formatting import percent, rounded_percent

_OP = "compare bills"


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--meter", type=click.Choice(list(METERS)), default="import", show_default=True, help="Whose figures.")
@click.option("--time", metavar="COLUMN", help="The column of times. Default: the first.")
@click.option("--value", metavar="COLUMN", help="The column of energy. Default: the second.")
@click.option("--unit", type=click.Choice(list(UNITS)), default="kWh", show_default=True, help="Of the energy.")
@click.option(
    "--at",
    type=click.Choice(["start", "end"]),
    default="start",
    show_default=True,
    help="Which end of an interval.",
)
@click.option("--timezone", metavar="ZONE", help="Of times without an offset. Default: the home's.")
@click.option("--last-day", is_flag=True, help="A bill's `to` is its last day, not the first one after it.")
@click.option("--ledger", type=click.Path(path_type=Path), help="The ledger, if not the home file's.")
@click.option("--csv", "as_table", is_flag=True, help="Print CSV.")
@home_option
@json_option
def bills(
    file: Path,
    meter: str,
    time: str | None,
    value: str | None,
    unit: Literal["kWh", "Wh"],
    at: Literal["start", "end"],
    timezone: str | None,
    last_day: bool,
    ledger: Path | None,
    as_table: bool,
    home: Path,
    as_json: bool,
) -> None:
    """Compare a supplier's CSV with the recorded minutes; nothing is changed.

    FILE has a row for each metered interval (time, energy), or, with columns named from, to and kWh, for each bill; a
    bill's amount, where the file has one, is compared with the home file's tariff.
    """
    loaded = load(home)
    try:
        lines = file.read_text("utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        cause = error.strerror if isinstance(error, OSError) else "expected UTF-8 text"
        raise BrimfulError(_OP, str(file), f"cannot be read: {cause}") from error
    zone = ZoneInfo(loaded.home.timezone)
    interval_s = loaded.home.interval_minutes * 60
    said: list[Suggestion] = []
    path = ledger or loaded.path_of(loaded.ledger.path)
    if is_bills(lines[0] if lines else ""):
        supplier_bills = read_bills(lines, file.name, zone, last_day)
        own = _own(loaded, path, meter, supplier_bills[0].start_s, supplier_bills[-1].end_s)
        rows = bill_rows(supplier_bills, own, interval_s)
        amounts = [bill.amount for bill in supplier_bills]
        books = books_settings(loaded)
        tariff = books.imports if meter == "import" else books.export
        due = [expected_amount(bill, own, tariff, interval_s, zone) for bill in supplier_bills]
        said += [*left_out(supplier_bills, zone), *amounts_told(supplier_bills, due, zone, loaded.home.currency)]
    else:
        layout = Layout(_zone(timezone) if timezone else zone, time, value, unit, at)
        supplier = read_intervals(lines, file.name, layout, interval_s)
        own = _own(loaded, path, meter, min(supplier), max(supplier) + interval_s)
        rows = monthly(supplier, own, zone, interval_s)
        said = suggestions(supplier, own, zone, interval_s)
        amounts, due = [None] * len(rows), [None] * len(rows)
    ratio, of_scale = bill_scale(rows)
    if not any(one.kind == "scale" for one in said):
        said += of_scale
    said += estimated(rows, zone, ratio)
    if as_json:
        echo_json(_answer(rows, amounts, due, said, loaded, zone, meter))
    elif as_table:
        click.echo(_csv(rows, amounts, due, zone), nl=False)
    else:
        _show(rows, said, loaded, zone, meter)


def _own(home: Home, path: Path, meter: str, from_s: int, to_s: int) -> dict[int, Any]:
    counter = METERS[meter][0] in home.signals
    if not counter and POWER not in home.signals:
        cause = f"expected a signal {METERS[meter][0]} or {POWER}, got neither"
        raise BrimfulError(_OP, "signals", cause, "what is not heard cannot be compared")
    stale_after_s = max(LEAST_HELD_S, home.stale_after_s(POWER) if POWER in home.signals else 0.0)
    with Ledger.open_reader(path) as books, books.still():
        interval_s = home.home.interval_minutes * 60
        rows = minutes_around(books, from_s, to_s)
        own = own_figures(rows, meter, interval_s, counter=counter, stale_after_s=stale_after_s)
    if not own:
        cause = f"expected recorded minutes from {local_day(from_s, ZoneInfo(home.home.timezone))} on, got none"
        raise BrimfulError(_OP, str(path), cause, f"they are kept for ledger.tape_days = {home.ledger.tape_days}")
    return own


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise BrimfulError(_OP, "--timezone", f"expected a zone like Europe/Dublin or UTC, got {name!r}") from None


def _answer(
    rows: list[BillRow],
    amounts: list[Decimal | None],
    due: Sequence[Fraction | None],
    said: list[Suggestion],
    home: Home,
    zone: ZoneInfo,
    meter: str,
) -> dict[str, Any]:
    return {
        "schema": "brimful.bills/1",
        "home": home.home.name,
        "meter": meter,
        "currency": home.home.currency,
        "timezone": zone.key,
        "rows": [
            {
                "start": local_iso(row.start_s, zone),
                "end": local_iso(row.end_s, zone),
                "supplier_kwh": row.supplier_wh / 1000,
                "own_kwh": row.own_wh / 1000,
                "difference_kwh": row.difference_wh / 1000,
                "coverage": round(row.coverage, 6),
                "amount": None if amount is None else float(amount),
                "expected_amount": None if own is None else round(float(own), 6),
            }
            for row, amount, own in zip(rows, amounts, due, strict=True)
        ],
        "suggestions": [{"kind": one.kind, "sentence": one.sentence} for one in said],
    }


def _csv(rows: list[BillRow], amounts: list[Decimal | None], due: Sequence[Fraction | None], zone: ZoneInfo) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        ("start", "end", "supplier_kwh", "own_kwh", "difference_kwh", "coverage", "amount", "expected_amount")
    )
    for row, amount, own in zip(rows, amounts, due, strict=True):
        figures = (f"{Decimal(wh).scaleb(-3):f}" for wh in (row.supplier_wh, row.own_wh, row.difference_wh))
        ends = (local_iso(row.start_s, zone), local_iso(row.end_s, zone))
        money = ("" if amount is None else f"{amount:f}", "" if own is None else f"{float(own):.6f}")
        writer.writerow((*ends, *figures, f"{row.coverage:.6f}", *money))
    return text.getvalue()


def _show(rows: list[BillRow], said: list[Suggestion], home: Home, zone: ZoneInfo, meter: str) -> None:
    from rich.table import Table

    console = statement_console()
    console.print(f"{home.home.name}: {meter} as billed and as recorded, kWh", style="bold")
    table = Table(box=None, pad_edge=False, padding=(0, 1), header_style="bold")
    for name in ("from", "to", "billed", "recorded", "difference", "", "measured"):
        table.add_column(name, justify="left" if name in ("from", "to") else "right", no_wrap=True)
    for row in rows:
        share = rounded_percent(row.difference_wh / row.own_wh, 1, sign=True) if row.own_wh else "–"
        ends = (local_day(row.start_s, zone).isoformat(), local_day(row.end_s, zone).isoformat())
        figures = (f"{row.supplier_wh / 1000:.3f}", f"{row.own_wh / 1000:.3f}", f"{row.difference_wh / 1000:+.3f}")
        table.add_row(*ends, *figures, share, percent(row.coverage * 100))
    print_whole(console, table)
    for one in said:
        console.print(f"Perhaps ({one.kind}): {one.sentence}")
    console.print("Nothing is changed by this. Energy that was not recorded is not in the recorded figure.")
