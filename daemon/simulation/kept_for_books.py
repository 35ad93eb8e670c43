"""Rows of a recording that the books need not take yet: kept until something may be settled, and handed over together.

The books do not tell whether readings came one by one or together, as long as those of each signal come in order.
"""

from collections.abc import Sequence
from math import inf

from accounting.books.booking import Books
from rules.model.signals import TEMPERATURES

SAME_S = 0.002
"""No further apart, two times can be one to the meters, which round to milliseconds."""


def can_wait(books: Books, signals: Sequence[str]) -> bool:
    """Whether rows of these signals can be kept: not where a price is heard, by which the rules decide, nor where the
    tank's temperatures are, which count as they are beside one another."""
    return books.signals.isdisjoint({*books.price_signals, *TEMPERATURES}.intersection(signals))


class KeptForBooks:
    """Keeps rows for the books. signals: of the rows' values."""

    def __init__(self, books: Books, signals: Sequence[str]) -> None:
        self._books = books
        self._columns = [(place, name) for place, name in enumerate(signals) if name in books.signals]
        self._times: list[float] = []
        self._rows: list[Sequence[float | None]] = []
        self._handed_s = -inf
        self._due_s: float | None = -inf

    def hands_over(self, at_s: float, values: Sequence[float | None]) -> bool:
        """Keep a row, the next in order of time; whether it was handed over with those before it, because something may
        be settled now."""
        self._times.append(at_s)
        self._rows.append(values)
        if self._due_s is None:  # as the books are now, after what was settled
            self._due_s = self._books.quiet_until_s(self._handed_s)
        if self._handed_s + SAME_S < at_s < self._due_s:
            return False
        self.hand_over()
        return True

    def hand_over(self) -> None:
        """Have the books take what was kept."""
        if not self._times:
            return
        columns = list(zip(*self._rows, strict=True))
        for place, signal in self._columns:
            course = columns[place]
            if None not in course:
                self._books.note_all(signal, self._times, course)
                continue
            heard = [(at_s, value) for at_s, value in zip(self._times, course, strict=True) if value is not None]
            if heard:
                self._books.note_all(signal, *zip(*heard, strict=True))
        self._handed_s, self._due_s = self._times[-1], None
        self._times, self._rows = [], []
