"""Prices or carbon factors for one stretch of time after another, from a file of `time,value` rows."""

import csv
import os
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from decimal import Decimal, InvalidOperation, localcontext
from fractions import Fraction
from pathlib import Path

from accounting.pricing.bands import DAY_S
from accounting.pricing.tariffs import HORIZON_DAYS, Piece, mean_of
from rules.model.errors import BrimfulError

_ONE = Fraction(1)
_LONGEST_NUMBER = 40
_MOST_PLACES = 30
_MOST = 10_000
"""The bound of prices in the home file, too: what is beyond it would not fit into the ledger's integers."""

Row = tuple[int, Fraction | None]
"""A UTC second, and the value per kWh that holds from it on (None: no value)."""


class Series:
    """Values that hold from their time until the next row's. Implements `accounting.pricing.tariffs.Priced`.

    rows: (UTC second, value per kWh, None for a gap), times ascending. The last row holds for as long as the one before
    it did; a single row holds for ever. Before the first row and after the last there is no value.
    """

    def __init__(self, rows: Sequence[Row]) -> None:
        self._starts = [at_s for at_s, _ in rows]
        self._values = [value for _, value in rows]
        if len(rows) > 1:
            self._starts.append(2 * self._starts[-1] - self._starts[-2])
            self._values.append(None)

    def price_at(self, utc_s: float) -> Fraction | None:
        """The value at an instant."""
        index = bisect_right(self._starts, utc_s) - 1
        return self._values[index] if index >= 0 else None

    def mean_price(self, start_s: int, end_s: int) -> Fraction | None:
        """The time-weighted mean over [start_s, end_s); None if any of it has no value."""
        return mean_of(self.pieces(start_s, end_s))

    def pieces(self, start_s: int, end_s: int) -> list[Piece]:
        """[start_s, end_s) cut where rows start."""
        found = []
        index = bisect_right(self._starts, start_s) - 1
        while start_s < end_s:
            next_s = self._starts[index + 1] if index + 1 < len(self._starts) else end_s
            until_s = min(next_s, end_s)
            found.append(Piece(start_s, until_s, None, self._values[index] if index >= 0 else None))
            start_s = until_s
            index += 1
        return found

    def next_start(self, name: str, after_s: float) -> int | None:
        """None: a series has no bands."""
        return None

    def next_change(self, utc_s: float) -> float:
        """The first row's time after utc_s; if there is none, `HORIZON_DAYS` on."""
        index = bisect_right(self._starts, utc_s)
        return self._starts[index] if index < len(self._starts) else utc_s + HORIZON_DAYS * DAY_S

    @property
    def start_s(self) -> int | None:
        """From when on it has a value, UTC seconds; None without rows."""
        return self._starts[0] if self._starts else None

    @property
    def end_s(self) -> int | None:
        """From when on it has no value any more, UTC seconds; None if its last value holds for ever, or it has none."""
        known = [place for place, value in enumerate(self._values) if value is not None]
        return self._starts[known[-1] + 1] if known and known[-1] + 1 < len(self._starts) else None

    def gaps(self, start_s: int, end_s: int) -> list[Piece]:
        """The stretches of [start_s, end_s) without a value."""
        return [piece for piece in self.pieces(start_s, end_s) if piece.price is None]


def parse_series(lines: Iterable[str], subject: str, times: Fraction = _ONE) -> Series:
    """A series from CSV text: a heading, then rows of ISO 8601 time (with offset or Z) and value.

    An empty value is a gap. subject: the file's name, for messages; times: what every value is multiplied by.
    Raises BrimfulError for a row that cannot be read or is out of order.
    """
    rows = parse_rows(lines, subject)
    if not rows:
        raise BrimfulError("read a series", subject, "expected rows of time and value, got none")
    return Series([(at_s, None if value is None else value * times) for at_s, value in rows])


def parse_rows(lines: Iterable[str], subject: str) -> list[Row]:
    """The rows of a series' CSV text, as `parse_series` reads them; none for text without."""
    rows: list[Row] = []
    for where, cells in _cells(lines, subject):
        if len(cells) != 2:
            raise BrimfulError("read a series", where, f"expected time and value, got {len(cells)} cells")
        at = _time(cells[0].strip(), where)
        text = cells[1].strip()
        try:
            value = exact(text) if text else None
        except ValueError:
            raise BrimfulError("read a series", where, f'expected a number, got "{text[:40]}"') from None
        if value is not None and not -_MOST <= value <= _MOST:
            raise BrimfulError("read a series", where, f'expected a value -{_MOST} to {_MOST} per kWh, got "{text}"')
        if rows and at <= rows[-1][0]:
            raise BrimfulError("read a series", where, "expected a later time than the row before it")
        rows.append((at, value))
    return rows


def _cells(lines: Iterable[str], subject: str) -> Iterator[tuple[str, list[str]]]:
    """Where each row below the heading is, and its cells; empty rows left out."""
    reader = csv.reader(lines)
    try:
        next(reader, None)
        for cells in reader:
            if cells:
                yield f"{subject}, line {reader.line_num}", cells
    except csv.Error as broken:
        where = f"{subject}, line {reader.line_num}"
        raise BrimfulError("read a series", where, f"expected CSV text, got a mistake: {broken}") from broken


def read_series(path: Path, times: Fraction = _ONE) -> Series:
    """The series in a file, its values multiplied by `times`. Raises BrimfulError where it cannot be read."""
    return parse_series(_lines(path), path.name, times)


def read_rows(path: Path) -> list[Row]:
    """The rows in a file that may not be there yet. Raises BrimfulError where it cannot be read."""
    return parse_rows(_lines(path), path.name) if path.exists() else []


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text("utf-8-sig").splitlines()
    except OSError as error:
        raise BrimfulError("read a series", str(path), f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise BrimfulError("read a series", str(path), "expected UTF-8 text") from error


def exact(text: str) -> Fraction:
    """A decimal number, exact. Raises ValueError for anything else, and for one too long to be a price."""
    try:
        number = Decimal(text if len(text) <= _LONGEST_NUMBER else "")
    except InvalidOperation:
        raise ValueError("not a number") from None
    if not number.is_finite() or abs(number.adjusted()) > _MOST_PLACES:
        raise ValueError("not a number")
    return Fraction(number)


def lasting(rows: Iterable[Row], step_s: int) -> list[Row]:
    """Rows that each hold for step_s, or until the next: in order, with a gap wherever none follows in time.

    Of two rows for one second the one given later counts.
    """
    ordered = sorted(dict(rows).items())
    whole: list[Row] = []
    for place, (at_s, value) in enumerate(ordered):
        whole.append((at_s, value))
        following_s = ordered[place + 1][0] if place + 1 < len(ordered) else None
        if following_s is None or following_s > at_s + step_s:
            whole.append((at_s + step_s, None))
    return whole


def merged(kept: Sequence[Row], newer: Sequence[Row]) -> list[Row]:
    """Kept rows with newer ones laid over them: what the newer rows give no value for stays as it was kept.

    newer: as `lasting` gives them, each row's value holding to the next row, with the gap that ends them.
    """
    below, above = _Held(kept), _Held(newer)
    rows: list[Row] = []
    for at_s in sorted({at_s for at_s, _ in (*kept, *newer)}):
        value = above(at_s)
        if value is None:
            value = below(at_s)
        elif above.starts_s[bisect_right(above.starts_s, at_s) - 1] != at_s:
            continue  # a kept row beneath a newer one that goes on
        if value is not None or (rows and rows[-1][1] is not None):
            rows.append((at_s, value))
    return rows


class _Held:
    """The value that rows give at an instant: the last row's at or before it; None before the first."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self.starts_s = [at_s for at_s, _ in rows]
        self._values = [value for _, value in rows]

    def __call__(self, at_s: int) -> Fraction | None:
        index = bisect_right(self.starts_s, at_s) - 1
        return self._values[index] if index >= 0 else None


def write_rows(path: Path, rows: Iterable[Row]) -> None:
    """Write a series file as a whole or not at all. Raises OSError."""
    lines = ["time,value"]
    for at_s, value in rows:
        at = datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        lines.append(f"{at},{'' if value is None else _decimal_text(value)}")
    new = path.with_name(path.name + ".new")
    with new.open("w", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)


def _decimal_text(value: Fraction) -> str:
    """An exact decimal: what `exact` reads is what was given."""
    with localcontext(prec=2 * _MOST_PLACES + _LONGEST_NUMBER):
        return f"{Decimal(value.numerator) / value.denominator:f}"


def _time(text: str, where: str) -> int:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        hint = "write 2026-01-31T18:30Z or 2026-01-31T18:30+01:00"
        raise BrimfulError("read a series", where, f'expected a time with its offset, got "{text[:40]}"', hint)
    return round(at.timestamp())
