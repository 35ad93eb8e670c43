"""A meter by the minute whose readings wait until somebody asks for its minutes.

Most are never asked for: nobody wants to know who gave the energy of a time in which a heater took none. Of a power,
readings that were let go unasked are not even looked at: they can change no later minute, nor can what comes late
before them.
"""

from bisect import bisect_left
from typing import Any

from accounting.metering.counter_meter import CounterMeter
from accounting.metering.power_meter import MWMS_PER_WH, PowerMeter

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
        self._waiting: list[tuple[float, float]] = []
        self._dropped_ms: int | None = None

    def note(self, at_s: float, value: float) -> None:
        """Takes a reading: UTC seconds, W or Wh (finite)."""
        self._waiting.append((at_s, value))
        if len(self._waiting) >= MOST_WAITING:
            self._take()

    def energy_mwms(self, now_ms: int) -> dict[int, int]:
        """Energy by minute's start, mW·ms; minutes without any are left out or 0."""
        self._take()
        if isinstance(self._meter, PowerMeter):
            return self._meter.energy_mwms(now_ms)
        return {share.start_ms: share.wh * MWMS_PER_WH for share in self._meter.shares(now_ms)}

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
        waiting = self._waiting
        if isinstance(self._meter, PowerMeter) and waiting == sorted(waiting):
            last = bisect_left(waiting, (before_s - _ROUNDED_S,)) - 1
            if last > 0:  # it was held on, or another of the same instant
                del waiting[: bisect_left(waiting, (waiting[last][0] - _ROUNDED_S,))]

    def _take(self) -> None:
        """Meters what waits."""
        if not self._waiting:
            return
        waiting, self._waiting = self._waiting, []
        note, sign = self._meter.note, self._sign
        for at_s, value in waiting:
            note(at_s, sign * value)
        if self._dropped_ms is not None:
            self._meter.drop(self._dropped_ms)
