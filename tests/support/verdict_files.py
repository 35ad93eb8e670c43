"""A home with books, hardware and a history, as files."""

import csv
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from accounting.ledger import Batch, Facts, LedgerWriter
from accounting.model.entry import Posting, TankEntry
from tests.support.homes import EXAMPLE
from tests.support.ledgers import entry
from tests.support.verdict_homes import RECIPES, Home, draw

COLUMNS = ("electricity_kwh", "gas_kwh", "diverted_kwh", "water_l", "away_days", "inlet_c")
HARDWARE = """

[[hardware]]
name = "diverter"
bought = 2026-05-01
cost = 420
fitting = 130
life_years = 12
embodied_kg = 60
standby_w = 2
replaced = [{ after_years = 6, cost = 45 }]

[verdict]
discount = 0.03
growth = { electricity = 0.02, gas = 0.01, export = -0.01 }
"""


def home_file(folder: Path, extra: str = HARDWARE) -> Path:
    """The published example, its prices from 2010 on, with other hardware."""
    path = folder / "home.toml"
    text = EXAMPLE.read_text().replace("from = 2026-04-01", "from = 2010-01-01")
    before, after = text.split("[[hardware]]")[0], text.split("\n[ledger]")[1]
    path.write_text(f"{before}\n[ledger]{after}{extra}")
    return path


def history_file(folder: Path, recipe: str = "6+6", seed: int = 2, **changes: object) -> tuple[Path, Home]:
    """A drawn home's history as CSV, and the home."""
    home = draw(replace(RECIPES[recipe], **changes), seed)  # type: ignore[arg-type]
    path = folder / "past.csv"
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["from", "to", *COLUMNS])
        for period in home.history.periods:
            values = [getattr(period, column) for column in COLUMNS]
            writer.writerow([period.first, period.until, *("" if value is None else value for value in values)])
    return path, home


def ledger_file(
    folder: Path, days: int, start_s: int = 1_767_225_600, name: str = "tern.sqlite", *, tank: bool = False
) -> Path:
    """Books of so many days from a UTC second (1 January 2026 unless given): sun from 10 to 14, dear export in June.

    tank: with a heat stock.
    """
    stock_wh = 4000
    path = folder / name
    starts = range(start_s, start_s + days * 86_400, 1800)
    with LedgerWriter.open(path, Facts("Tern House", 30, "GBP", "Europe/London", ("main",))) as writer:
        for first in range(0, len(starts), 4000):
            entries = tuple(_entry(at_s) for at_s in starts[first : first + 4000])
            stock = []
            for at_s in starts[first : first + 4000] if tank else ():
                stock.append(_tank_entry(at_s, stock_wh))
                stock_wh = stock[-1].closing_wh
            writer.commit(Batch(entries[-1].end_s, entries, tank=tuple(stock)))
    return path


def _tank_entry(at_s: int, stock_wh: int) -> TankEntry:
    at = datetime.fromtimestamp(at_s, UTC)
    wh = 100 * (7 - abs(at.month - 7)) if 10 <= at.hour < 14 else 0
    flows = [Posting("sun", -wh, -wh * 50, -wh * 200)] if wh else []
    flows += [Posting("grid:night", -1200, -108_000, -300_000)] if at.hour == 3 else []
    flows += [Posting("drawn", 800 + at.day * 20)] if at.hour in (7, 19) else []
    flows.append(Posting("lost", 40))
    change = -sum(flow.wh for flow in flows)
    return TankEntry(at_s, 1800, 1800, stock_wh + change, postings=(*flows, Posting("tank", change)))


def _entry(at_s: int):  # type: ignore[no-untyped-def]
    at = datetime.fromtimestamp(at_s, UTC)
    wh = 100 * (7 - abs(at.month - 7)) if 10 <= at.hour < 14 else 0
    price = 250 if at.month == 6 else 50
    return replace(entry(0, wh), start_s=at_s, given_up_micro=wh * price, export_price_micro=price * 1000)
