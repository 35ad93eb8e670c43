"""Powers derived from what is heard: the mean over a window, and what a heater's counter shows of its power."""

from bisect import bisect_right
from collections import deque
from collections.abc import Sequence

from rules.model.reading import NEVER_LIVE_S, Reading

RATE_OVER_S = 60.0
"""A heater's power is read off its counter over this long, so that coarse counters do not look like pulses."""
_MOST = 1.1
"""Of its rated power, what a heater can be seen to take."""
_COARSEST_WH = 100.0
"""The largest step of a counter that is read for power."""
_SAME_RUN_S = 3600.0
"""Two steps of a counter that lie further apart tell of two runs of the heater, and nothing of its power."""
_USUAL_STEP_WH = 10.0
"""A counter's step until its first is seen (common practice, no source)."""


class Mean:
    """Mean of a power over a window, each reading standing for the time since the one before it.

    held_s: for how long the latest stands.
    """

    def __init__(self, over_s: float, longest_hold_s: float) -> None:
        self.held_s = 0.0
        self._over_s = over_s
        self._longest_hold_s = longest_hold_s
        self._held: deque[tuple[float, float, float]] = deque()  # (read at, held for, W)
        self._last_s = NEVER_LIVE_S

    def note(self, seen_s: float, power_w: float) -> float:
        """Add a reading and return the mean over the window that ends with it."""
        self.held_s = hold_s = min(seen_s - self._last_s, self._longest_hold_s)
        self._last_s = seen_s
        if hold_s >= self._over_s:
            self._held.clear()
            self._held.append((seen_s, hold_s, power_w))
            return power_w
        self._held.append((seen_s, hold_s, power_w))
        start_s = seen_s - self._over_s
        while self._held[0][0] <= start_s:
            self._held.popleft()
        energy = covered_s = 0.0
        for read_s, held_s, held_w in self._held:
            inside_s = min(held_s, read_s - start_s)
            energy += inside_s * held_w
            covered_s += inside_s
        return energy / covered_s if covered_s > 0 else power_w

    def is_within(self, lowest_w: float, highest_w: float) -> bool:
        """Whether all powers that it holds lie between these, both included, W."""
        return all(lowest_w <= held_w <= highest_w for _, _, held_w in self._held)

    def holds(self, seen_s: Sequence[float]) -> list[float]:
        """For how long each of some readings will stand, s, if they come next, in order of time."""
        longest_s = self._longest_hold_s
        befores = (self._last_s, *seen_s[:-1])
        return [min(at_s - before_s, longest_s) for at_s, before_s in zip(seen_s, befores, strict=True)]

    def note_all(self, seen_s: Sequence[float], powers_w: Sequence[float]) -> float:
        """Add readings (at least one) in order of time; returns the mean after the last, without a look at those that
        the window holds no more by then."""
        first = min(bisect_right(seen_s, seen_s[-1] - self._over_s), len(seen_s) - 1)
        if first:
            self._last_s = seen_s[first - 1]
        mean_w = 0.0
        for at_s, power_w in zip(seen_s[first:], powers_w[first:], strict=True):
            mean_w = self.note(at_s, power_w)
        return mean_w


class Rate:
    """Power read off a counter, W: its step over the last RATE_OVER_S, or since its first reading.

    A counter that stands still at readings between its steps shows nothing, then too much. For it `steady` is the power
    from one step to the next, held until the next is overdue, and less from then on; for others it is the power.
    A heater that was switched on is taken to draw what it was expected to until its second step (`guess_w`); one that
    was switched off draws nothing from the first reading at which its counter stands still.
    rated_w: what the heaters it counts take together; held: whether `steady` is such a guess, or held between steps.
    """

    def __init__(self, rated_w: float) -> None:
        self.steady: Reading | None = None
        self.held = False
        self.guess_w = 0.0
        self._most_w = _MOST * rated_w
        self._marks: deque[tuple[float, float]] = deque()  # (read at, Wh)
        self._stepped: tuple[float, float] | None = None  # the last step: (read at, its Wh)
        self._stood_still = False
        self._held_w = 0.0
        self._is_off = False
        self._waits_for = 0  # steps until the power is known after switching on
        self._since_s = NEVER_LIVE_S  # the last of them, or the switching
        self._step_wh = _USUAL_STEP_WH

    def switched(self, on: bool, at_s: float, expected_w: float) -> None:
        """The heaters it counts were ordered on, to draw about expected_w, or off."""
        self._is_off = not on
        self._waits_for = 2 if on else 0
        self._since_s = at_s
        self.guess_w = min(max(expected_w, 0.0), self._most_w) if on else 0.0

    def left_alone(self) -> None:
        """The heaters it counts get no orders: they are neither known to be off nor expected to draw."""
        self._is_off = False
        self._waits_for = 0
        self.guess_w = 0.0

    def note(self, reading: Reading) -> Reading | None:
        """Add a counter's live reading; returns the power, None where it shows none.

        After a step back, or one that the heaters cannot have taken, it begins anew: the books find out what it was.
        """
        marks = self._marks
        self.steady = None
        self.held = False
        if marks and reading.value < marks[-1][1]:
            self._begin_anew()
        if marks:
            step_wh = reading.value - marks[-1][1]
            if step_wh == 0 and self._is_off:
                self._begin_anew()
                marks.append((reading.seen_s, reading.value))
                self.steady = Reading(reading.signal, 0.0, reading.at_s, reading.seen_s)
                return self.steady
            self._look_for_step(reading.seen_s, step_wh)
        marks.append((reading.seen_s, reading.value))
        while len(marks) > 2 and marks[1][0] <= reading.seen_s - RATE_OVER_S:
            marks.popleft()
        from_s, from_wh = marks[0]
        if reading.seen_s <= from_s:
            return None
        hours = (reading.seen_s - from_s) / 3600.0
        step_wh = reading.value - from_wh
        if step_wh > self._most_w * hours + _COARSEST_WH:
            self._begin_anew()
            marks.append((reading.seen_s, reading.value))
            return None
        power = Reading(reading.signal, min(step_wh / hours, self._most_w), reading.at_s, reading.seen_s)
        self.steady = power
        if self._waits_for:
            since_s = reading.seen_s - self._since_s
            overdue_w = self._step_wh * 3600.0 / since_s if since_s > 0 else self.guess_w
            self._hold(reading, min(self.guess_w, overdue_w))
        elif self._held_w and self._stepped is not None:
            stepped_s, step_wh = self._stepped
            overdue_w = step_wh * 3600.0 / (reading.seen_s - stepped_s) if reading.seen_s > stepped_s else self._held_w
            self._hold(reading, min(self._held_w, overdue_w))
        return power

    def _hold(self, reading: Reading, power_w: float) -> None:
        self.steady = Reading(reading.signal, power_w, reading.at_s, reading.seen_s)
        self.held = True

    def _begin_anew(self) -> None:
        self._marks.clear()
        self._stepped = None
        self._stood_still = False
        self._held_w = 0.0

    def _look_for_step(self, seen_s: float, step_wh: float) -> None:
        if step_wh == 0:
            self._stood_still = True
            return
        if self._waits_for:
            self._waits_for -= 1
            self._since_s = seen_s
        self._step_wh = step_wh
        self._held_w = 0.0
        if self._stepped is not None and self._stood_still:
            apart_s = seen_s - self._stepped[0]
            if RATE_OVER_S < apart_s <= _SAME_RUN_S:
                self._held_w = min(step_wh * 3600.0 / apart_s, self._most_w)
        self._stepped = (seen_s, step_wh)
        self._stood_still = False
