"""Power read now and then, made into Wh per settlement interval: for a heater that has no counter.

A power is held until the next reading, or until it is stale. Over a restart it is held until the last saved state,
because nobody knows when after that the heater was withheld. Held power times time is summed in mW·ms (microjoules),
whole numbers; an interval's whole Wh are booked and the remainder is carried to the next, so that nothing is lost.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from typing import Any

from accounting.metering.counter_meter import NOTHING_YET_MS, Counts, Share
from accounting.model.apportion import intervals
from accounting.model.entry import Quarantined

MWMS_PER_WH = 3_600_000_000
_UNUSABLE = -1
"""Stands for a power that no such heater takes: it ends the power held before and holds nothing itself."""


class PowerMeter:
    """Turns the readings of one power into whole Wh per interval.

    rated_w: most the heater takes, W; a reading beyond it and 10 % is not used: its time stays unmeasured.
    stale_after_s: how long a power is held; late_s: how much older than the newest a reading may be and still be put
    in place; interval_s: settlement interval. Negative powers (a sensor's offset) count as 0.
    """

    kind = "power"

    def __init__(self, heater: str, *, rated_w: float, interval_s: int, stale_after_s: float, late_s: float) -> None:
        self.heater = heater
        self.counts = Counts()
        self.touched = False
        """Whether a new interval was begun, or one before `settled_ms` changed, since this was last cleared."""
        self.settled_ms = NOTHING_YET_MS
        """UTC ms up to which the caller has booked intervals."""
        self._interval_ms = interval_s * 1000
        self._stale_ms = round(stale_after_s * 1000)
        self._late_ms = round(late_s * 1000)
        self._most_mw = round(rated_w * 1000) * 11 // 10
        self._history: deque[tuple[int, int]] = deque()
        self._cells: dict[int, list[int]] = {}
        self._carry = 0
        self._set_back_ms = NOTHING_YET_MS
        self._known_ms = NOTHING_YET_MS

    def note(self, at_s: float, value: float) -> None:
        """Takes a reading: UTC seconds, W (finite). A second one of the same instant counts only if it is higher."""
        self.note_all((at_s,), (value,))

    def note_all(self, at_s: Sequence[float], values: Sequence[float]) -> None:
        """Takes readings, each as `note` does."""
        cells, interval_ms, stale_ms, most_mw = self._cells, self._interval_ms, self._stale_ms, self._most_mw
        for when_s, value in zip(at_s, values, strict=True):
            at_ms, mw = round(when_s * 1000), round(value * 1000)
            if mw < 0:
                mw = 0
            elif mw > most_mw:
                self.counts.glitches += 1
                mw = _UNUSABLE
            history = self._history
            if not history:
                history.append((at_ms, mw))
                self.touched = True
                continue
            last_ms, last_mw = history[-1]
            if at_ms <= last_ms:
                self._take_late(at_ms, mw)
                continue
            held_ms = at_ms - last_ms
            if held_ms > stale_ms:
                held_ms = stale_ms
            start_ms = last_ms - last_ms % interval_ms
            if last_ms + held_ms <= start_ms + interval_ms and last_mw >= 0:
                # The common case, kept short: all of it inside one interval.
                cell = cells.get(start_ms)
                if cell is None:
                    cells[start_ms] = [last_mw * held_ms, held_ms, 0]
                    self.touched = True
                else:
                    cell[0] += last_mw * held_ms
                    cell[1] += held_ms
                    if last_ms < self.settled_ms:
                        self.touched = True
            else:
                self._hold(last_ms, at_ms, last_mw, 1)
                self.touched = True
            history.append((at_ms, mw))
        self._forget_late()

    def covered_ms(self, now_ms: int) -> int:
        """UTC ms up to which the energy is known: time that has passed without a reading is known to be unmeasured."""
        return now_ms

    @property
    def mark(self) -> tuple[object, ...]:
        """Whole Wh of the kept intervals; it changes when energy comes. Empty before the first reading ever."""
        return (sum(cell[0] for cell in self._cells.values()) // MWMS_PER_WH,) if self._history else ()

    @property
    def floor_ms(self) -> int:
        """UTC ms before which no reading can change anything any more."""
        return self._history[0][0] if self._history else NOTHING_YET_MS

    @property
    def newest_ms(self) -> int:
        """UTC ms of the newest reading."""
        return self._history[-1][0] if self._history else NOTHING_YET_MS

    def set_back(self, by_ms: int) -> None:
        """The clock that dates the readings was set back by so much: the newest one is dated anew, and what comes goes
        on from it. What is booked stays where it is; no reading is put before it any more."""
        if not self._history:
            return
        last_ms, last_mw = self._history[-1]
        self._history = deque([(last_ms - by_ms, last_mw)])
        self._set_back_ms = last_ms - by_ms
        self.settled_ms = min(self.settled_ms, self._set_back_ms)
        self.touched = True

    def shares(self, now_ms: int) -> list[Share]:
        """What each kept interval has got by now_ms, in order of time."""
        cells = self._with_tail(now_ms)
        carry = self._carry
        shares = []
        for start in sorted(cells):
            wh, carry = divmod(carry + cells[start][0], MWMS_PER_WH)
            # A clock set back has had the same time twice.
            shares.append(Share(start, wh, min(cells[start][1], self._interval_ms), cells[start][2]))
        return shares

    def energy_mwms(self, now_ms: int, starts: Iterable[int] | None = None) -> dict[int, int]:
        """What each kept interval has got by now_ms, mW·ms by its start. starts: of those that are asked for; the
        newest reading's may be there, too."""
        cells = self._cells
        energy = {start: cells[start][0] for start in (cells if starts is None else starts) if start in cells}
        if self._history:
            last_ms, last_mw = self._history[-1]
            if last_mw != _UNUSABLE:
                for start, inside_ms in intervals(last_ms, min(now_ms, last_ms + self._stale_ms), self._interval_ms):
                    energy[start] = energy.get(start, 0) + last_mw * inside_ms
        return energy

    def starts(self) -> list[int]:
        """The kept intervals' starts, UTC ms, in order, with those that the power held now will reach."""
        return sorted(self._with_tail(self._history[-1][0] + self._stale_ms) if self._history else self._cells)

    def bring(self, share: Share) -> None:
        """Takes over what another meter of this heater had not handed on."""
        cell = self._cells.setdefault(share.start_ms, [0, 0, 0])
        for index, more in enumerate((share.wh * MWMS_PER_WH, share.measured_ms, share.estimated_wh)):
            cell[index] += more
        self.touched = True

    def drop(self, before_ms: int) -> None:
        """Forgets the intervals that end at or before this: they are booked and can no longer change."""
        for start in sorted(self._cells):
            if start + self._interval_ms > before_ms:
                break
            self._carry = (self._carry + self._cells.pop(start)[0]) % MWMS_PER_WH

    def drain(self) -> list[Quarantined]:
        """Nothing: an impossible power is no energy that any counter showed."""
        return []

    def known_at(self, now_ms: int) -> None:
        """No live reading dated up to this instant, UTC ms, is still to come: the last power was held until then."""
        self._known_ms = now_ms

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        return {
            "known_ms": self._known_ms,
            "kind": self.kind,
            "history": [list(reading) for reading in self._history],
            "cells": [[start, *cell] for start, cell in sorted(self._cells.items())],
            "carry": self._carry,
            "settled_ms": self.settled_ms,
            "set_back_ms": self._set_back_ms,
            "counts": [self.counts.glitches, self.counts.resets, self.counts.too_late],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`.

        The last power is held no longer than it was known to hold. The time from then to the next reading is not
        measured.
        """
        self._history = deque((at_ms, mw) for at_ms, mw in state["history"])
        self._cells = {start: [held, measured, estimated] for start, held, measured, estimated in state["cells"]}
        self._carry = state["carry"]
        self.settled_ms = state["settled_ms"]
        self._set_back_ms = state.get("set_back_ms", NOTHING_YET_MS)
        self.counts = Counts(*state["counts"])
        self.touched = True
        known_ms = state.get("known_ms", NOTHING_YET_MS)
        if self._history and known_ms > NOTHING_YET_MS and self._history[-1][1] != _UNUSABLE:
            last_ms, last_mw = self._history[-1]
            ends_ms = max(last_ms + 1, min(known_ms, last_ms + self._stale_ms))
            self._hold(last_ms, ends_ms, last_mw, 1)
            self._history.append((ends_ms, _UNUSABLE))

    def _take_late(self, at_ms: int, mw: int) -> None:
        """Takes a reading that is no later than the newest."""
        if at_ms < self.newest_ms - self._late_ms or at_ms <= self._set_back_ms:
            self.counts.too_late += 1
            return
        self._place(at_ms, mw)
        self.touched = True

    def _forget_late(self) -> None:
        """Lets go of readings before which none can be put in place any more."""
        history, oldest_ms = self._history, self.newest_ms - self._late_ms
        while len(history) > 1 and history[1][0] < oldest_ms:
            history.popleft()

    def _place(self, at_ms: int, mw: int) -> None:
        """Puts a late reading between its neighbours: what the earlier one held is cut short."""
        readings = list(self._history)
        index = len(readings)
        while index and readings[index - 1][0] > at_ms:
            index -= 1
        if index and readings[index - 1][0] == at_ms:
            index -= 1
            same_mw = readings[index][1]
            if mw <= same_mw:
                return
            if index + 1 < len(readings):
                next_ms = readings[index + 1][0]
                self._hold(at_ms, next_ms, same_mw, -1)
                self._hold(at_ms, next_ms, mw, 1)
            readings[index] = (at_ms, mw)
        else:
            next_ms = readings[index][0]
            if index:
                before_ms, before_mw = readings[index - 1]
                self._hold(before_ms, next_ms, before_mw, -1)
                self._hold(before_ms, at_ms, before_mw, 1)
            self._hold(at_ms, next_ms, mw, 1)
            readings.insert(index, (at_ms, mw))
        self._history = deque(readings)

    def _hold(self, from_ms: int, to_ms: int, mw: int, sign: int) -> None:
        """Books (sign 1) or takes back (−1) a power held from one reading to the next or until stale."""
        _hold(self._cells, from_ms, min(to_ms, from_ms + self._stale_ms), mw, sign, self._interval_ms)

    def _with_tail(self, now_ms: int) -> dict[int, list[int]]:
        """The intervals with what the newest reading holds until now or until stale."""
        cells = {start: list(cell) for start, cell in self._cells.items()}
        if self._history:
            last_ms, last_mw = self._history[-1]
            _hold(cells, last_ms, min(now_ms, last_ms + self._stale_ms), last_mw, 1, self._interval_ms)
        return cells


def _hold(cells: dict[int, list[int]], from_ms: int, to_ms: int, mw: int, sign: int, interval_ms: int) -> None:
    if mw == _UNUSABLE:
        return
    for start, inside_ms in intervals(from_ms, to_ms, interval_ms):
        cell = cells.setdefault(start, [0, 0, 0])
        cell[0] += sign * mw * inside_ms
        cell[1] += sign * inside_ms
