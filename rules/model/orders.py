"""What a heater is ordered, and how a guard answers."""

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Final, Literal

from rules.model.wording import say


class Order(StrEnum):
    """An absolute state, never a toggle."""

    WITHHOLD = "withhold"
    SURPLUS = "surplus"
    HEAT = "heat"


LEADS = {Order.WITHHOLD: say("Heater off"), Order.SURPLUS: say("Taking surplus"), Order.HEAT: say("Heating")}
"""What a heater does under an order, as a sentence about it begins."""


class Verdict(IntEnum):
    """A guard's answer. A finding with REQUIRE carries the order that it requires."""

    ALLOW = 0
    FORBID = 1
    REQUIRE = 2


ALLOW: Final = Verdict.ALLOW
FORBID: Final = Verdict.FORBID
REQUIRE: Final = Verdict.REQUIRE
"""Short names for the verdicts, because the guards compare and return them very often."""

Permission = Literal[Verdict.ALLOW, Verdict.FORBID]
"""The answers of a guard that never requires an order."""
Judgement = Permission | Order
"""The answers of any guard: it allows, it forbids, or it requires the order that it returns."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A guard's answer with the sentence that carries its figures.

    sentence: why, with figures ("tank 96 %, full since 13:10"); change: what would change it, or "";
    order: the order it requires, None if it requires none. (It is None too in a finding that is read back from the
    ledger, which keeps only the decision's order.)
    """

    guard: str
    verdict: Verdict
    sentence: str
    change: str = ""
    order: Order | None = None


@dataclass(frozen=True, slots=True)
class HeaterOrder:
    """One heater's order. watts: whole W for a modulated heater that is on, else None. guard: what decided it."""

    heater: str
    order: Order
    guard: str
    watts: int | None = None


@dataclass(frozen=True, slots=True)
class Decision:
    """The standing orders, one for each heater in the order of preference."""

    orders: tuple[HeaterOrder, ...]

    @property
    def lead(self) -> HeaterOrder:
        """The first heater that is on, else the preferred one: the heater a person asks about."""
        for order in self.orders:
            if order.order is not Order.WITHHOLD:
                return order
        return self.orders[0]
