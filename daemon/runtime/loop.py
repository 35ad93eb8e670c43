"""The loop: one queue, one thread that owns engine and books. It acts on a message when it comes; nothing is polled."""

import logging
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import partial
from queue import Empty
from typing import Any, Protocol

from daemon.runtime.controller import Controller
from daemon.runtime.registry import Commands, Jobs
from daemon.timing.clock import Clock
from daemon.timing.event_queue import Waiting
from daemon.timing.events import Ask, Due, Event, Heard, Linked, Meddled, Shipped, Stop, Tick
from rules.alarms import Alarm
from rules.model.errors import BrimfulError
from rules.model.reading import Moment

log = logging.getLogger(__name__)

BEAT_S = 5.0
"""The longest the loop sleeps: it shows that it lives, and looks whether the clock was set or the machine slept."""


class Schedule(Protocol):
    """When jobs are due."""

    def due(self, utc_s: float) -> list[str]:
        """The jobs whose time has come, where this clock is moved by hand."""

    def rearm(self, utc_s: float) -> None:
        """Work all times out anew, after the clock was set."""


class Unscheduled:
    """No job has a time: each is asked for."""

    def due(self, utc_s: float) -> list[str]:
        return []

    def rearm(self, utc_s: float) -> None: ...


@dataclass(frozen=True, slots=True)
class Ports:
    """What the loop is joined to besides the house.

    waiting: its queue; schedule: the times of the jobs; shipped: takes what came of a shipment to the time-series
    database; alive: called after each piece of work, so it must be quick.
    """

    waiting: Waiting = field(default_factory=Waiting)
    schedule: Schedule = field(default_factory=Unscheduled)
    shipped: Callable[[Shipped, Moment], object] = lambda event, now: None
    alive: Callable[[Moment], object] = lambda now: None


class Loop:
    """Takes events out of its queue and has them dealt with, one after the other.

    Others call `put` and nothing else.
    """

    def __init__(
        self, controller: Controller, clock: Clock, jobs: Jobs, commands: Commands, ports: Ports | None = None
    ) -> None:
        self.controller = controller
        self.jobs = jobs
        self.commands = commands
        self._clock = clock
        self._ports = ports or Ports()
        self.waiting = self._ports.waiting
        self._stopping = False

    def put(self, event: Event) -> None:
        """Hand something to the loop, from any thread."""
        self.waiting.put(event)

    def run(self) -> None:
        """Until `Stop`; then write the working state.

        An unforeseen error in control or books is raised once the heaters are withheld; in a side job it is an alarm.
        """
        controller, dating = self.controller, self.controller.dating
        try:
            now = self._clock.now()
            dating.begin(now)
            controller.decide(now)
            self._ports.alive(now)
            while not self._stopping:
                wait_s = self._clock.wait_s(min(controller.due_s, dating.due_s))
                try:
                    event: Event | None = self.waiting.get(timeout=BEAT_S if wait_s is None else min(BEAT_S, wait_s))
                except Empty:
                    event = None
                now = self._clock.now()
                if dating.look(now):
                    self._clock_set(now)
                if event is not None:
                    self._take(event, now)
                    now = self._clock.now()
                if wait_s is not None:  # however much else waits: what has become too old must let go of the heater
                    dating.retry(now)
                    controller.decide_if_due(now)
                self._ports.alive(now)
        finally:
            controller.withhold()
        controller.end(self._clock.now())

    def _clock_set(self, now: Moment) -> None:
        """What does not go by the wall clock: how old a reading is, how long an order stands. What does: all that is
        written, the timetable, prices, absences, and when the tank is heated on purpose."""
        self._ports.schedule.rearm(now.utc_s)
        self.controller.decide(now)

    def _take(self, event: Event, now: Moment) -> None:
        match event:
            case Heard(readings):
                self.controller.hear(readings, now)
            case Tick(done):
                for job in self._ports.schedule.due(now.utc_s):
                    self._do(job, now)
                self.controller.decide_if_due(now)
                done.set_result(None)
            case Due(job):
                self._do(job, now)
            case Ask(name, arguments, answer):
                self._answer(name, arguments, answer, now)
            case Linked():
                self.controller.link(event)
            case Meddled():
                self.controller.meddled(event, now)
            case Shipped():
                self.controller.beside("shipped", partial(self._ports.shipped, event, now), now)
            case Stop():
                self._stopping = True

    def _do(self, name: str, now: Moment) -> None:
        job = self.jobs.get(name)
        if job is not None and job.side:
            self.controller.beside(name, partial(job.do, now), now)
            return
        if job is not None:
            job.do(now)
            return
        # Whoever asks for it is at fault; the heaters are looked after all the same.
        sentence = f"a job named {name!r} was asked for and there is none: nothing was done; report it as an error"
        log.error("job=%s unknown, nothing is done", name)
        self.controller.raise_alarm(Alarm(f"job: {name}", sentence, now.mono_s), now)

    def _answer(self, name: str, arguments: dict[str, Any], answer: "Future[Any]", now: Moment) -> None:
        if not answer.set_running_or_notify_cancel():
            return
        try:
            answer.set_result(self.commands.answer(name, arguments, now))
        except BrimfulError as refused:
            answer.set_exception(refused)
        except Exception as unforeseen:  # a question must not end what looks after the heaters
            log.exception("question=%s failed", name)
            answer.set_exception(unforeseen)
