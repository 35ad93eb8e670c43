"""How much CO2e stands behind a kWh."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from accounting.series import Series

Basis = Literal["average", "marginal"]


@dataclass(frozen=True)
class Factor:
    """A published or measured factor. kg_per_kwh: kg CO2e per kWh, one for all time or a series.

    basis: whether it is the mean of all supply or that of the next kWh; source and year: where it was read.
    Publishers differ by a quarter, so a factor without its source is worth little.
    """

    name: str
    kg_per_kwh: Fraction | Series
    basis: Basis
    source: str
    year: int

    def at(self, start_s: int, end_s: int) -> Fraction | None:
        """kg CO2e per kWh, time-weighted over [start_s, end_s) UTC seconds; None where a series does not tell."""
        if isinstance(self.kg_per_kwh, Series):
            return self.kg_per_kwh.mean_price(start_s, end_s)
        return self.kg_per_kwh

    def next_change(self, utc_s: float) -> float:
        """The UTC second from which another factor may hold; inf for a constant."""
        return self.kg_per_kwh.next_change(utc_s) if isinstance(self.kg_per_kwh, Series) else float("inf")
