"""The journal for other programs: a row for each posting of each version, as CSV (RFC 4180) or as lines of JSON."""

import csv
import io
import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from accounting.ledger.records import JournalLine

SCHEMA = "brimful.journal/1"
COLUMNS = (
    "start", "end", "heater", "version", "line", "account", "energy_wh", "cost", "carbon_kg", "booked_at",
    "replaced_at", "restatement", "reason",
)  # fmt: skip
"""start, end, booked_at, replaced_at: ISO 8601, UTC; heater: empty for the tank's entries; energy_wh: onto the account,
negative out of it; cost (currency unit) and carbon_kg (kg CO2e): what moved with it; replaced_at: since when a newer
version stands; restatement: the number of the one that wrote it."""


def rows(lines: Iterable[JournalLine]) -> Iterator[tuple[Any, ...]]:
    """The lines under COLUMNS; cost and carbon as exact decimals, None where there is nothing."""
    for line in lines:
        yield (
            _time(line.start_s),
            _time(line.start_s + line.interval_s),
            line.heater,
            line.version,
            line.line,
            line.account,
            line.wh,
            Decimal(line.micro).scaleb(-6),
            Decimal(line.mg).scaleb(-6),
            _time(line.booked_at_s),
            None if line.replaced_at_s is None else _time(line.replaced_at_s),
            line.restatement,
            line.reason,
        )


def as_csv(lines: Iterable[JournalLine]) -> Iterator[str]:
    """Lines of CSV, each with its end, the names first."""
    yield _csv(COLUMNS)
    for row in rows(lines):
        yield _csv([f"{cell:f}" if isinstance(cell, Decimal) else cell for cell in row])


def as_jsonl(lines: Iterable[JournalLine], home: str, currency: str) -> Iterator[str]:
    """A first line with schema, home and currency; then an object for each row."""
    yield _json({"schema": SCHEMA, "home": home, "currency": currency})
    for row in rows(lines):
        yield _json(
            dict(zip(COLUMNS, (float(cell) if isinstance(cell, Decimal) else cell for cell in row), strict=True))
        )


def _time(at_s: float) -> str:
    spec = "seconds" if at_s == int(at_s) else "microseconds"
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec=spec).replace("+00:00", "Z")


def _csv(cells: Iterable[Any]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerow(cells)
    return text.getvalue()


def _json(document: dict[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")) + "\n"
