"""A supplier's figures as a person gets them: a CSV of metered intervals, or of bills."""

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal, InvalidOperation
from typing import Literal, NamedTuple
from zoneinfo import ZoneInfo

from accounting.model.periods import midnight_s
from rules.model.errors import BrimfulError

_OP = "read a supplier's file"
_MOST_KWH = Decimal(10) ** 7
UNITS = {"kWh": 1000, "Wh": 1}


class Bill(NamedTuple):
    """What was billed for [start_s, end_s), UTC seconds; amount in the home's currency, None if not given."""

    start_s: int
    end_s: int
    wh: int
    amount: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Layout:
    """How a file of metered intervals is to be read.

    time, value: the columns' names, None: the first two; unit: of the value; at: which instant of the interval the time
    names; zone: of times without an offset.
    """

    zone: ZoneInfo
    time: str | None = None
    value: str | None = None
    unit: Literal["kWh", "Wh"] = "kWh"
    at: Literal["start", "end"] = "start"


def read_intervals(lines: Iterable[str], name: str, layout: Layout, interval_s: int) -> dict[int, int]:
    """Wh by start of interval, UTC seconds. An empty value is a missing one. name: the file's, for messages.

    Times that come twice when the clocks change are distinguished by their order. Raises BrimfulError.
    """
    table = _Table(lines, name)
    time = table.place(layout.time, 0)
    value = table.place(layout.value, 1)
    found: dict[int, int] = {}
    last_s = -(2**60)
    for cells in table:
        start_s = table.instant(cells[time], layout.zone, last_s)
        last_s = start_s
        if layout.at == "end":
            start_s -= interval_s
        if start_s % interval_s:
            cause = f"expected a time on a boundary of {interval_s // 60} min, got {cells[time]!r}"
            raise table.wrong(cause, "the home file's interval_minutes must be the supplier's")
        if start_s in found:
            raise table.wrong(f"expected each time once, got {cells[time]!r} again")
        if cells[value].strip():
            found[start_s] = table.wh(cells[value], layout.unit)
    if not found:
        raise BrimfulError(_OP, name, "expected rows of time and value, got none")
    return found


def is_bills(head: str) -> bool:
    """Whether a file with this first line holds bills: columns named from, to and kWh."""
    return {"from", "to", "kwh"} <= {cell.strip().lower() for cell in next(csv.reader([head]), [])}


def read_bills(lines: Iterable[str], name: str, zone: ZoneInfo, last_day: bool = False) -> list[Bill]:
    """Rows of from, to (dates, to the first day that is no longer in it), kWh and, if given, amount; by time.

    last_day: whether `to` is the last day that is in it. Raises BrimfulError, also where bills overlap.
    """
    table = _Table(lines, name)
    from_, to, kwh = (table.place(column, 0) for column in ("from", "to", "kwh"))
    amount = table.place("amount", 0) if "amount" in table.head else None
    bills: list[Bill] = []
    for cells in table:
        start_s = midnight_s(table.day(cells[from_]), zone)
        end_s = midnight_s(table.day(cells[to]) + timedelta(days=1 if last_day else 0), zone)
        if end_s <= start_s:
            raise table.wrong(f"expected a day after {cells[from_]}, got {cells[to]}")
        if bills and start_s < bills[-1].end_s:
            raise table.wrong(f"expected a bill that begins when the one before it ends, got {cells[from_]}")
        billed = table.number(cells[amount]) if amount is not None and cells[amount].strip() else None
        bills.append(Bill(start_s, end_s, table.wh(cells[kwh], "kWh"), billed))
    if not bills:
        raise BrimfulError(_OP, name, "expected rows of from, to and kWh, got none")
    return bills


class _Table:
    def __init__(self, lines: Iterable[str], name: str) -> None:
        self._reader = csv.reader(lines)
        self._name = name
        self._names = [cell.strip().removeprefix("\ufeff") for cell in next(self._reader, [])]
        self.head = [name.lower() for name in self._names]
        if len(self.head) < 2:
            raise self.wrong(f"expected at least two columns, got {len(self.head)}", "separated by commas")

    def place(self, name: str | None, default: int) -> int:
        if name is None:
            return default
        if name.lower() not in self.head:
            raise self.wrong(f"expected a column {name}, got {', '.join(self._names)[:200]}")
        return self.head.index(name.lower())

    def __iter__(self) -> "_Table":
        return self

    def __next__(self) -> list[str]:
        try:
            while not (cells := next(self._reader)):
                pass
        except csv.Error as error:
            raise self.wrong(f"expected CSV, got {error}") from error
        if len(cells) != len(self.head):
            raise self.wrong(f"expected {len(self.head)} cells, got {len(cells)}")
        return cells

    def wrong(self, cause: str, hint: str = "") -> BrimfulError:
        return BrimfulError(_OP, f"{self._name}, line {max(self._reader.line_num, 1)}", cause, hint)

    def instant(self, text: str, zone: ZoneInfo, last_s: int) -> int:
        try:
            written = datetime.fromisoformat(text.strip())
        except ValueError:
            hint = "times like 2026-01-31T18:30, 2026-01-31 18:30:00 or 2026-01-31T18:30+01:00"
            raise self.wrong(f"expected a time, got {text[:40]!r}", hint) from None
        if written.tzinfo is not None:
            return round(written.timestamp())
        first = written.replace(tzinfo=zone)
        at_s = round(first.timestamp())
        if datetime.fromtimestamp(at_s, zone).replace(tzinfo=None) != written:
            raise self.wrong(f"expected a time that exists in {zone.key}, got {text!r}", "give the file's --timezone")
        second_s = round(first.replace(fold=1).timestamp())
        return second_s if at_s <= last_s < second_s else at_s

    def day(self, text: str) -> date:
        try:
            return date.fromisoformat(text.strip())
        except ValueError:
            raise self.wrong(f"expected a date like 2026-01-31, got {text[:40]!r}") from None

    def number(self, text: str) -> Decimal:
        try:
            figure = Decimal(text.strip())
        except InvalidOperation:
            figure = Decimal("NaN")
        if not figure.is_finite():
            raise self.wrong(f"expected a number, got {text[:40]!r}", "with a point for decimals")
        return figure

    def wh(self, text: str, unit: str) -> int:
        figure = self.number(text)
        if not 0 <= figure <= _MOST_KWH:
            raise self.wrong(f"expected 0 to {_MOST_KWH} {unit}, got {text[:40]}")
        return int((figure * UNITS[unit]).to_integral_value())
