"""Switches that follow the orders: a pump that mixes the tank while it is heated, say.

They are switched off on an orderly end. They have no last will: after a crash they stay as they are until the next
start.
"""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf

from rules.model.orders import HeaterOrder, Order
from rules.model.reading import Moment


@dataclass(frozen=True, slots=True)
class OutputRule:
    """On while any heater's order is `follows`, and for `run_on_s` after. off_at_s is inf while it does not run on."""

    follows: Order
    run_on_s: float = 0.0

    def step(self, state: "OutputState", orders: Sequence[HeaterOrder], mono_s: float) -> "OutputState":
        """The state after these orders at this forward-clock second; the same object if nothing changes."""
        if any(order.order is self.follows for order in orders):
            return state if state == _ON else _ON
        if not state.on:
            return state
        off_at_s = mono_s + self.run_on_s if state.off_at_s == inf else state.off_at_s
        if mono_s >= off_at_s:
            return _OFF
        return state if off_at_s == state.off_at_s else OutputState(True, off_at_s)


@dataclass(frozen=True, slots=True)
class OutputState:
    """Whether an output is on, and the forward-clock second at which its run-on ends (inf: it does not run on)."""

    on: bool = False
    off_at_s: float = inf


_ON = OutputState(True)
_OFF = OutputState()


@dataclass(frozen=True, slots=True)
class Output:
    """An output's rule and wiring. on, off: its payloads."""

    rule: OutputRule
    topic: str
    on: str
    off: str


class Outputs:
    """All outputs. publish(topic, payload, qos) says whether it could hand the message over.

    controls: whether they are switched; without it their states are only worked out, and nothing is published.
    """

    def __init__(
        self, outputs: Sequence[Output], publish: Callable[[str, bytes, int], bool], controls: bool = True
    ) -> None:
        self._controls = controls
        self._outputs = tuple(outputs)
        self._publish = publish
        self._states = [_OFF] * len(self._outputs)
        self._orders: Sequence[HeaterOrder] | None = None
        self._due_s = inf
        self._lock = threading.Lock()  # `tell_again` runs on the network thread

    def follow(self, orders: Sequence[HeaterOrder], now: Moment) -> None:
        """Switch what has to be switched. Cheap while nothing changes."""
        if orders is self._orders and now.mono_s < self._due_s:
            return
        self._orders = orders
        with self._lock:
            for index, output in enumerate(self._outputs):
                before = self._states[index]
                after = self._states[index] = output.rule.step(before, orders, now.mono_s)
                if after.on != before.on:
                    self._tell(output, after.on)
            self._due_s = min((state.off_at_s for state in self._states), default=inf)

    def control(self, controls: bool) -> None:
        """Begin to switch them, as they ought to be now; or switch them off and leave them alone."""
        with self._lock:
            if controls is self._controls:
                return
            if controls:
                self._controls = True
                self._tell_all()
                return
            for output in self._outputs:
                self._tell(output, False)
            self._controls = False

    def due_s(self) -> float:
        """Forward-clock second at which the next run-on ends; inf if none runs."""
        return self._due_s

    def tell_again(self) -> None:
        """Say every output's state again, after a new connect."""
        with self._lock:
            self._tell_all()

    def off(self) -> None:
        """Switch everything off, on an orderly end."""
        with self._lock:
            self._states = [_OFF] * len(self._outputs)
            self._due_s = inf
            self._orders = None
            self._tell_all()

    def _tell_all(self) -> None:
        for output, state in zip(self._outputs, self._states, strict=True):
            self._tell(output, state.on)

    def _tell(self, output: Output, on: bool) -> None:
        if self._controls:
            self._publish(output.topic, (output.on if on else output.off).encode(), 1)
