"""The house in the loop's hands: it decides, orders the heaters, raises alarms and has everything written down."""

import logging
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from typing import Protocol

from daemon.control.engine import Engine
from daemon.control.own_alarms import MEDDLED_S, OwnAlarms, failing, meddling
from daemon.recording.unit_of_work import Keeper
from daemon.runtime.dating import Dating
from daemon.timing.clock_trust import WallTime
from daemon.timing.events import Linked, Meddled
from rules.alarms import Alarm, Announced, Watched, news, watch
from rules.model.memory import Memory
from rules.model.orders import Decision, HeaterOrder, Order
from rules.model.reading import Moment, Reading

log = logging.getLogger(__name__)


class Line(Protocol):
    """The way to one heater."""

    def send(self, order: Order, watts: int | None) -> None:
        """Give the heater an absolute order; remembers it for refreshing."""

    def refresh(self) -> None:
        """Send the standing order again."""

    def control(self, controls: bool) -> None:
        """Begin or end to send orders."""


class Outputs(Protocol):
    """Auxiliary outputs that follow the orders."""

    def follow(self, orders: Sequence[HeaterOrder], now: Moment) -> None:
        """Switch what has to be switched."""

    def due_s(self) -> float:
        """Forward-clock second at which a run-on ends; inf if none runs."""

    def control(self, controls: bool) -> None:
        """Begin or end to switch them."""


def _each(calls: Iterable[Callable[[], object]]) -> None:
    """Do them all, in their order: one that fails does not keep the next from its order. Raises what failed."""
    with ExitStack() as stack:  # the last to come is the first to go
        for call in reversed(tuple(calls)):
            stack.callback(call)


class Controller:
    """Owns engine, ledger writer and heaters. Everything here runs on the loop's thread; nothing blocks for long.

    lines: one for each heater, in the order of the engine's settings; wall: whether the wall clock is believed.
    """

    def __init__(self, engine: Engine, keeper: Keeper, lines: Sequence[Line], outputs: Outputs, wall: WallTime) -> None:
        self.engine = engine
        self.keeper = keeper
        self.alarms: tuple[Alarm, ...] = ()
        self.links: dict[str, Linked] = {}
        self.orders_sent = 0
        self._own_alarms = OwnAlarms()
        self.dating = Dating(wall, engine, keeper, self._own_alarms)
        # By name: the order of preference may change while the lines stand.
        self._lines = {heater.name: line for heater, line in zip(engine.settings.heaters, lines, strict=True)}
        self._outputs = outputs
        self._publishers: list[Callable[[Moment], object]] = []
        self._watched = Watched()
        self._announced = Announced()
        self._acted: Decision | None = None

    def when_changed(self, publish: Callable[[Moment], object]) -> None:
        """Have something called after an order or an alarm changed, and every minute. It must be quick."""
        self._publishers.append(publish)

    @property
    def due_s(self) -> float:
        """Forward-clock second at which time alone may change an order or an output."""
        return min(self.engine.due_s, self._outputs.due_s())

    # What comes in

    def hear(self, readings: tuple[Reading, ...], now: Moment) -> None:
        """Decide on readings, order, and then put them on record."""
        self.engine.hear(readings, now)
        self._act(now)
        if self.engine.dated:
            self.keeper.record(readings)
            self.keeper.begin(self.engine, now)

    def link(self, link: Linked) -> None:
        """A connection came up or went down."""
        if link.name in self._lines and self.engine.settings.watching:  # the last word of one that was ended
            return
        self.links[link.name] = link
        log.log(logging.INFO if link.up else logging.WARNING, "link=%s up=%s %s", link.name, link.up, link.reason)

    def meddled(self, event: Meddled, now: Moment) -> None:
        """Somebody else gave an order."""
        self.raise_alarm(meddling(event, now), now, MEDDLED_S)

    def raise_alarm(self, alarm: Alarm, now: Moment, for_s: float = float("inf")) -> None:
        """Raise an alarm that the rules cannot see. for_s: how long it stands."""
        self._own_alarms.add(alarm, now.mono_s + for_s)
        self._act(now)

    def remember(self, memory: Memory, now: Moment) -> None:
        """Take a memory that the owner changed, decide on it, and write it down at once."""
        self.engine.memory = memory
        self.decide(now)
        self.write(now)

    # Deciding and ordering

    def decide(self, now: Moment) -> None:
        """Decide, and act on it."""
        self.engine.decide(now)
        self._act(now)

    def decide_if_due(self, now: Moment) -> None:
        """Decide where time alone may have changed something."""
        if now.mono_s >= self.due_s:
            self.decide(now)

    def redecide(self, now: Moment) -> None:
        """Decide again after the rules changed."""
        self._watched = replace(self._watched, drawing_since_s=())  # it is kept in the order of the heaters
        self.decide(now)

    def control(self, controls: bool) -> None:
        """Begin to send orders, with those that stand; or end it, with a last `withhold` to each heater."""
        if not controls:
            self.links = {name: link for name, link in self.links.items() if name not in self._lines}
        switches = [line.control for line in self._lines.values()]
        _each(partial(switch, controls) for switch in (*switches, self._outputs.control))

    def refresh(self, now: Moment) -> None:
        """Send every heater its standing order again."""
        self.orders_sent += len(self._lines) * (not self.engine.settings.watching)
        _each(line.refresh for line in self._lines.values())

    def withhold(self) -> None:
        """Withhold every heater, whatever stands."""
        _each(partial(line.send, Order.WITHHOLD, None) for line in self._lines.values())

    def publish(self, now: Moment) -> None:
        """Say how the house is."""
        self.beside("publishing", lambda: _each(partial(publish, now) for publish in self._publishers), now)

    def beside(self, job: str, work: Callable[[], object], now: Moment) -> None:
        """Do what the heaters do not need. If it fails unforeseen that is an alarm, `job: JOB`, until it succeeds.

        An order that could not be sent meanwhile is sent with the next decision, which is not made beside.
        """
        try:
            work()
        except Exception as unforeseen:
            alarm = failing(job, unforeseen, now)
            if not self._own_alarms.stands(alarm.name):
                log.exception("%s fails", alarm.name)
            self._own_alarms.add(alarm)
        else:
            self._own_alarms.drop(f"job: {job}")

    def look_round(self, now: Moment) -> None:
        """Say how the house is; an alarm that no event would bring, in a house that is all silent, comes with it."""
        self._act(now)
        self.publish(now)

    def _act(self, now: Moment) -> None:
        """Order the heaters before anything else; then note and publish what changed."""
        decision = self.engine.decision
        assert decision is not None
        changed: list[HeaterOrder] = []
        if decision is not self._acted:
            sends: list[Callable[[], object]] = []
            before = {one.heater: one for one in self._acted.orders} if self._acted is not None else {}
            self._acted = None  # until all are sent
            for one in decision.orders:
                known = before.get(one.heater)
                if known is None or (known.order, known.watts) != (one.order, one.watts):
                    sends.append(partial(self._lines[one.heater].send, one.order, one.watts))
                    self.orders_sent += not self.engine.settings.watching
                if known is None or (known.order, known.guard) != (one.order, one.guard):
                    changed.append(one)
            _each(sends)
            self._acted = decision
        self._outputs.follow(decision.orders, now)
        alarms, self._watched = watch(
            self.engine.snapshot, self.engine.settings, self.engine.memory, self._watched, now
        )
        alarms += self._own_alarms.standing(now)
        if alarms != self.alarms or now.mono_s >= self._announced.due_s:
            self._announce(alarms, now)
        for one in changed:
            explanation = self.engine.explain(now, one.heater)
            log.info("heater=%s order=%s guard=%s %s", one.heater, one.order.value, one.guard, explanation.text)
            self.keeper.decided(explanation, now)
        if changed:
            self.publish(now)

    def _announce(self, alarms: tuple[Alarm, ...], now: Moment) -> None:
        events, self._announced = news(alarms, self._announced, now)
        for kind, name, sentence in events:
            log.warning("%s=%s %s", kind, name, sentence)
            self.keeper.event(kind, name, sentence, now)
        self.alarms = alarms
        self.publish(now)

    # Writing down, where it can be dated

    @property
    def unkept(self) -> str:
        """Why what is changed now would not outlive a restart, or ""."""
        return self.keeper.fault or self.dating.fault

    def write(self, now: Moment) -> None:
        """Write down all that waits."""
        if self.dating.right:
            self.keeper.commit(self.engine, now)

    def freshen(self, now: Moment) -> None:
        """Write down what a question to the ledger should find there."""
        if self.dating.right:
            self.keeper.freshen(self.engine, now)

    def settle(self, now: Moment) -> None:
        """Settle the intervals that are complete."""
        if self.dating.right:
            self.keeper.settle(self.engine, now)

    def flush(self, now: Moment) -> None:
        """Write the working state down."""
        if self.dating.right:
            self.keeper.flush(self.engine, now)

    def end(self, now: Moment) -> None:
        """Count how long the last decision stood, and write everything down."""
        if self.engine.decision is not None:
            self.engine.count_up_to(now, self.engine.decision)
        self.write(now)
