"""What a heater is ordered, and how a guard answers."""

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Final, Literal


class Order(StrEnum):
    """An absolute state, never a toggle."""

    WITHHOLD = "withhold"
    SURPLUS = "surplus"
    HEAT = "heat"


LEADS = {Order.WITHHOLD: "Heater off", Order.SURPLUS: "Taking surplus", Order.HEAT: "Heating"}
"""What a heater does under an order, as a sentence about it begins."""


class Verdict(IntEnum):
    """A guard's answer. REQUIRE is that of a finding which carries the order it requires."""

    ALLOW = 0
    FORBID = 1
    REQUIRE = 2


ALLOW: Final = Verdict.ALLOW
FORBID: Final = Verdict.FORBID
REQUIRE: Final = Verdict.REQUIRE
"""The same by short names: the guards compare and return them very often."""

Permission = Literal[Verdict.ALLOW, Verdict.FORBID]
"""What a guard judges that requires nothing."""
Judgement = Permission | Order
"""What any guard judges: it allows, it forbids, or it requires the order it gives."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A guard's answer with the sentence that carries its figures.

    sentence: why, with figures ("tank 96 %, full since 13:10"); change: what would change it, or "";
    order: what it requires, None where it requires nothing (and where a finding is read back from the ledger, which
    keeps the order of the decision alone).
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
        """The first heater that is on, else the preferred one: what a person asks about."""
        for order in self.orders:
            if order.order is not Order.WITHHOLD:
                return order
        return self.orders[0]
