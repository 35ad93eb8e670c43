"""What would have made this heat otherwise: sources, each with its share, price, efficiency and carbon."""

from dataclasses import dataclass
from fractions import Fraction

from accounting.carbon import Factor
from accounting.tariffs import Priced


@dataclass(frozen=True)
class Displaced:
    """One displaced source.

    share: of the heat, 0–1; tariff, or price per kWh of its fuel or electricity; efficiency: heat per kWh of it (above
    1 for a heat pump); carbon: its factor per kWh of fuel or electricity (None: not counted); band: for a source that
    would have run later, the band of its tariff at whose next start, strictly after the interval's, it would have.
    """

    source: str
    share: Fraction
    efficiency: Fraction = Fraction(1)
    tariff: Priced | None = None
    price: Fraction | None = None
    carbon: Factor | None = None
    band: str | None = None

    def heat_price(self, start_s: int, end_s: int) -> Fraction | None:
        """Money per kWh of heat that heat of [start_s, end_s) UTC seconds displaces; None: nothing tells."""
        price = self.price
        if self.tariff is not None:
            if self.band is None:
                price = self.tariff.mean_price(start_s, end_s)
            else:
                then_s = self.tariff.next_start(self.band, start_s)
                price = None if then_s is None else self.tariff.price_at(then_s)
        return None if price is None else price / self.efficiency

    def heat_kg(self, start_s: int, end_s: int) -> Fraction | None:
        """kg CO2e per kWh of the same heat, at the time it would have been made; None: nothing tells."""
        if self.carbon is None:
            return None
        if self.tariff is not None and self.band is not None:
            then_s = self.tariff.next_start(self.band, start_s)
            if then_s is None:
                return None
            start_s, end_s = then_s, then_s + end_s - start_s
        factor = self.carbon.at(start_s, end_s)
        return None if factor is None else factor / self.efficiency

    def next_change(self, utc_s: float, start_s: int, interval_s: int) -> float:
        """The UTC second until which the price and carbon at utc_s, in the interval from start_s, hold."""
        change_s = self.carbon.next_change(utc_s) if self.carbon is not None else float("inf")
        if self.tariff is None:
            return change_s
        if self.band is None:
            return min(change_s, self.tariff.next_change(utc_s))
        then_s = self.tariff.next_start(self.band, start_s)
        if then_s is None:
            return min(change_s, start_s + interval_s)
        # The next start is counted from the interval's start: the first interval to start at or after it sees another.
        return min(change_s, then_s + -then_s % interval_s)


def total(parts: list[tuple[Fraction, Fraction | None]]) -> Fraction | None:
    """Σ share × amount; None if any amount is unknown, or there are none."""
    summed = Fraction(0)
    for share, amount in parts:
        if amount is None:
            return None
        summed += share * amount
    return summed if parts else None
