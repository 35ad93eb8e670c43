"""A price or a carbon factor heard as a signal: a reading counts from its time until the next, or until it is stale."""

from bisect import bisect_right, insort
from fractions import Fraction
from math import ceil
from typing import Any

from accounting.pricing.bands import DAY_S
from accounting.pricing.tariffs import HORIZON_DAYS, Piece, mean_of

KEPT_S = 3 * DAY_S
"""How much is kept, back from the newest reading, s: no interval waits so long for its counter."""


class HeardSeries:
    """Values as they are heard; none before the first, or while the last is stale. Implements `Priced`.

    It belongs to the one `Books` that feed it. signal: whose readings they are; stale_after_s: how long a reading
    counts; late_s: how late one may come; times: what every value is multiplied by.
    """

    def __init__(self, signal: str, stale_after_s: float, late_s: float = 120.0, times: Fraction = Fraction(1)) -> None:
        self.signal = signal
        self._hold_s = max(1, ceil(stale_after_s))
        self._late_s = late_s
        self._times = times
        self._rows: list[tuple[int, float]] = []

    def note(self, at_s: float, value: float) -> None:
        """Takes a reading (UTC seconds, the value as received); of two for one second the one received later counts."""
        rows = self._rows
        start_s = int(at_s)
        newest_s = rows[-1][0] if rows else start_s
        if start_s < newest_s - self._late_s:
            return
        index = bisect_right(rows, start_s, key=_at)
        if index and rows[index - 1][0] == start_s:
            rows[index - 1] = (start_s, value)
        else:
            insort(rows, (start_s, value), key=_at)
        self._thin()

    def _thin(self) -> None:
        """Drops old readings, and repeated values once no late reading can come before them."""
        rows = self._rows
        settled = bisect_right(rows, rows[-1][0] - self._late_s, key=_at) - 1
        for index in (settled, settled - 1):
            if 0 < index < len(rows) - 1:
                (before_s, before), (_, value), (after_s, _) = rows[index - 1 : index + 2]
                if before == value and after_s - before_s <= self._hold_s:
                    del rows[index]
        if rows[0][0] < rows[-1][0] - KEPT_S:
            del rows[: bisect_right(rows, rows[-1][0] - KEPT_S, key=_at) - 1]

    @property
    def newest(self) -> float | None:
        """The newest value, as received; None before any."""
        return self._rows[-1][1] if self._rows else None

    def price_at(self, utc_s: float) -> Fraction | None:
        """The value at an instant."""
        index = bisect_right(self._rows, utc_s, key=_at) - 1
        if index < 0 or utc_s >= self._rows[index][0] + self._hold_s:
            return None
        return self._exact(index)

    def mean_price(self, start_s: int, end_s: int) -> Fraction | None:
        """The time-weighted mean over [start_s, end_s); None if for any of it nothing was heard."""
        return mean_of(self.pieces(start_s, end_s))

    def pieces(self, start_s: int, end_s: int) -> list[Piece]:
        """[start_s, end_s) cut where another value came or the last grew stale."""
        found: list[Piece] = []
        rows = self._rows
        index = bisect_right(rows, start_s, key=_at) - 1
        while start_s < end_s:
            next_s = rows[index + 1][0] if index + 1 < len(rows) else end_s
            until_s = min(next_s, end_s)
            stale_s = rows[index][0] + self._hold_s if index >= 0 else start_s
            if start_s < stale_s:
                found.append(Piece(start_s, min(until_s, stale_s), None, self._exact(index)))
            if stale_s < until_s:
                found.append(Piece(max(start_s, stale_s), until_s, None, None))
            start_s = until_s
            index += 1
        return found

    def next_start(self, name: str, after_s: float) -> int | None:
        """None: what is heard has no bands."""
        return None

    def next_change(self, utc_s: float) -> float:
        """When the value at utc_s is known to end; without one, `HORIZON_DAYS` on."""
        rows = self._rows
        index = bisect_right(rows, utc_s, key=_at)
        ends = [rows[index][0]] if index < len(rows) else []
        if index and utc_s < rows[index - 1][0] + self._hold_s:
            ends.append(rows[index - 1][0] + self._hold_s)
        return min(ends, default=utc_s + HORIZON_DAYS * DAY_S)

    def state(self) -> list[list[Any]]:
        """All it knows, as plain JSON data."""
        return [list(row) for row in self._rows]

    def restore(self, state: list[list[Any]]) -> None:
        """Goes on from what `state` gave."""
        self._rows = [(at_s, value) for at_s, value in state]

    def set_back(self, by_s: float) -> None:
        """The clock that dates the readings was set back: readings dated after now are dropped."""
        if self._rows:
            newest_s = self._rows[-1][0] - by_s
            self._rows = [row for row in self._rows if row[0] <= newest_s]

    def _exact(self, index: int) -> Fraction:
        """The value as the decimal that was received, exact."""
        return Fraction(repr(self._rows[index][1])) * self._times


def _at(row: tuple[int, float]) -> int:
    return row[0]
