"""The loop: one queue, one thread that owns engine and books. It acts on a message when it comes; nothing is polled."""

import logging
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from queue import Empty, SimpleQueue
from typing import Any, Protocol

from daemon.clock import Clock
from daemon.engine import Engine
from daemon.events import Ask, Due, Event, Heard, Linked, Shipped, Stop, Tick
from daemon.keeper import Keeper
from daemon.schedule import SteppedSchedule
from rules.alarms import Alarm, Watched, watch
from rules.errors import BrimfulError
from rules.memory import Memory
from rules.orders import Decision, HeaterOrder, Order
from rules.reading import Moment

log = logging.getLogger(__name__)


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
    the loop's own; answers: what to say to each question.
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
    ) -> None:
        self.engine = engine
        self.keeper = keeper
        self.alarms: tuple[Alarm, ...] = ()
        self.links: dict[str, Linked] = {}
        self.heard = 0
        self.orders_sent = 0
        self._queue: SimpleQueue[Event] = SimpleQueue()
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
        self._watched = Watched()
        self._acted: Decision | None = None
        self._stopping = False

    def put(self, event: Event) -> None:
        """Hand something to the loop, from any thread."""
        self._queue.put(event)

    def run(self) -> None:
        """Until `Stop`; then write the working state. An unforeseen error is raised once the heaters are withheld."""
        try:
            self._decide(self._clock.now())
            while not self._stopping:
                due_s = min(self.engine.due_s, self._outputs.due_s())
                try:
                    event: Event | None = self._queue.get(timeout=self._clock.wait_s(due_s))
                except Empty:
                    event = None
                self._take(event)
        finally:
            self._withhold()
        now = self._clock.now()
        if self.engine.decision is not None:
            self.engine.count_up_to(now, self.engine.decision)
        self.keeper.commit(self.engine, now)

    def _take(self, event: Event | None) -> None:
        now = self._clock.now()
        match event:
            case Heard(readings):
                self.heard += 1
                self.engine.hear(readings, now)
                self._act(now)
                self.keeper.record(readings)
                self.keeper.begin(self.engine, now)
            case None:
                self._decide(now)
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
        if alarms != self.alarms:
            self._sound(alarms, now)
        for told in changed:
            explanation = self.engine.explain(now, told.heater)
            log.info("heater=%s order=%s guard=%s %s", told.heater, told.order.value, told.guard, explanation.text)
            self.keeper.decided(explanation, now)
        if changed:
            self._publish(self, now)

    def _sound(self, alarms: tuple[Alarm, ...], now: Moment) -> None:
        standing = {alarm.name for alarm in self.alarms}
        sounding = {alarm.name for alarm in alarms}
        for alarm in alarms:
            if alarm.name not in standing:
                log.warning("alarm=%s %s", alarm.name, alarm.sentence)
                self.keeper.event("alarm", alarm.name, alarm.sentence, now)
        for alarm in self.alarms:
            if alarm.name not in sounding:
                log.warning("recovered=%s", alarm.name)
                self.keeper.event("recovered", alarm.name, f"recovered: {alarm.sentence}", now)
        self.alarms = alarms
        self._publish(self, now)

    def remember(self, memory: Memory, now: Moment) -> None:
        """Take a memory changed by the owner's word, decide on it, and write it down at once."""
        self.engine.memory = memory
        self._decide(now)
        self.keeper.commit(self.engine, now)

    def redecide(self, now: Moment) -> None:
        """Decide again after the rules changed."""
        self._watched = replace(self._watched, drawing_since_s=())  # it is kept in the order of the heaters
        self._decide(now)

    def _tell(self, now: Moment) -> None:
        """Say how the house is; an alarm that no event would bring, in a house that is all silent, comes with it."""
        self._act(now)
        self._publish(self, now)

    def _settle(self, now: Moment) -> None:
        self.keeper.settle(self.engine, now)

    def _flush(self, now: Moment) -> None:
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
