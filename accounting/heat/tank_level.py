"""The heat in the tank at an interval's ends, from readings of its level or its temperatures."""

from collections.abc import Sequence
from functools import partial
from math import sqrt
from typing import Any, NamedTuple

from accounting.metering.noting import NoteAll, one_by_one
from accounting.valuation.settings import TankBooks
from rules.model.signals import TEMPERATURES
from rules.tank.charge import mean_c

_LEVEL = "tank_level_pct"
_LEARNT = 0.02
"""What a reading adds to what is known of the level's spread."""
_FLOOR = 0.01
"""Variance, in squared percents, from which a spread can begin to grow."""


class Stock(NamedTuple):
    """Heat above the cold water's temperature, Wh. near: whether the readings it lies between are."""

    wh: int
    near: bool


class TankLevel:
    """Keeps of each interval the first and the last reading. So the order in which readings come changes nothing; of
    two at one instant the first counts.

    If at least two temperatures are reported, they count, as heat of all water above the cold water's temperature; else
    the level; else the one temperature for the whole tank. A temperature older than its sensor's newest is ignored.
    """

    def __init__(self, tank: TankBooks, interval_s: int) -> None:
        self._interval_ms = interval_s * 1000
        self._by_temperatures = len(tank.temperatures) > 1 or not tank.level
        self._cells: dict[int, list[float]] = {}
        self._cell = [0.0] * 4
        self._cell_end_s = 0.0
        self._before = (0.0, 0.0)
        self._variance = 0.0
        self._newest: dict[str, tuple[float, float]] = {}
        self.adopt(tank)

    def adopt(self, tank: TankBooks) -> None:
        """Goes on with other figures of the same tank."""
        self._tank = tank

    def notes(self) -> list[tuple[str, NoteAll]]:
        """Which signal's readings go where."""
        if not self._by_temperatures:
            return [(_LEVEL, self._note_levels)]
        return [(name, one_by_one(partial(self._note_temperature, name))) for name in self._tank.temperatures]

    @property
    def first_ms(self) -> int | None:
        """UTC ms of the first reading kept; None before any."""
        return round(self._cells[min(self._cells)][0] * 1000) if self._cells else None

    def stock_at(self, at_ms: int) -> Stock | None:
        """The heat at an interval's start or end; None where no reading is kept before it, or none has come after."""
        before_ms = after_ms = None
        for start_ms in self._cells:
            if start_ms < at_ms:
                if before_ms is None or start_ms > before_ms:
                    before_ms = start_ms
            elif after_ms is None or start_ms < after_ms:
                after_ms = start_ms
        if after_ms is None:
            return None
        next_s, next_pct, _, _ = self._cells[after_ms]
        if round(next_s * 1000) == at_ms:
            return Stock(self._wh(next_pct), True)
        if before_ms is None:
            return None
        _, _, last_s, last_pct = self._cells[before_ms]
        way = (at_ms / 1000 - last_s) / (next_s - last_s)
        return Stock(self._wh(last_pct + way * (next_pct - last_pct)), next_s - last_s <= self._tank.stale_after_s)

    @property
    def spread_pct(self) -> float:
        """Standard deviation of the level's readings about its course, %, as the newest hundred or so show it.

        By their second differences, of which a straight course makes none and independent errors six times their
        variance; a draw's bend counts little, for one far larger than those before is cut off.
        """
        return sqrt(self._variance)

    def set_back(self, by_s: float) -> None:
        """The clock that dates the readings was set back: the newest temperatures are dated anew."""
        self._newest = {name: (at_s - by_s, temp_c) for name, (at_s, temp_c) in self._newest.items()}

    def drop(self, before_ms: int) -> None:
        """Forgets the intervals before this one, but for the last reading among them."""
        for start in sorted(start for start in self._cells if start < before_ms)[:-1]:
            del self._cells[start]

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        return {
            "by_temperatures": self._by_temperatures,
            "cells": [[start, *cell] for start, cell in sorted(self._cells.items())],
            "before": list(self._before),
            "variance": self._variance,
            "newest": {name: list(reading) for name, reading in self._newest.items()},
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`, unless the level was measured another way then."""
        if state["by_temperatures"] != self._by_temperatures:
            return
        self._cells = {start: cell for start, *cell in state["cells"]}
        self._newest = {name: (at_s, temp_c) for name, (at_s, temp_c) in state["newest"].items()}
        older_pct, old_pct = state.get("before", self._before)
        self._before, self._variance = (older_pct, old_pct), state.get("variance", 0.0)

    def _note_levels(self, at_s: Sequence[float], levels_pct: Sequence[float]) -> None:
        cell, end_s, variance = self._cell, self._cell_end_s, self._variance
        older_pct, old_pct = self._before
        for when_s, level_pct in zip(at_s, levels_pct, strict=True):
            bend = level_pct - 2 * old_pct + older_pct
            older_pct, old_pct = old_pct, level_pct
            shows, most = bend * bend / 6, 9 * variance + _FLOOR
            variance += _LEARNT * ((shows if shows < most else most) - variance)
            if cell[2] < when_s < end_s:  # the common case: in order, inside the last reading's interval
                cell[2] = when_s
                cell[3] = level_pct
            else:
                cell, end_s = self._placed(when_s, level_pct)
        self._before, self._variance = (older_pct, old_pct), variance
        self._cell, self._cell_end_s = cell, end_s

    def _placed(self, at_s: float, level_pct: float) -> tuple[list[float], float]:
        """Takes a reading wherever in time it belongs; returns its interval's cell, and where that ends, UTC s."""
        at_ms = round(at_s * 1000)
        start_ms = at_ms - at_ms % self._interval_ms
        cell = self._cells.setdefault(start_ms, [at_s, level_pct, at_s, level_pct])
        if at_s < cell[0]:
            cell[:2] = at_s, level_pct
        elif at_s > cell[2]:
            cell[2:] = at_s, level_pct
        return cell, (start_ms + self._interval_ms) / 1000

    def _note_temperature(self, name: str, at_s: float, temp_c: float) -> None:
        known = self._newest.get(name)
        if known is not None and at_s < known[0]:
            return
        self._newest[name] = (at_s, temp_c)
        oldest_s = at_s - self._tank.stale_after_s
        fresh = {name: c for name, (read_s, c) in self._newest.items() if read_s >= oldest_s}
        if all(name in fresh for name in self._tank.temperatures):
            mean = mean_c(*(fresh.get(name) for name in TEMPERATURES))
            if mean is not None:
                level_pct = 100 * (mean - self._tank.cold_c) / (self._tank.hot_c - self._tank.cold_c)
                self._note_levels((at_s,), (level_pct,))

    def _wh(self, level_pct: float) -> int:
        return round(self._tank.full_wh * level_pct / 100)
