"""Heat on hand as an inventory at weighted average cost (IAS 2): what leaves takes its share of everything in stock.

Whole Wh, millionths and mg, by source. A withdrawal takes the same share of each source's energy, money and carbon, by
largest remainder, so that what was received is what was withdrawn and what is left, to the last unit.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from accounting.valuation.formula import half_even


@dataclass(frozen=True, slots=True)
class Lot:
    """An amount of heat, Wh, with what it cost in millionths of the currency unit and in mg CO2e."""

    wh: int = 0
    micro: int = 0
    mg: int = 0

    def __add__(self, other: "Lot") -> "Lot":
        return Lot(self.wh + other.wh, self.micro + other.micro, self.mg + other.mg)

    def __sub__(self, other: "Lot") -> "Lot":
        return Lot(self.wh - other.wh, self.micro - other.micro, self.mg - other.mg)


NOTHING = Lot()
Lots = Mapping[str, Lot]
"""By source."""


def total(lots: Iterable[Lot]) -> Lot:
    """All of them together."""
    wh = micro = mg = 0
    for lot in lots:
        wh += lot.wh
        micro += lot.micro
        mg += lot.mg
    return Lot(wh, micro, mg)


def share_of(amounts: Sequence[int], part: int, whole: int) -> list[int]:
    """part / whole (0 < part <= whole) of each amount, in whole units that add up to that share of the sum, rounded
    half to even. Amounts may be negative, as the cost of heat that one was paid to take is."""
    floors: list[int] = []
    lost: list[int] = []
    for amount in amounts:
        floor, remainder = divmod(amount * part, whole)
        floors.append(floor)
        lost.append(remainder)
    left = half_even(sum(amounts) * part, whole) - sum(floors)
    for index in sorted(range(len(floors)), key=lambda i: (-lost[i], i))[:left]:
        floors[index] += 1
    return floors


SHORT = "short"
"""Account of heat withdrawn that was not there; the next heat received makes it good."""


class Inventory:
    """What is on hand, by source. short_wh: how much is missing; the account SHORT then holds that much below zero."""

    def __init__(self, lots: Lots | None = None, short_wh: int = 0) -> None:
        self._lots = dict(lots or {})
        self.short_wh = short_wh

    @property
    def lots(self) -> dict[str, Lot]:
        """By source, those that hold anything."""
        held = {source: lot for source, lot in self._lots.items() if lot != NOTHING}
        return held | {SHORT: Lot(-self.short_wh)} if self.short_wh else held

    @property
    def wh(self) -> int:
        """Heat on hand, Wh; negative while short."""
        return sum(lot.wh for lot in self._lots.values()) - self.short_wh

    def receive(self, source: str, lot: Lot) -> None:
        """Heat comes in (lot.wh >= 0) with its cost. What makes a shortage good keeps its cost in the stock."""
        filled_wh = min(lot.wh, self.short_wh)
        self.short_wh -= filled_wh
        lot = Lot(lot.wh - filled_wh, lot.micro, lot.mg)
        self._lots[source] = self._lots.get(source, NOTHING) + lot

    def withdraw(self, wh: int) -> dict[str, Lot]:
        """Takes heat out (wh >= 0), of each source its share; returns what was taken. Missing heat comes from SHORT."""
        if not wh:
            return {}
        on_hand_wh = sum(lot.wh for lot in self._lots.values())
        if wh >= on_hand_wh:
            taken = {source: lot for source, lot in self._lots.items() if lot != NOTHING}
            self._lots.clear()
            if wh > on_hand_wh:
                self.short_wh += wh - on_hand_wh
                taken[SHORT] = Lot(wh - on_hand_wh)
            return taken
        there_wh = wh
        sources = list(self._lots)
        lots = self._lots.values()
        taken = {}
        for source, *amounts in zip(
            sources,
            share_of([lot.wh for lot in lots], there_wh, on_hand_wh),
            share_of([lot.micro for lot in lots], there_wh, on_hand_wh),
            share_of([lot.mg for lot in lots], there_wh, on_hand_wh),
            strict=True,
        ):
            lot = Lot(*amounts)
            taken[source] = lot
            self._lots[source] -= lot
        return taken
