"""A loop in a thread of its own, driven by a test step by step."""

import threading
from concurrent.futures import InvalidStateError
from contextlib import suppress

from daemon.runtime.loop import Loop
from daemon.timing.events import Event, Stop, Tick

WITHIN_S = 30.0


class Driven:
    """Base of the tests' houses: they make `loop`, then start it. failure: what ended it, if that was no `Stop`."""

    loop: Loop

    def start_loop(self) -> None:
        """Begin."""
        self.failure: BaseException | None = None
        self._tick = Tick()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.loop.run()
        except BaseException as failure:
            self.failure = failure
            with suppress(InvalidStateError):  # who waits is told at once what has happened
                self._tick.done.set_exception(failure)

    def put(self, event: Event) -> None:
        """Hand the loop an event, and wait until it, and all that is due, has been dealt with."""
        self.loop.put(event)
        self.settle()

    def settle(self) -> None:
        """Wait until all that was put, and all that is due, has been done."""
        self._tick = tick = Tick()
        if self.failure is not None:
            raise self.failure
        self.loop.put(tick)
        tick.done.result(WITHIN_S)

    def end(self) -> None:
        """Ask it to end, and wait for that."""
        self.loop.put(Stop())
        self.join()

    def join(self) -> None:
        """Wait for its end."""
        self._thread.join(WITHIN_S)
        assert not self._thread.is_alive()
