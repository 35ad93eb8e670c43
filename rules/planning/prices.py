"""Prices of the half hours for which none is published yet."""

from collections import defaultdict
from collections.abc import Iterable

from rules.model.errors import BrimfulError
from rules.planning.past import kind_of
from rules.planning.policy import HalfHour


class UsualPrices:
    """The mean price of a half hour of the local clock on the latest days of its kind; of all of them where none is."""

    def __init__(self, known: Iterable[HalfHour], recent_days: int) -> None:
        """known: the half hours with a known price, in order of time; recent_days: how many days of them count."""
        rows = list(known)
        latest = rows[-1].day if rows else 0
        self._by_kind: dict[tuple[int, int], list[tuple[float, float]]] = defaultdict(list)
        self._by_slot: dict[int, list[tuple[float, float]]] = defaultdict(list)
        self._all: list[tuple[float, float]] = []
        for row in rows:
            if row.day > latest - recent_days:
                pair = (row.import_price, row.export_price)
                self._by_kind[kind_of(row.weekday), row.slot].append(pair)
                self._by_slot[row.slot].append(pair)
                self._all.append(pair)

    def of(self, weekday: int, slot: int) -> tuple[float, float]:
        """(import, export) to expect, money per kWh. Raises BrimfulError where no price at all is known."""
        pairs = self._by_kind.get((kind_of(weekday), slot)) or self._by_slot.get(slot) or self._all
        if not pairs:
            raise BrimfulError("plan the night", "prices", "expected a known price of a latest day, got none")
        return sum(pair[0] for pair in pairs) / len(pairs), sum(pair[1] for pair in pairs) / len(pairs)


def usual_cheapest(half_hours: Iterable[HalfHour]) -> float:
    """The mean over the days of each day's cheapest import price, money per kWh; not below 0."""
    cheapest: dict[int, float] = {}
    for half_hour in half_hours:
        cheapest[half_hour.day] = min(cheapest.get(half_hour.day, half_hour.import_price), half_hour.import_price)
    return max(sum(cheapest.values()) / len(cheapest), 0.0)
