"""The loop: one queue, one thread that owns engine and books. It acts on a message when it comes; nothing is polled."""

import logging
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from queue import Empty
from typing import Any, Protocol

from daemon.control.engine import Engine
from daemon.control.own_alarms import MEDDLED_S, OwnAlarms, meddling
from daemon.recording.unit_of_work import Keeper
from daemon.timing.clock import Clock
from daemon.timing.clock_trust import Step, WallTime
from daemon.timing.event_queue import Waiting
from daemon.timing.events import Ask, Due, Event, Heard, Linked, Meddled, Shipped, Stop, Tick
from daemon.timing.schedule import SteppedSchedule
from rules.alarms import Alarm, Told, Watched, news, watch
from rules.model.errors import BrimfulError
from rules.model.formatting import duration
from rules.model.memory import Memory
from rules.model.orders import Decision, HeaterOrder, Order
from rules.model.reading import Moment

log = logging.getLogger(__name__)

BEAT_S = 5.0
"""The longest the loop sleeps: it shows that it lives, and looks whether the clock was set or the machine slept."""

_SLACK_S = 2.0


class Line(Protocol):
    """Where one heater is told its orders."""

    def send(self, order: Order, watts: int | None) -> None:
        """Tell the heater an absolute order; remembers it for refreshing."""

    def refresh(self) -> None:
        """Tell the standing order again."""


class Outputs(Protocol):
    """Auxiliary outputs that follow the orders."""

    def follow(self, orders: Sequence[HeaterOrder], now: Moment) -> None:
        """Switch what has to be switched."""

    def due_s(self) -> float:
        """Forward-clock second at which a run-on ends; inf if none runs."""


class Loop:
    """Owns everything that changes. Others call `put` and nothing else.

    lines: one for each heater, in the order of the engine's settings; jobs: what to do at each scheduled job besides
    the loop's own; answers: what to say to each question. alive: told after each piece of work, so it must be quick;
    rearm: told when the wall clock was set, UTC seconds; wall: whether that clock is believed.
    """

    def __init__(
        self,
        engine: Engine,
        keeper: Keeper,
        clock: Clock,
        lines: Sequence[Line],
        outputs: Outputs,
        publish: Callable[["Loop", Moment], None],
        jobs: Mapping[str, Callable[["Loop", Moment], None]],
        answers: Mapping[str, Callable[["Loop", Moment, Mapping[str, Any]], Any]],
        shipped: Callable[[Shipped, Moment], None],
        stepped: SteppedSchedule | None = None,
        wall: WallTime | None = None,
        alive: Callable[[Moment], None] = lambda now: None,
        rearm: Callable[[float], None] = lambda utc_s: None,
    ) -> None:
        self.engine = engine
        self.keeper = keeper
        self.alarms: tuple[Alarm, ...] = ()
        self.links: dict[str, Linked] = {}
        self.heard = 0
        self.orders_sent = 0
        self.waiting = Waiting()
        self._clock = clock
        # By name: the order of preference may change while the lines stand.
        self._lines = {heater.name: line for heater, line in zip(engine.settings.heaters, lines, strict=True)}
        self._outputs = outputs
        self._publish = publish
        own = {"settle": Loop._settle, "flush": Loop._flush, "refresh": Loop._refresh, "publish": Loop._tell}
        self._jobs = {**own, **jobs}
        self._answers = answers
        self._shipped = shipped
        self._stepped = stepped
        self._wall = wall or WallTime(clock.now(), None)
        self._alive = alive
        self._rearm = rearm
        self._back_s = 0.0
        self._watched = Watched()
        self._told = Told()
        self._acted: Decision | None = None
        self._own_alarms = OwnAlarms()
        self._stopping = False

    def put(self, event: Event) -> None:
        """Hand something to the loop, from any thread."""
        self.waiting.put(event)

    def run(self) -> None:
        """Until `Stop`; then write the working state. An unforeseen error is raised once the heaters are withheld."""
        try:
            now = self._clock.now()
            self.engine.dated = self._wall.right
            self._say_clock(now)
            if self._wall.right:
                self._set_books_back(self.engine.books.newest_s - now.utc_s, now)
            self._decide(now)
            self._alive(now)
            while not self._stopping:
                wait_s = self._clock.wait_s(min(self.engine.due_s, self._outputs.due_s(), self._wall.due_s))
                try:
                    event: Event | None = self.waiting.get(timeout=BEAT_S if wait_s is None else min(BEAT_S, wait_s))
                except Empty:
                    event = None
                now = self._clock.now()
                step = self._wall.look(now)
                if step is not None:
                    self._clock_set(step, now)
                if event is not None:
                    self._take(event, now)
                elif wait_s is not None:
                    self._beat(now)
                self._alive(now)
        finally:
            self._withhold()
        now = self._clock.now()
        if self.engine.decision is not None:
            self.engine.count_up_to(now, self.engine.decision)
        self.write(now)

    def write(self, now: Moment) -> None:
        """Write down all that waits, if it can be dated."""
        if self._wall.right:
            self.keeper.commit(self.engine, now)

    def freshen(self, now: Moment) -> None:
        """Write down what a question to the ledger should find there, if it can be dated."""
        if self._wall.right:
            self.keeper.freshen(self.engine, now)

    @property
    def clock_fault(self) -> str:
        """Why nothing is booked though all else goes on, or ""."""
        if self.engine.dated:
            return ""
        if self._wall.ahead_s:
            return (
                f"the machine's clock is {duration(self._wall.ahead_s)} ahead of what the books last saw, and no time"
                " service vouches for it: the books wait until it is set right or confirmed, for a day at most; the"
                " counters keep what is taken meanwhile"
            )
        return "the machine's clock is not right yet, so the books wait; the counters keep what is taken meanwhile"

    def _beat(self, now: Moment) -> None:
        if self._back_s and self._wall.right:
            self._set_books_back(0.0, now)
        if now.mono_s >= min(self.engine.due_s, self._outputs.due_s()):
            self._decide(now)

    def _clock_set(self, step: Step, now: Moment) -> None:
        """Nothing that is controlled goes by the wall clock. What is written does, and the timetable."""
        said = f"the clock was set {'forward' if step.by_s > 0 else 'back'} by {duration(abs(step.by_s))}"
        if step.by_s:
            log.warning("clock=set %s", said)
            self.keeper.event("note", "clock", said, now)
        if step.is_right != step.was_right:
            log.warning("clock=%s", "right" if step.is_right else "wrong")
        self.engine.dated = step.is_right
        self._say_clock(now)
        if step.is_right:
            if not step.was_right:
                self.keeper.redate(now)
            self._set_books_back(-step.by_s if step.was_right else self.engine.books.newest_s - now.utc_s, now)
        if self._stepped is not None:
            self._stepped.rearm(now.utc_s)
        self._rearm(now.utc_s)
        self._decide(now)

    def _say_clock(self, now: Moment) -> None:
        """Keep the alarm of a clock that is far ahead."""
        self._own_alarms.drop("clock")
        if self._wall.ahead_s and not self.engine.dated:
            self._own_alarms.add(Alarm("clock", self.clock_fault, now.mono_s))

    def _set_books_back(self, by_s: float, now: Moment) -> None:
        """Where the clock has gone back, so do the books: they need what they have settled of that time."""
        self._back_s += max(0.0, by_s)
        if self._back_s <= _SLACK_S:
            self._back_s = 0.0
            return
        settled = self.keeper.settled_from(self.engine.books.newest_s - self._back_s)
        self.engine.dated = settled is not None
        if settled is not None:
            self.engine.books.set_back(self._back_s, settled)
            self._back_s = 0.0

    def _take(self, event: Event, now: Moment) -> None:
        match event:
            case Heard(readings):
                self.heard += 1
                self.engine.hear(readings, now)
                self._act(now)
                if self.engine.dated:
                    self.keeper.record(readings)
                    self.keeper.begin(self.engine, now)
            case Tick(done):
                self._tick(now)
                done.set_result(None)
            case Due(job):
                self._jobs[job](self, now)
            case Ask(name, arguments, answer):
                self._answer(name, arguments, answer, now)
            case Linked(name, up, reason):
                self.links[name] = event
                log.log(logging.INFO if up else logging.WARNING, "link=%s up=%s %s", name, up, reason)
            case Meddled():
                self._own_alarms.add(meddling(event, now), now.mono_s + MEDDLED_S)
                self._act(now)
            case Shipped():
                self._shipped(event, now)
            case Stop():
                self._stopping = True

    def _tick(self, now: Moment) -> None:
        if self._stepped is not None:
            for job in self._stepped.due(now.utc_s):
                self._jobs[job](self, now)
        if now.mono_s >= min(self.engine.due_s, self._outputs.due_s()):
            self._decide(now)

    def _decide(self, now: Moment) -> None:
        self.engine.decide(now)
        self._act(now)

    def _act(self, now: Moment) -> None:
        """Tell the heaters before anything else; then note and publish what changed."""
        decision = self.engine.decision
        assert decision is not None
        changed: list[HeaterOrder] = []
        if decision is not self._acted:
            before = {told.heater: told for told in self._acted.orders} if self._acted is not None else {}
            self._acted = decision
            for told in decision.orders:
                known = before.get(told.heater)
                if known is None or (known.order, known.watts) != (told.order, told.watts):
                    self._lines[told.heater].send(told.order, told.watts)
                    self.orders_sent += 1
                if known is None or (known.order, known.guard) != (told.order, told.guard):
                    changed.append(told)
        self._outputs.follow(decision.orders, now)
        alarms, self._watched = watch(
            self.engine.snapshot, self.engine.settings, self.engine.memory, self._watched, now
        )
        alarms += self._own_alarms.standing(now)
        if alarms != self.alarms or now.mono_s >= self._told.due_s:
            self._sound(alarms, now)
        for told in changed:
            explanation = self.engine.explain(now, told.heater)
            log.info("heater=%s order=%s guard=%s %s", told.heater, told.order.value, told.guard, explanation.text)
            self.keeper.decided(explanation, now)
        if changed:
            self._publish(self, now)

    def _sound(self, alarms: tuple[Alarm, ...], now: Moment) -> None:
        events, self._told = news(alarms, self._told, now)
        for kind, name, sentence in events:
            log.warning("%s=%s %s", kind, name, sentence)
            self.keeper.event(kind, name, sentence, now)
        self.alarms = alarms
        self._publish(self, now)

    def remember(self, memory: Memory, now: Moment) -> None:
        """Take a memory changed by the owner's word, decide on it, and write it down at once."""
        self.engine.memory = memory
        self._decide(now)
        self.write(now)

    def redecide(self, now: Moment) -> None:
        """Decide again after the rules changed."""
        self._watched = replace(self._watched, drawing_since_s=())  # it is kept in the order of the heaters
        self._decide(now)

    def _tell(self, now: Moment) -> None:
        """Say how the house is; an alarm that no event would bring, in a house that is all silent, comes with it."""
        self._act(now)
        self._publish(self, now)

    def _settle(self, now: Moment) -> None:
        if self._wall.right:
            self.keeper.settle(self.engine, now)

    def _flush(self, now: Moment) -> None:
        if self._wall.right:
            self.keeper.flush(self.engine, now)

    def _refresh(self, now: Moment) -> None:
        for line in self._lines.values():
            line.refresh()
            self.orders_sent += 1

    def _answer(self, name: str, arguments: Mapping[str, Any], answer: Any, now: Moment) -> None:
        if not answer.set_running_or_notify_cancel():
            return
        try:
            answer.set_result(self._answers[name](self, now, arguments))
        except BrimfulError as refused:
            answer.set_exception(refused)
        except Exception as unforeseen:  # a question must not end what looks after the heaters
            log.exception("question=%s failed", name)
            answer.set_exception(unforeseen)

    def _withhold(self) -> None:
        with ExitStack() as all_of_them:  # one that fails does not keep the next from being told
            for line in self._lines.values():
                all_of_them.callback(line.send, Order.WITHHOLD, None)
