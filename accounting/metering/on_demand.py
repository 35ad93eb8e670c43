"""A meter by the minute whose readings wait until somebody asks for its minutes.

Most are never asked for: nobody wants to know who gave the energy of a time in which a heater took none. Of a power,
readings that were let go unasked are not even looked at: they can change no later minute, nor can what comes late
before them.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from typing import Any

from accounting.metering.counter_meter import CounterMeter
from accounting.metering.power_meter import PowerMeter

MOST_WAITING = 10_000
"""Readings that may wait: three hours of one a second."""
_ROUNDED_S = 1.0
"""More than a time is moved by when it is rounded to milliseconds."""


class OnDemand:
    """The energy by minute of one meter. sign: -1 where it meters the other direction of a power."""

    def __init__(self, meter: CounterMeter | PowerMeter, sign: int = 1) -> None:
        self.kind = meter.kind
        self._meter = meter
        self._sign = sign
        self._waiting_s: list[float] = []
        self._waiting: list[float] = []
        self._dropped_ms: int | None = None

    def note(self, at_s: float, value: float) -> None:
        """Takes a reading: UTC seconds, W or Wh (finite)."""
        self.note_all((at_s,), (value,))

    def note_all(self, at_s: Sequence[float], values: Sequence[float]) -> None:
        """Takes readings, each as `note` does."""
        self._waiting_s += at_s
        self._waiting += values
        if len(self._waiting) >= MOST_WAITING:
            self._take()

    def energy_mwms(self, now_ms: int, starts: Iterable[int] | None = None) -> dict[int, int]:
        """Energy by minute's start, mW·ms; minutes without any are left out or 0. starts: of those that are asked for
        (None: all that are kept); others may be there, too."""
        self._take()
        return self._meter.energy_mwms(now_ms, starts)

    def drop(self, before_ms: int) -> None:
        """Forgets the minutes before this."""
        self._dropped_ms = before_ms
        self._pass_over(before_ms / 1000)
        self._meter.drop(before_ms)

    def set_back(self, by_ms: int) -> None:
        """The clock that dates the readings was set back by so much."""
        self._take()
        self._meter.set_back(by_ms)
        self._dropped_ms = None

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        self._take()
        return self._meter.state()

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`."""
        self._meter.restore(state)

    def _pass_over(self, before_s: float) -> None:
        """Lets go of the powers that were held no longer than to a second before this."""
        times_s = self._waiting_s
        if isinstance(self._meter, PowerMeter) and times_s == sorted(times_s):
            last = bisect_left(times_s, before_s - _ROUNDED_S) - 1
            if last > 0:  # it was held on, or another of the same instant
                gone = bisect_left(times_s, times_s[last] - _ROUNDED_S)
                del times_s[:gone], self._waiting[:gone]

    def _take(self) -> None:
        """Meters what waits."""
        if not self._waiting:
            return
        times_s, values = self._waiting_s, self._waiting
        self._waiting_s, self._waiting = [], []
        self._meter.note_all(times_s, values if self._sign > 0 else [-value for value in values])
        if self._dropped_ms is not None:
            self._meter.drop(self._dropped_ms)
