"""Prices or carbon factors told for one stretch of time after another, from a file of `time,value` rows."""

import csv
from bisect import bisect_right
from collections.abc import Iterable
from datetime import datetime
from fractions import Fraction
from pathlib import Path

from accounting.bands import DAY_S
from accounting.tariffs import HORIZON_DAYS, Piece, mean_of
from rules.errors import BrimfulError

_ONE = Fraction(1)


class Series:
    """Values that hold from their time until the next row's. Implements `accounting.tariffs.Priced`.

    rows: (UTC second, value per kWh, None where nothing tells), times ascending. The last row holds for as long as the
    one before it did; a single row holds for ever. Before the first row, and after the last, nothing tells.
    """

    def __init__(self, rows: list[tuple[int, Fraction | None]]) -> None:
        self._starts = [at_s for at_s, _ in rows]
        self._values = [value for _, value in rows]
        if len(rows) > 1:
            self._starts.append(2 * self._starts[-1] - self._starts[-2])
            self._values.append(None)

    def price_at(self, utc_s: float) -> Fraction | None:
        """The value at an instant."""
        index = bisect_right(self._starts, utc_s) - 1
        return self._values[index] if index >= 0 else None

    def band_at(self, utc_s: float) -> str | None:
        """None: a series has no bands."""
        return None

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


def parse_series(lines: Iterable[str], subject: str, times: Fraction = _ONE) -> Series:
    """A series from CSV text: a heading, then rows of ISO 8601 time (with offset or Z) and value.

    An empty value is a gap. subject: the file's name, for messages; times: what every value is multiplied by.
    Raises BrimfulError for a row that cannot be read or is out of order.
    """
    rows: list[tuple[int, Fraction | None]] = []
    reader = csv.reader(lines)
    next(reader, None)
    for cells in reader:
        where = f"{subject}, line {reader.line_num}"
        if not cells:
            continue
        if len(cells) != 2:
            raise BrimfulError("read a series", where, f"expected time and value, got {len(cells)} cells")
        at = _time(cells[0].strip(), where)
        text = cells[1].strip()
        try:
            value = Fraction(text) * times if text else None
        except (ValueError, ZeroDivisionError):
            raise BrimfulError("read a series", where, f'expected a number, got "{text}"') from None
        if rows and at <= rows[-1][0]:
            raise BrimfulError("read a series", where, "expected a later time than the row before it")
        rows.append((at, value))
    if not rows:
        raise BrimfulError("read a series", subject, "expected rows of time and value, got none")
    return Series(rows)


def read_series(path: Path, times: Fraction = _ONE) -> Series:
    """The series in a file, its values multiplied by `times`. Raises BrimfulError where it cannot be read."""
    try:
        text = path.read_text("utf-8-sig")
    except OSError as error:
        raise BrimfulError("read a series", str(path), f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise BrimfulError("read a series", str(path), "expected UTF-8 text") from error
    return parse_series(text.splitlines(), path.name, times)


def _time(text: str, where: str) -> int:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        hint = "write 2026-01-31T18:30Z or 2026-01-31T18:30+01:00"
        raise BrimfulError("read a series", where, f'expected a time with its offset, got "{text}"', hint)
    return round(at.timestamp())
