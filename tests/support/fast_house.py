"""The real daemon on a clock that runs many times too fast: `live` runs it in a process of its own, until SIGTERM.

Only the clock differs, and the timetable, which goes by that clock instead of the scheduler's own.
"""

import logging
import signal
import time
from dataclasses import dataclass
from pathlib import Path

from daemon.assembly.endpoints import broker_address
from daemon.assembly.prepared_home import prepare
from daemon.config.load import load
from daemon.runtime.service import Service
from daemon.timing.events import Tick
from rules.model.reading import Moment

TICK_S = 0.005


@dataclass(frozen=True, slots=True)
class FastClock:
    """Shows start_utc_s when the machine's forward clock shows began_s, and runs `times` as fast: the same in every
    process."""

    start_utc_s: float
    began_s: float
    times: float

    @classmethod
    def from_now(cls, start_utc_s: float, times: float) -> "FastClock":
        return cls(start_utc_s, time.clock_gettime(time.CLOCK_BOOTTIME), times)

    def now(self) -> Moment:
        passed_s = (time.clock_gettime(time.CLOCK_BOOTTIME) - self.began_s) * self.times
        return Moment(self.start_utc_s + passed_s, passed_s)

    def wait_s(self, until_mono_s: float) -> float | None:
        if until_mono_s == float("inf"):
            return None
        return max(0.0, (until_mono_s - self.now().mono_s) / self.times)


def live(file: Path, clock: FastClock) -> None:
    """What `brimful run` does, on the fast clock; its log goes beside the home file."""
    logging.basicConfig(filename=file.with_suffix(".log"), level=logging.INFO)
    home = load(file)
    broker = broker_address(home)
    assert broker is not None
    service = Service(prepare(home), broker, clock, stepped_from_s=clock.now().utc_s)
    signal.signal(signal.SIGTERM, lambda *_: service.stop())
    service.start()
    while not service.join(TICK_S):
        service.loop.put(Tick())
