"""A heater's order connection that is there only while the house is controlled.

While the house is watched there is no such connection at all: nothing is published, no last will is left with the
broker, and no retained order of somebody else's is cleared.
"""

from collections.abc import Callable

from daemon.mqtt.heater_link import HeaterLine
from rules.model.orders import Order


class OrderSwitch:
    """Passes orders on to a line of its own making while `controls`. The loop alone calls all but `break_off`.

    name: the heater's; make: makes its line, not yet started; controls: whether orders are sent from the start.
    """

    def __init__(self, name: str, make: Callable[[], HeaterLine], controls: bool) -> None:
        self.name = name
        self._make = make
        self._line = make() if controls else None
        self._started = False
        self._standing: tuple[Order, int | None] | None = None

    @property
    def controls(self) -> bool:
        """Whether orders are sent."""
        return self._line is not None

    def start(self) -> None:
        """Begin to connect, if it controls; returns at once."""
        self._started = True
        if self._line is not None:
            self._line.start()

    def send(self, order: Order, watts: int | None) -> None:
        """Send the heater an order, or only remember it."""
        self._standing = order, watts
        if self._line is not None:
            self._line.send(order, watts)

    def refresh(self) -> None:
        """Send the standing order again."""
        if self._line is not None:
            self._line.refresh()

    def control(self, controls: bool) -> None:
        """Begin to send orders, with the standing one; or end it, with a last `withhold`."""
        if controls == self.controls:
            return
        if not controls:
            self.close()
            return
        self._line = self._make()
        if self._standing is not None:
            self._line.send(*self._standing)  # at the connect that follows
        if self._started:
            self._line.start()

    def break_off(self) -> None:
        """Break the link without a farewell; from any thread."""
        line = self._line
        if line is not None:
            line.connection.break_off()

    def close(self, timeout_s: float = 2.0) -> bool:
        """Withhold and leave, where it controls; see `HeaterLine.close`."""
        line, self._line = self._line, None
        return line is None or line.close(timeout_s)
