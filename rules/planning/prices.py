"""Prices of the half hours for which none is published yet."""

from collections import defaultdict
from collections.abc import Iterable

from rules.planning.likeness import kind_of

RECENT_DAYS = 14


class UsualPrices:
    """The mean price of a half hour of the local clock on the latest days of its kind; of all of them where none is."""

    def __init__(self, known: Iterable[tuple[int, int, int, float, float]]) -> None:
        """known: (day number, weekday, slot, import price, export price) of each known half hour, in order of time."""
        rows = list(known)
        latest = rows[-1][0] if rows else 0
        self._by_kind: dict[tuple[int, int], list[tuple[float, float]]] = defaultdict(list)
        self._by_slot: dict[int, list[tuple[float, float]]] = defaultdict(list)
        self._all: list[tuple[float, float]] = []
        for day, weekday, slot, import_price, export_price in rows:
            if day > latest - RECENT_DAYS:
                pair = (import_price, export_price)
                self._by_kind[kind_of(weekday), slot].append(pair)
                self._by_slot[slot].append(pair)
                self._all.append(pair)

    def of(self, weekday: int, slot: int) -> tuple[float, float]:
        """(import, export) to expect, money per kWh."""
        pairs = self._by_kind.get((kind_of(weekday), slot)) or self._by_slot.get(slot) or self._all or [(0.0, 0.0)]
        return sum(pair[0] for pair in pairs) / len(pairs), sum(pair[1] for pair in pairs) / len(pairs)
