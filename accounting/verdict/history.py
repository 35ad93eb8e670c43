"""The history file: what a home bought for hot water in past periods, from bills, read-outs and meter reads."""

import csv
import gzip
import math
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from io import TextIOWrapper
from itertools import pairwise
from pathlib import Path

from rules.model.errors import BrimfulError

OP = "read the history"

NUMBERS: dict[str, tuple[float, float]] = {
    "electricity_kwh": (0, 1e7),
    "gas_kwh": (0, 1e7),
    "gas_m3": (0, 1e6),
    "gas_kwh_per_m3": (5, 15),
    "diverted_kwh": (0, 1e6),
    "export_kwh": (0, 1e7),
    "pv_kwh": (0, 1e7),
    "water_l": (0, 1e8),
    "away_days": (0, 1e5),
    "outdoor_c": (-50, 50),
    "inlet_c": (0, 35),
}
"""The columns of numbers, each with its lowest and highest value. Gas is gross calorific, as billed."""

_UNITS = {"kwh": "kWh", "m3": "m³", "l": "L", "days": "days", "c": "°C", "kwh_per_m3": "kWh/m³"}
"""By the end of a column's name."""
HINTS = {
    "outdoor_c": "°F where °C is meant?",
    "inlet_c": "°F where °C is meant?",
    "gas_kwh_per_m3": "the gross calorific value is 8 to 13 kWh/m³ for most gas",
}
COLUMNS = ("from", "to", *NUMBERS, "estimated", "note")
_EARLIEST_YEAR, _LATEST_YEAR = 1971, 2200
_BROKEN = (csv.Error, UnicodeDecodeError, EOFError, OSError, zlib.error)


@dataclass(frozen=True, slots=True)
class Period:
    """One row of the history. None: not known.

    first: first local day; until: first day no longer in it; line: its line in the file, the heading being 1.
    Energy in kWh bought; water_l: L of hot water drawn; away_days: of the days, those with nobody at home;
    outdoor_c, inlet_c: means, °C; estimated: whether a read at one of its ends was guessed.
    """

    first: date
    until: date
    line: int
    electricity_kwh: float | None = None
    gas_kwh: float | None = None
    diverted_kwh: float | None = None
    export_kwh: float | None = None
    pv_kwh: float | None = None
    water_l: float | None = None
    away_days: float | None = None
    outdoor_c: float | None = None
    inlet_c: float | None = None
    estimated: bool = False
    note: str = ""

    @property
    def days(self) -> int:
        return (self.until - self.first).days

    @property
    def name(self) -> str:
        """Its dates, for people: the last day is included."""
        return f"{self.first.isoformat()} to {date.fromordinal(self.until.toordinal() - 1).isoformat()}"


@dataclass(frozen=True, slots=True)
class History:
    """Periods in order of time, without overlap. name: the file's; columns: those it has, known or not."""

    name: str
    periods: tuple[Period, ...]
    columns: tuple[str, ...]

    def wrong(self, period: Period, column: str, cause: str, hint: str = "") -> BrimfulError:
        """A refusal that names row and column."""
        return refusal(self.name, period.line, column, cause, hint)


class NotYetComparable(BrimfulError):
    """A history that can be believed, but that has not the periods of a comparison yet."""


def refusal(name: str, line: int, column: str, cause: str, hint: str = "") -> BrimfulError:
    """A refusal that names the file, the line (the heading is 1) and the column."""
    return BrimfulError(OP, place_of(name, line, column), cause, hint)


def place_of(name: str, line: int, column: str) -> str:
    """A cell of the file, in words."""
    return f"{name} line {line}, column {column}"


def read_history(path: Path) -> History:
    """The history in a file, .csv or .csv.gz. Raises BrimfulError, naming row and column."""
    try:
        plain = path.open("rb")
    except OSError as missing:
        raise BrimfulError(OP, str(path), f"expected a readable file, got {missing.strerror}") from missing
    with plain:
        binary = gzip.GzipFile(fileobj=plain) if path.suffix == ".gz" else plain
        with TextIOWrapper(binary, encoding="utf-8-sig", newline="") as text:
            return parse_history(text, path.name)


def parse_history(lines: Iterable[str], name: str) -> History:
    """The history in CSV text. name: the file's, for messages. Raises BrimfulError, naming row and column."""
    reader = csv.reader(lines)
    periods: list[Period] = []
    header: list[str] = []
    try:
        for cells in reader:
            cells = [cell.strip() for cell in cells]
            if not any(cells):
                continue
            if not header:
                header = _checked(cells, name)
                continue
            if len(cells) != len(header):
                where = f"{name} line {reader.line_num}"
                raise BrimfulError(OP, where, f"expected {len(header)} cells as in the heading, got {len(cells)}")
            periods.append(_period(dict(zip(header, cells, strict=True)), name, reader.line_num))
    except _BROKEN as broken:
        where = f"{name} line {reader.line_num}"
        raise BrimfulError(OP, where, f"expected CSV text in UTF-8, got {broken}") from broken
    if not header:
        raise BrimfulError(OP, name, "expected a heading that begins from,to, got an empty file")
    if not periods:
        raise BrimfulError(OP, name, "expected a row for each period, got none below the heading")
    periods.sort(key=lambda period: period.first)
    for one, other in pairwise(periods):
        if other.first < one.until:
            cause = f"expected {one.until} or later, the end of line {one.line}, got {other.first}: they overlap"
            raise refusal(name, other.line, "from", cause)
    return History(name, tuple(periods), tuple(header))


def _checked(header: list[str], name: str) -> list[str]:
    if header[:2] != ["from", "to"]:
        got = ",".join(header[:2])[:60]
        raise BrimfulError(OP, f"{name} line 1", f"expected a heading that begins from,to, got {got!r}")
    for column in header:
        if column not in COLUMNS:
            close = get_close_matches(column, COLUMNS, 1)
            hint = f"did you mean {close[0]}?" if close else f"the columns are {', '.join(COLUMNS)}"
            raise BrimfulError(OP, f"{name} line 1, column {column[:40]!r}", "expected a known column", hint)
        if header.count(column) > 1:
            raise BrimfulError(OP, f"{name} line 1, column {column}", "expected each column once, got it twice")
    if not {"electricity_kwh", "gas_kwh", "gas_m3"} & set(header):
        hint = "without what was bought there is nothing to compare"
        raise BrimfulError(OP, f"{name} line 1", "expected a column electricity_kwh, gas_kwh or gas_m3, got none", hint)
    return header


def _period(cells: dict[str, str], name: str, line: int) -> Period:
    first, until = (_day(cells[column], name, line, column) for column in ("from", "to"))
    if until <= first:
        hint = "the day named in `to` is not in the period"
        raise refusal(name, line, "to", f"expected a day after {first}, got {until}", hint)
    numbers = {column: _number(cells.get(column, ""), name, line, column) for column in NUMBERS}
    days = (until - first).days
    away = numbers["away_days"]
    if away is not None and away > days:
        raise refusal(name, line, "away_days", f"expected at most the period's {days} days, got {away:g}")
    gas_m3, per_m3 = numbers.pop("gas_m3"), numbers.pop("gas_kwh_per_m3")
    if numbers["gas_kwh"] is None and gas_m3 is not None:
        if per_m3 is None:
            hint = "your bill names the calorific value; some give it as MJ/m³: divide that by 3.6"
            raise refusal(name, line, "gas_kwh_per_m3", "expected the kWh in a m³ beside gas_m3, got nothing", hint)
        numbers["gas_kwh"] = gas_m3 * per_m3
    estimated = cells.get("estimated", "")
    if estimated not in ("", "0", "1"):
        raise refusal(name, line, "estimated", f"expected 1, 0 or nothing, got {estimated[:40]!r}")
    return Period(first, until, line, **numbers, estimated=estimated == "1", note=cells.get("note", ""))


def _day(cell: str, name: str, line: int, column: str) -> date:
    try:
        day = date.fromisoformat(cell)
    except ValueError:
        raise refusal(name, line, column, f"expected a date like 2026-01-31, got {cell[:40]!r}") from None
    if not _EARLIEST_YEAR <= day.year <= _LATEST_YEAR:
        raise refusal(name, line, column, f"expected a year {_EARLIEST_YEAR} to {_LATEST_YEAR}, got {cell[:40]!r}")
    return day


def _unit(column: str) -> str:
    return _UNITS[max((end for end in _UNITS if column.endswith(f"_{end}")), key=len)]


def _number(cell: str, name: str, line: int, column: str) -> float | None:
    if not cell:
        return None
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    lowest, highest = NUMBERS[column]
    if not math.isfinite(value):
        hint = "write numbers with a point: 12.5" if "," in cell else ""
        raise refusal(name, line, column, f"expected a number, got {cell[:40]!r}", hint)
    if not lowest <= value <= highest:
        cause = f"expected {lowest:g} to {highest:g} {_unit(column)}, got {value:g}"
        raise refusal(name, line, column, cause, HINTS.get(column, ""))
    return value
