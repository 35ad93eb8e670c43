"""Rows of a recording that change nothing but what they count: kept back, and heard together before anybody looks."""

from collections.abc import Sequence
from math import inf

from daemon.control.engine import Engine

_ANY = (-inf, inf)
_MOST_KEPT = 100
"""Rows: more would only fall out of the processor's cache before they are heard."""


class QuietRows:
    """Keeps rows back while the engine is steady. signals: of the rows' values."""

    def __init__(self, engine: Engine, signals: Sequence[str]) -> None:
        self._engine = engine
        self._signals = signals
        self._all = frozenset(signals)
        self._times: list[float] = []
        self._rows: list[Sequence[float | None]] = []
        self._ranges: list[tuple[float, float] | None] = []
        self._last_s = self._until_s = self._next_by_s = -inf
        self._apart_s = 0.0
        self._moving, self._moved, self._step = 0, 0.0, 0.0  # the place of what moves by steps, its last value

    def takes(self, at_s: float, values: Sequence[float | None]) -> bool:
        """Whether it keeps this row back: its values matter to nobody yet."""
        if not self._last_s < at_s < self._until_s or at_s > self._next_by_s:
            return False
        for value, span in zip(values, self._ranges, strict=True):
            if value is None or span is None:
                if value is not None or span is not None:
                    return False
            elif not span[0] <= value <= span[1]:
                return False
        moving = values[self._moving]
        assert moving is not None  # it has a range
        if not -self._step < moving - self._moved < self._step:
            return False
        self._moved = moving
        self._times.append(at_s)
        self._rows.append(values)
        self._last_s, self._next_by_s = at_s, at_s + self._apart_s
        if len(self._times) >= _MOST_KEPT:
            self._hear()
        return True

    def release(self) -> None:
        """Have the engine hear what was kept back. From then on nothing is, until `look`."""
        self._until_s = -inf
        if self._times:
            self._hear()

    def _hear(self) -> None:
        courses = zip(self._signals, zip(*self._rows, strict=True), self._ranges, strict=True)
        heard = {signal: course for signal, course, span in courses if span is not None}
        self._engine.hear_all(self._times, heard)
        self._times, self._rows = [], []

    def look(self, at_s: float, before_s: float) -> None:
        """After the engine has heard a row of this time: find out whether the next can be kept back.

        before_s: rows from then on cannot.
        """
        steady = self._engine.steady(at_s)
        if steady is None or not self._engine.board.latest.keys() >= self._all:
            return
        self._ranges = [steady.ranges.get(name, _ANY) for name in self._signals]
        self._last_s, self._until_s = at_s, min(steady.until_s, before_s)
        self._next_by_s, self._apart_s = steady.first_by_s, steady.apart_s
        name, self._moved, self._step = steady.step
        self._moving = self._signals.index(name)
