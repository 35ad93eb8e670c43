"""The figures that add up: energy, money and carbon of one interval, of a day, of all heaters and years.

What an entry says and what a report totals are the same integers; their names stand here once.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, fields, replace
from typing import Any, Self

from accounting.model.entry import Entry, Netted


def _rare(kind: str) -> Any:
    """A figure that most ledgers do not hold. kind: figures of one kind are all there or all absent."""
    return field(default=0, metadata={"kind": kind})


@dataclass(frozen=True, slots=True)
class Figures(Netted):
    """Energy in Wh, money in millionths of the currency unit, carbon in mg CO2e, times in s; see `Entry`.

    unpriced_wh: of diverted_wh, what lacks a price on one side or both, and is in no amount of money; sellable_wh: of
    diverted_wh, sun that would have been sold, priced on both sides; marginal_wh: of diverted_wh, the energy with
    marginal factors, and *_marginal_mg: its carbon by them, never part of the other carbon.
    """

    diverted_wh: int = 0
    estimated_wh: int = 0
    measured_s: int = 0
    given_up_micro: int = 0
    avoided_micro: int = 0
    given_up_mg: int = 0
    avoided_mg: int = 0
    unpriced_wh: int = 0
    sellable_wh: int = 0
    grid_wh: int = _rare("bought")
    battery_wh: int = _rare("bought")
    bought_micro: int = _rare("bought")
    bought_mg: int = _rare("bought")
    marginal_wh: int = _rare("marginal")
    given_up_marginal_mg: int = _rare("marginal")
    avoided_marginal_mg: int = _rare("marginal")
    bought_marginal_mg: int = _rare("marginal")
    forgone_wh: int = _rare("forgone")
    unheard_wh: int = _rare("forgone")
    forgone_micro: int = _rare("forgone")
    forgone_mg: int = _rare("forgone")

    @classmethod
    def of(cls, entry: Entry) -> "Figures":
        """An entry's figures as every total counts them."""
        counts = {name: getattr(entry, name) or 0 for name in _OF_ENTRY}
        if entry.given_up_marginal_mg is not None:
            counts["marginal_wh"] = entry.diverted_wh
        if entry.one_sided:
            counts |= dict.fromkeys(TWO_SIDED, 0) | {"unpriced_wh": entry.diverted_wh}
        return Figures(**counts)

    @classmethod
    def total(cls, many: Iterable["Figures"]) -> "Figures":
        """All of them together."""
        rows = list(many)
        return Figures(**{name: sum([getattr(row, name) for row in rows]) for name in NAMES})

    def __add__(self, other: "Figures") -> Self:
        return replace(self, **{name: getattr(self, name) + getattr(other, name) for name in NAMES})

    def __sub__(self, other: "Figures") -> Self:
        return replace(self, **{name: getattr(self, name) - getattr(other, name) for name in NAMES})

    def by_name(self) -> dict[str, int]:
        """Each figure under its name."""
        return {name: getattr(self, name) for name in NAMES}

    @property
    def net_marginal_mg(self) -> int:
        return self.avoided_marginal_mg - self.given_up_marginal_mg - self.bought_marginal_mg


NAMES = tuple(one.name for one in fields(Figures))
"""All figures, in their order."""
USUAL = tuple(one.name for one in fields(Figures) if "kind" not in one.metadata)
"""Those that every ledger holds."""
RARE = {
    kind: tuple(one.name for one in fields(Figures) if one.metadata.get("kind") == kind)
    for kind in ("bought", "marginal", "forgone")
}
"""Those that most ledgers do not hold, by kind."""
TWO_SIDED = ("given_up_micro", "avoided_micro", "bought_micro")
"""Money that counts only where both sides of an entry are priced; see `Entry.one_sided`."""
_OF_ENTRY = tuple(name for name in NAMES if name != "marginal_wh")
