"""An order connection that is there only while the house is controlled, with a stand-in for the connection."""

from typing import Any, cast

from daemon.mqtt.heater_link import HeaterLine
from daemon.mqtt.order_switch import OrderSwitch
from rules.model.orders import Order


class _Line:
    def __init__(self, made: "list[_Line]") -> None:
        made.append(self)
        self.did: list[Any] = []

    def start(self) -> None:
        self.did.append("start")

    def send(self, order: Order, watts: int | None) -> None:
        self.did.append((order, watts))

    def refresh(self) -> None:
        self.did.append("refresh")

    def close(self, timeout_s: float) -> bool:
        self.did.append("close")
        return False


def _switch(controls: bool) -> tuple[OrderSwitch, list[_Line]]:
    made: list[_Line] = []
    return OrderSwitch("main", lambda: cast(HeaterLine, _Line(made)), controls), made


def test_while_watching_there_is_no_connection_at_all() -> None:
    switch, made = _switch(controls=False)
    switch.start()
    switch.send(Order.SURPLUS, None)
    switch.refresh()
    switch.break_off()
    assert switch.close()
    assert made == []
    assert not switch.controls


def test_control_begins_with_the_standing_order_and_ends_with_a_close() -> None:
    switch, made = _switch(controls=False)
    switch.start()
    switch.send(Order.SURPLUS, 900)
    switch.control(True)
    switch.control(True)
    (line,) = made
    assert line.did == [(Order.SURPLUS, 900), "start"]
    switch.refresh()
    switch.control(False)
    switch.control(False)
    switch.send(Order.SURPLUS, 950)
    assert line.did == [(Order.SURPLUS, 900), "start", "refresh", "close"], "the line's close withholds"
    switch.control(True)
    assert len(made) == 2
    assert made[1].did == [(Order.SURPLUS, 950), "start"]


def test_a_line_that_does_not_end_well_says_so() -> None:
    switch, made = _switch(controls=True)
    switch.start()
    assert made[0].did == ["start"]
    assert switch.close() is False
