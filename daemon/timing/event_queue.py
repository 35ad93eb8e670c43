"""What waits for the loop: a queue that no flood of messages can make grow without end.

Beyond a bound readings are merged: of each signal the newest waits, in one place in the line, and the older ones are
passed over and counted. A newest reading of a counter still carries all the energy; what is lost is the course of a
power in between, and, where a counter was reset in just that time, what it had counted since its last reading.
The reader is not waited for: messages left in the socket would be dated by when they are read, and seem fresh.
"""

import logging
import threading
from queue import SimpleQueue

from daemon.timing.events import Event, Heard
from rules.model.reading import Reading

log = logging.getLogger(__name__)

MOST_WAITING = 50_000
"""Readings that may wait before they are merged: some 12 MB, and several seconds of all that one thread can decide."""


class Waiting:
    """First in, first out. `put` from any thread (`Heard` from one at a time), `get` from the loop's alone.

    passed_over: readings in whose place a newer one of the same signal was taken, since the start.
    """

    def __init__(self, most: int = MOST_WAITING) -> None:
        self.passed_over = 0
        self._queue: SimpleQueue[Event | None] = SimpleQueue()  # None: the place of what is merged
        self._most = most
        self._came = self._went = 0  # readings; each is written by one thread
        self._merged: dict[str, Reading] = {}
        self._merging = False
        self._lock = threading.Lock()
        self._said = 0

    @property
    def readings(self) -> int:
        """How many readings wait."""
        return self._came - self._went + len(self._merged)

    def put(self, event: Event) -> None:
        """Add something at the end. Never blocks for long."""
        if isinstance(event, Heard):
            # While there are merged ones the newer join them, or they would be overtaken.
            if self._merging or self._came - self._went >= self._most:
                self._merge(event)
                return
            self._came += len(event.readings)
        self._queue.put(event)

    def get(self, timeout: float | None) -> Event:
        """The next event; raises queue.Empty if none comes within `timeout` s."""
        event = self._queue.get(timeout=timeout)
        if event is None:
            return self._take_merged()
        if isinstance(event, Heard):
            self._went += len(event.readings)
        return event

    def _merge(self, heard: Heard) -> None:
        with self._lock:
            if not self._merging:
                self._merging = True
                self._queue.put(None)
            for reading in heard.readings:
                known = self._merged.get(reading.signal)
                self.passed_over += known is not None
                # A retained copy, never live, does not take the place of what was heard live.
                if known is None or reading.seen_s >= known.seen_s:
                    self._merged[reading.signal] = reading

    def _take_merged(self) -> Heard:
        with self._lock:
            merged, self._merged = self._merged, {}
            self._merging = False
            passed_over = self.passed_over
        # Each time it has doubled: a flood that lasts is not a flood of lines.
        if passed_over >= 2 * max(1, self._said):
            self._said = passed_over
            log.warning("readings_passed_over=%d messages come faster than they can be dealt with", passed_over)
        return Heard(tuple(sorted(merged.values(), key=lambda reading: reading.at_s)))
