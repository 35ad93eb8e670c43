"""The demo's clockwork: the invented house and a real daemon, joined by a real broker alone, on a stepped clock.

Each step the clock is moved, the house lives and speaks, the daemon hears all of it, and its orders arrive: so the same
seed gives the same story, however fast it runs.
"""

import threading
from collections.abc import Generator

from daemon.assembly.prepared_home import PreparedHome
from daemon.demo.house_client import DemoClient
from daemon.mqtt.address import BrokerAddress
from daemon.mqtt.listener import LINK
from daemon.runtime.service import Service
from daemon.simulation.house.simulated import DemoHouse
from daemon.timing.clock import SteppedClock
from daemon.timing.events import Event, Heard, Linked, Tick
from rules.model.errors import BrimfulError

STEP_S = 10.0
_PATIENCE_S = 10.0


class Arrivals:
    """Counts what the daemon's connections have brought in."""

    def __init__(self) -> None:
        self._heard = 0
        self._up: set[str] = set()
        self._changed = threading.Condition()

    def note(self, event: Event) -> None:
        """On the network threads."""
        with self._changed:
            if isinstance(event, Heard):
                self._heard += 1
            elif isinstance(event, Linked) and event.up:
                self._up.add(event.name)
            self._changed.notify_all()

    def wait_heard(self, count: int) -> bool:
        """Wait until `count` messages have come; False if they do not."""
        with self._changed:
            return self._changed.wait_for(lambda: self._heard >= count, _PATIENCE_S)

    def wait_up(self, names: set[str]) -> bool:
        """Wait until these connections stand."""
        with self._changed:
            return self._changed.wait_for(lambda: names <= self._up, _PATIENCE_S)


class DemoRun:
    """One run of the story. Iterate `steps`; `service` and `house` may be looked at between two steps.

    made: the demo's home; broker: the one both sides speak over; start_utc_s: the story's first second.
    """

    def __init__(self, made: PreparedHome, broker: BrokerAddress, seed: int, start_utc_s: float) -> None:
        self.house = DemoHouse(seed, start_utc_s)
        self.now_s = start_utc_s
        self._clock = SteppedClock(start_utc_s)
        self._arrivals = Arrivals()
        self._client = DemoClient(self.house, broker)
        ordered = () if made.home.watches else made.rules.heaters
        self._links = {LINK, *(heater.name for heater in ordered)}
        self.service = Service(made, broker, self._clock, stepped_from_s=start_utc_s, tap=self._arrivals.note)

    def steps(self, count: int) -> Generator[float, None, None]:
        """Live `count` steps; yields the UTC second after each. Raises BrimfulError if either side falls silent."""
        self._client.start()
        self.service.start()
        try:
            if not self._arrivals.wait_up(self._links):
                raise _silent("the daemon has not connected")
            self._settle()
            for _ in range(count):
                self.now_s += STEP_S
                self._clock.move_to(self.now_s)
                if not self._client.step(STEP_S) or not self._arrivals.wait_heard(self._client.published):
                    raise _silent("the house's readings have not arrived")
                self._settle()
                yield self.now_s
        finally:
            self.service.stop()
            self.service.join()
            self._client.close()

    def _settle(self) -> None:
        """Let the daemon do all that is due, and its orders arrive."""
        tick = Tick()
        self.service.loop.put(tick)
        try:
            tick.done.result(_PATIENCE_S)
        except TimeoutError:
            raise _silent("the daemon has not done what was due") from None
        if not self._client.wait_for_orders(self.service.controller.orders_sent, _PATIENCE_S):
            raise _silent("the daemon's orders have not arrived")


def _silent(cause: str) -> BrimfulError:
    return BrimfulError("run the demo", "demo", cause, "is the machine very busy? start it again")
