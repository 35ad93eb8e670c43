"""An energy counter read now and then, made into Wh per settlement interval.

The readings are put in order of their own time and go through one small state machine (`standing.py`, which says which
readings are believed). What a reading does depends only on the standing before it. So a late reading is put in place by
undoing the readings after it and going through them again: the result is the same as if all had come in order.

A step over more than `LONGEST_GAP_MS` is not a gap but a sign of a wrong clock: nobody knows when its energy was taken,
so it goes to quarantine. While readings are in doubt, the time after the last good reading is not covered, and no
interval in it is settled.
"""

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import gcd
from operator import lt
from typing import Any

from accounting.metering.standing import (
    COARSEST_WH,
    MWMS_PER_WH,
    Aside,
    Booked,
    Glitches,
    Limits,
    Standing,
    after,
    as_list,
    from_list,
    set_back,
)
from accounting.model.apportion import intervals, spread
from accounting.model.entry import Quarantined
from rules.model.record import record

FAR_MS = 2**62
"""After any reading."""

NOTHING_YET_MS = -FAR_MS
"""Before any reading."""

LONGEST_GAP_MS = 366 * 86_400_000
"""A year and a day. Beyond it, one reading dated by a clock that was never set would open an interval for every half
hour since."""

_WH = 10 * MWMS_PER_WH
"""In the tenths of mWms in which a step is compared."""


@record
class Share:
    """What one interval got: start_ms UTC; wh of energy, estimated_wh of it in a gap; measured_ms of covered time."""

    start_ms: int
    wh: int
    measured_ms: int
    estimated_wh: int


@dataclass(slots=True)
class Counts:
    """How often the readings were not what they should be."""

    glitches: int = 0
    resets: int = 0
    too_late: int = 0


class CounterMeter:
    """Turns the readings of one cumulative counter into whole Wh per interval.

    heater: whose energy it is, for the quarantine's sake; rated_w: most the heater can take, W; interval_s: settlement
    interval; gap_s: time between good readings beyond which the energy is called estimated and the time unmeasured;
    late_s: how much older than the newest a reading may be and still be put in place; resolution_wh: the counter's
    step as stated; coarsest_wh: the greatest that it may be found to have.
    """

    kind = "counter"

    def __init__(
        self,
        heater: str,
        *,
        rated_w: float,
        interval_s: int,
        gap_s: float,
        late_s: float,
        resolution_wh: float,
        coarsest_wh: int = COARSEST_WH,
    ) -> None:
        self.heater = heater
        self.counts = Counts()
        self.touched = False
        """Whether an interval may have become complete, or a complete one changed, since this was last cleared."""
        self._interval_ms = interval_s * 1000
        self._gap_ms = round(gap_s * 1000)
        self._late_ms = round(late_s * 1000)
        self._limits = Limits(rated_w, resolution_wh, coarsest_wh)
        self._per_ms, self._slack = self._limits.per_ms, self._limits.slack
        self._standing: Standing | None = None
        self._history: deque[tuple[int, int, Standing | None]] = deque()
        self._newest_ms = NOTHING_YET_MS
        self._cells: dict[int, list[int]] = {}
        self._quarantine: dict[tuple[int, int, int, str], int] = {}
        self._cell = [0, 0, 0]
        self._cell_end_ms = NOTHING_YET_MS
        self._set_back_ms = NOTHING_YET_MS

    def note(self, at_s: float, value: float) -> None:
        """Takes a reading: UTC seconds, Wh of the register (finite). Rounded half-even to whole Wh, so that differences
        telescope; a second reading of the same instant counts only if it shows more."""
        self.note_all((at_s,), (value,))

    def note_all(self, at_s: Sequence[float], values: Sequence[float]) -> None:
        """Takes readings (at least one), each as `note` does."""
        times_ms = [round(when_s * 1000) for when_s in at_s]
        in_order = all(map(lt, times_ms, times_ms[1:]))
        keep_ms = times_ms[-1] - self._late_ms if in_order else NOTHING_YET_MS
        readings = zip(times_ms, map(round, values), strict=True)
        while (uncommon := self._go_on(readings, keep_ms)) is not None:
            self._place(*uncommon)

    def covered_ms(self, now_ms: int) -> int:
        """UTC ms up to which the energy is known: that of the last good reading, whatever the time is now."""
        return self._standing[0] if self._standing else NOTHING_YET_MS

    @property
    def mark(self) -> tuple[object, ...]:
        """Where the register stands; it changes when energy, or doubt, comes. Empty before the first reading ever."""
        return self._standing[1:3] if self._standing else ()

    @property
    def floor_ms(self) -> int:
        """UTC ms before which no reading can change anything any more."""
        if not self._history:
            return NOTHING_YET_MS
        at_ms, _, before = self._history[0]
        return before[0] if before else at_ms

    @property
    def newest_ms(self) -> int:
        """UTC ms of the newest reading."""
        return self._newest_ms

    def set_back(self, by_ms: int) -> None:
        """The clock that dates the readings was set back by so much: the newest ones are dated anew, and what comes
        goes on from them. What is booked stays where it is; no reading is put before them any more."""
        if self._standing is None:
            return
        self._standing = set_back(self._standing, by_ms)
        self._history.clear()
        self._newest_ms -= by_ms
        self._set_back_ms = self._newest_ms
        self._aim(self._standing.good_ms)
        self.touched = True

    def shares(self, now_ms: int) -> list[Share]:
        """What each kept interval has got so far, in order of time."""
        most_ms = self._interval_ms  # a clock set back has had the same time twice
        return [
            Share(start, wh, min(measured_ms, most_ms), estimated_wh)
            for start, (wh, measured_ms, estimated_wh) in sorted(self._cells.items())
        ]

    def energy_mwms(self, now_ms: int, starts: Iterable[int] | None = None) -> dict[int, int]:
        """What each kept interval has got so far, mW·ms by its start. starts: of those that are asked for."""
        cells = self._cells
        return {
            start: cells[start][0] * MWMS_PER_WH for start in (cells if starts is None else starts) if start in cells
        }

    def starts(self) -> list[int]:
        """The kept intervals' starts, UTC ms, in order."""
        return sorted(self._cells)

    def bring(self, share: Share) -> None:
        """Takes over what another meter of this heater had not handed on."""
        cell = self._cells.setdefault(share.start_ms, [0, 0, 0])
        for index, more in enumerate((share.wh, share.measured_ms, share.estimated_wh)):
            cell[index] += more
        self.touched = True

    def drop(self, before_ms: int) -> None:
        """Forgets the intervals that end at or before this: they are booked and can no longer change."""
        for start in [start for start in self._cells if start + self._interval_ms <= before_ms]:
            del self._cells[start]

    def drain(self) -> list[Quarantined]:
        """The steps put in quarantine since last asked; one taken back by a late reading comes as a negative one."""
        drained = []
        for (from_ms, to_ms, wh, why), times in self._quarantine.items():
            if times:
                text = why if times > 0 else f"withdrawn after a late reading: {why}"
                drained.append(Quarantined(self.heater, from_ms / 1000, to_ms / 1000, wh * times, text))
        self._quarantine.clear()
        return drained

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        return {
            "kind": self.kind,
            "standing": as_list(self._standing),
            "history": [[at_ms, wh, as_list(before)] for at_ms, wh, before in self._history],
            "newest_ms": self._newest_ms,
            "set_back_ms": self._set_back_ms,
            "cells": [[start, *cell] for start, cell in sorted(self._cells.items())],
            "quarantine": [[*key, times] for key, times in self._quarantine.items()],
            "counts": [self.counts.glitches, self.counts.resets, self.counts.too_late],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`."""
        self._standing = from_list(state["standing"])
        self._history = deque((at_ms, wh, from_list(before)) for at_ms, wh, before in state["history"])
        self._newest_ms = state["newest_ms"]
        self._set_back_ms = state.get("set_back_ms", NOTHING_YET_MS)
        self._cells = {start: [wh, measured, estimated] for start, wh, measured, estimated in state["cells"]}
        self._quarantine = {(a, b, wh, why): times for a, b, wh, why, times in state["quarantine"]}
        self.counts = Counts(*state["counts"])
        if self._standing is not None:
            self._aim(self._standing.good_ms)
        self.touched = True

    def _go_on(self, readings: Iterator[tuple[int, int]], keep_ms: int) -> tuple[int, int] | None:
        """Takes readings while they are what they nearly always are: in order, no doubt, no gap, a possible step.
        Returns the first that is not; None at their end.

        keep_ms: none that comes is put in place before this; the history needs no reading from before it.
        """
        if self._standing is None or self._standing.doubt:
            return next(readings, None)
        good_ms, good_wh, _, grain_wh, moved_ms, other = self._standing
        newest_ms, end_ms, cell, history = self._newest_ms, self._cell_end_ms, self._cell, self._history
        gap_ms, per_ms, slack = self._gap_ms, self._per_ms, self._slack
        uncommon = None
        for at_ms, wh in readings:
            span_ms = at_ms - good_ms
            step_wh = wh - good_wh
            if at_ms <= newest_ms or span_ms > gap_ms or step_wh < 0 or step_wh * _WH > per_ms * span_ms + slack:
                uncommon = at_ms, wh
                break
            if at_ms < end_ms:
                cell[0] += step_wh
                cell[1] += span_ms
            else:
                self._book(good_ms, at_ms, step_wh, 1)
                self._aim(at_ms)
                cell, end_ms = self._cell, self._cell_end_ms
                self.touched = True
            if at_ms >= keep_ms:
                history.append((at_ms, wh, Standing(good_ms, good_wh, (), grain_wh, moved_ms, other)))
            if step_wh:
                moved_ms = good_ms
                if grain_wh != 1:
                    grain_wh = gcd(grain_wh, wh)
            newest_ms, good_ms, good_wh = at_ms, at_ms, wh
        self._standing, self._newest_ms = Standing(good_ms, good_wh, (), grain_wh, moved_ms, other), newest_ms
        self._forget_late()
        return uncommon

    def _forget_late(self) -> None:
        """Lets go of readings before which none can be put in place any more."""
        history, oldest_ms = self._history, self._newest_ms - self._late_ms
        while history and history[0][0] < oldest_ms:
            history.popleft()

    def _place(self, at_ms: int, wh: int) -> None:
        """Takes a reading wherever in time it belongs."""
        history = self._history
        if at_ms < self._newest_ms - self._late_ms or at_ms <= self._set_back_ms:
            self.counts.too_late += 1
            return
        redo = [(at_ms, wh)]
        while history and history[-1][0] > at_ms:
            later_ms, later_wh, _ = self._undo()
            redo.append((later_ms, later_wh))
        if history and history[-1][0] == at_ms:
            # Of one instant the highest reading counts, in whichever order they come.
            _, same_wh, _ = self._undo()
            redo[0] = (at_ms, max(wh, same_wh))
        redo[1:] = redo[:0:-1]
        for ms, reading_wh in redo:
            history.append((ms, reading_wh, self._standing))
            self._standing = self._step(self._standing, ms, reading_wh, 1)
        assert self._standing is not None
        self._newest_ms = history[-1][0]
        self._forget_late()
        self._aim(self._standing.good_ms)
        self.touched = True

    def _undo(self) -> tuple[int, int, Standing | None]:
        """Takes the last reading back, with all it did."""
        item = self._history.pop()
        at_ms, wh, before = item
        self._step(before, at_ms, wh, -1)
        self._standing = before
        return item

    def _aim(self, good_ms: int) -> None:
        """Points the short way through `note_all` at the interval of the last good reading."""
        start_ms = good_ms - good_ms % self._interval_ms
        self._cell_end_ms = start_ms + self._interval_ms
        self._cell = self._cells.setdefault(start_ms, [0, 0, 0])

    def _step(self, standing: Standing | None, at_ms: int, wh: int, sign: int) -> Standing:
        """The standing after a reading. sign 1 does what the reading does, −1 undoes it."""
        stands, effects = after(standing, at_ms, wh, self._limits)
        for effect in effects:
            match effect:
                case Booked(from_ms, to_ms, step_wh):
                    self._book(from_ms, to_ms, step_wh, sign)
                case Aside(from_ms, to_ms, aside_wh, why):
                    self._set_aside(from_ms, to_ms, aside_wh, why, sign)
                case Glitches(count):
                    self.counts.glitches += sign * count
                case _:
                    self.counts.resets += sign
        return stands

    def _book(self, from_ms: int, to_ms: int, step_wh: int, sign: int) -> None:
        """Spreads a step over the intervals it took; what took impossibly long is set aside."""
        if to_ms - from_ms > LONGEST_GAP_MS:
            if step_wh:
                days = (to_ms - from_ms) // 86_400_000
                why = f"{step_wh} Wh since a reading {days} days before: was a clock wrong?"
                self._set_aside(from_ms, to_ms, step_wh, why, sign)
            return
        estimated = to_ms - from_ms > self._gap_ms
        parts = intervals(from_ms, to_ms, self._interval_ms)
        for (start, inside_ms), wh in zip(parts, spread(step_wh, [ms for _, ms in parts]), strict=True):
            cell = self._cells.setdefault(start, [0, 0, 0])
            cell[0] += sign * wh
            if estimated:
                cell[2] += sign * wh
            else:
                cell[1] += sign * inside_ms

    def _set_aside(self, from_ms: int, to_ms: int, wh: int, why: str, sign: int) -> None:
        key = (from_ms, to_ms, wh, why)
        self._quarantine[key] = self._quarantine.get(key, 0) + sign
