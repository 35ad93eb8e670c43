"""Sees to it that a loop which hangs lets go of the heaters.

A thread that waits for a disk cannot be ended, and while it waits the network threads keep the links up, so that no
last will would ever come. So this one breaks the links off: the broker then withholds the heaters, and the process
ends, to be started anew by whoever looks after it.
"""

import logging
import os
import threading
import time
from collections.abc import Callable, Sequence

log = logging.getLogger(__name__)

HANG_S = 30.0
"""How long one piece of the loop's work may take. A slow card needs seconds for a commit."""


def _end_at_once() -> None:
    os._exit(1)


class Watchdog:
    """Watches signs of life. breaks: break the links off, one each; end: ends the process without further ado.

    It counts the time the machine is awake: one that slept has not hung.
    """

    def __init__(
        self,
        breaks: Sequence[Callable[[], None]],
        hang_s: float = HANG_S,
        end: Callable[[], None] = _end_at_once,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._breaks = breaks
        self._hang_s = hang_s
        self._end = end
        self._clock = clock
        self._seen_s = clock()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="watchdog", daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        self._seen_s = self._clock()
        self._thread.start()

    def alive(self) -> None:
        """The loop has done its work."""
        self._seen_s = self._clock()

    def stop(self) -> None:
        """Stop watching; returns when it has stopped."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()

    def bite_if_hung(self) -> bool:
        """Break the links and end the process if the last sign of life is too old; whether it was."""
        still_s = self._clock() - self._seen_s
        if still_s < self._hang_s:
            return False
        for sever in self._breaks:
            sever()
        log.critical(
            "loop=hangs for %.0f s (a disk that does not answer?): links broken off, so that the broker withholds the"
            " heaters; ending",
            still_s,
        )
        self._end()
        return True

    def _watch(self) -> None:
        while not self._over.wait(self._hang_s / 4):
            if self.bite_if_hung():
                return
