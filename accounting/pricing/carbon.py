"""How much CO2e stands behind a kWh."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from accounting.pricing.tariffs import Priced

Basis = Literal["average", "marginal", "both"]


@dataclass(frozen=True)
class Factor:
    """A published or measured factor. kg_per_kwh: kg CO2e per kWh, one for all time or a series.

    basis: whether it is the mean of all supply, that of the next kWh, or, as for a fuel that is burnt here, both;
    source and year: where it was read.
    Publishers differ by a quarter, so a factor without its source is worth little.
    """

    name: str
    kg_per_kwh: Fraction | Priced
    basis: Basis
    source: str
    year: int

    def at(self, start_s: int, end_s: int) -> Fraction | None:
        """kg CO2e per kWh, time-weighted over [start_s, end_s) UTC seconds; None where a series has no value."""
        if isinstance(self.kg_per_kwh, Fraction):
            return self.kg_per_kwh
        return self.kg_per_kwh.mean_price(start_s, end_s)

    def next_change(self, utc_s: float) -> float:
        """The UTC second from which another factor may hold; inf for a constant."""
        return float("inf") if isinstance(self.kg_per_kwh, Fraction) else self.kg_per_kwh.next_change(utc_s)


def bases(factors: Iterable[Factor]) -> set[Basis]:
    """The bases that cannot be added up; at most one where a total may be made."""
    return {factor.basis for factor in factors if factor.basis != "both"}
