"""How hot the water was that left the tank: the temperature at the top before each step of the water meter.

While water is drawn, cold water comes in below and the top of a mixed tank cools. The water that left was as hot as
the top had been before.
"""

from bisect import bisect_left
from typing import Any

from accounting.model.apportion import intervals

_MOST_TOPS = 64
"""Readings of the top that are kept to look back at: one each 10 s for some minutes, longer where they are rarer."""


class DrawnTemperature:
    """Keeps the litres of each interval and their temperature as the readings come. A late reading is ignored here (the
    water meter itself takes it)."""

    def __init__(self, interval_s: int) -> None:
        self._interval_ms = interval_s * 1000
        self._tops: list[tuple[float, float]] = []
        self._last: tuple[float, float] | None = None
        self._cells: dict[int, list[float]] = {}

    def note_top(self, at_s: float, temp_c: float) -> None:
        """Takes a reading of the sensor at the top: UTC seconds, °C."""
        if self._tops and at_s < self._tops[-1][0]:
            return
        self._tops.append((at_s, temp_c))
        del self._tops[:-_MOST_TOPS]

    def note_litres(self, at_s: float, litres: float) -> None:
        """Takes a reading of the water meter: UTC seconds, L."""
        last, step_l = self._last, 0.0
        if last is not None:
            if at_s <= last[0]:
                return
            step_l = litres - last[1]
        self._last = (at_s, litres)
        before = bisect_left(self._tops, at_s, key=lambda top: top[0]) - 1
        if last is None or step_l <= 0 or not self._tops:
            return
        temp_c = self._tops[max(before, 0)][1]
        from_ms, to_ms = round(last[0] * 1000), round(at_s * 1000)
        for start_ms, inside_ms in intervals(max(from_ms, to_ms - self._interval_ms), to_ms, self._interval_ms):
            cell = self._cells.setdefault(start_ms, [0.0, 0.0])
            part_l = step_l * inside_ms / (to_ms - from_ms)
            cell[0] += part_l
            cell[1] += part_l * temp_c

    def mean_c(self, start_ms: int, otherwise_c: float) -> float:
        """Temperature of the water drawn in an interval, °C: by its litres, else the top's newest, else otherwise_c."""
        cell = self._cells.get(start_ms)
        if cell is not None and cell[0] > 0:
            return cell[1] / cell[0]
        return self._tops[-1][1] if self._tops else otherwise_c

    def set_back(self, by_s: float) -> None:
        """The clock that dates the readings was set back: the newest ones are dated anew."""
        self._tops = [(at_s - by_s, temp_c) for at_s, temp_c in self._tops]
        if self._last is not None:
            self._last = (self._last[0] - by_s, self._last[1])

    def drop(self, before_ms: int) -> None:
        """Forgets the intervals that start before this."""
        for start_ms in [start_ms for start_ms in self._cells if start_ms < before_ms]:
            del self._cells[start_ms]

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        return {
            "tops": [list(top) for top in self._tops],
            "last": None if self._last is None else list(self._last),
            "cells": [[start_ms, *cell] for start_ms, cell in sorted(self._cells.items())],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`; an empty one, of before 0.2, begins anew."""
        self._tops = [(at_s, temp_c) for at_s, temp_c in state.get("tops", [])]
        last = state.get("last")
        self._last = None if last is None else (last[0], last[1])
        self._cells = {start_ms: [litres, warm] for start_ms, litres, warm in state.get("cells", [])}
