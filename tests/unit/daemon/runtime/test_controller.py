"""The controller by itself: each heater gets its order, whatever fails beside it."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from accounting.books.booking import Books, BooksSettings, HeaterBooks
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.runtime.controller import Controller
from daemon.timing.clock_trust import WallTime
from rules.model.memory import Memory
from rules.model.orders import Order
from rules.model.reading import Reading
from tests.support.live_house import NoOutputs
from tests.support.rules_case import GATE, moment, settings

RULES = settings(
    heaters=(replace(GATE, name="upper"), replace(GATE, name="lower")),
    stale_after_s={"grid_w": 60.0, "tank_level_pct": 600.0},
    together=True,
)
WIRING = Wiring(("grid_w", -1.0), True, (None, None), (None, None), None, None, 10.0, 60.0)


class Line:
    """Remembers what it was sent; fails where `broken`."""

    def __init__(self) -> None:
        self.broken = False
        self.did: list[Any] = []

    def _do(self, what: Any) -> None:
        self.did.append(what)
        if self.broken:
            raise OSError("no line")

    def send(self, order: Order, watts: int | None) -> None:
        self._do(order)

    def refresh(self) -> None:
        self._do("refresh")

    def control(self, controls: bool) -> None:
        self._do(controls)


class Outputs(NoOutputs):
    controls = True

    def control(self, controls: bool) -> None:
        self.controls = controls


class Keeper:
    def __getattr__(self, name: str) -> Any:
        return lambda *_: None


class House:
    def __init__(self) -> None:
        books = Books(
            BooksSettings((HeaterBooks("upper", 3000.0, power="a_w"), HeaterBooks("lower", 3000.0, power="b_w")))
        )
        self.engine = Engine(RULES, Board(RULES, WIRING), books, Memory())
        self.lines = [Line(), Line()]
        keeper: Any = Keeper()
        self.outputs: Any = Outputs()
        self.controller = Controller(self.engine, keeper, self.lines, self.outputs, WallTime(moment(0.0), None))

    def hear(self, at_s: float, **values: float) -> None:
        now = moment(at_s)
        readings = tuple(Reading(name, value, now.utc_s, now.mono_s) for name, value in values.items())
        self.controller.hear(readings, now)


@pytest.mark.parametrize(
    ("does", "expected"),
    [
        (lambda house: house.hear(20.0, grid_w=-9000.0, tank_level_pct=99.0), Order.WITHHOLD),
        (lambda house: house.controller.refresh(moment(20.0)), "refresh"),
        (lambda house: house.controller.withhold(), Order.WITHHOLD),
        (lambda house: house.controller.control(False), False),
    ],
)
@pytest.mark.parametrize("broken", [0, 1])
def test_a_line_that_fails_keeps_no_other_heater_from_its_order(
    does: Callable[[House], object], expected: object, broken: int
) -> None:
    house = House()
    house.hear(0.0, grid_w=-9000.0, tank_level_pct=50.0)
    assert [line.did[-1] for line in house.lines] == [Order.SURPLUS, Order.SURPLUS]
    house.lines[broken].broken = True
    with pytest.raises(OSError, match="no line"):
        does(house)
    assert [line.did[-1] for line in house.lines] == [expected, expected]
    assert house.outputs.controls is (expected is not False)
