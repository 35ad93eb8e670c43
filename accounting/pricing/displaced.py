"""The sources that would have made this heat otherwise, each with its share, price, efficiency and carbon."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from accounting.pricing.bands import Band, Day, days_that_differ, rests, stretches
from accounting.pricing.carbon import Factor
from accounting.pricing.tariffs import Priced

_NONE = Fraction(0)


@dataclass(frozen=True)
class Displaced:
    """One displaced source.

    share: of the heat, 0–1; tariff, or price per kWh of its fuel or electricity; efficiency: heat per kWh of it (above
    1 for a heat pump); carbon: its factor per kWh of fuel or electricity (None: not counted); band: for a source that
    would have run later, the band of its tariff at whose next start, strictly after the interval's, it would have.
    carbon_marginal: the same energy's factor on the other basis, counted beside `carbon` and never added to it.
    shares: its share by season, day and hour, in the place of prices, where it is not `share` all the time: 0 while the
    boiler is off, say. recorded: the account that what it makes is booked on (`boiler`, `grid` for every band, or
    `grid:BAND`), for shares by the home's own past; "" for none.
    gives_up_standing: whether its tariff's standing charge would end if it was never needed again.
    """

    source: str
    share: Fraction
    efficiency: Fraction = Fraction(1)
    tariff: Priced | None = None
    price: Fraction | None = None
    carbon: Factor | None = None
    band: str | None = None
    carbon_marginal: Factor | None = None
    shares: Priced | None = None
    gives_up_standing: bool = False
    recorded: str = ""

    def share_over(self, start_s: int, end_s: int) -> Fraction:
        """Its mean share of the heat of [start_s, end_s) UTC seconds."""
        return self.share if self.shares is None else self.shares.mean_price(start_s, end_s) or _NONE

    def heat_price(self, start_s: int, end_s: int) -> Fraction | None:
        """Money per kWh of heat that heat of [start_s, end_s) UTC seconds displaces while it has a share; None: not
        known, or it has no share."""
        return self._per_heat(self._while_shared(start_s, end_s, self._price))

    def heat_kg(self, start_s: int, end_s: int, *, marginal: bool = False) -> Fraction | None:
        """kg CO2e per kWh of the same heat, at the time it would have been made; None: not known, or no share."""
        factor = self.carbon_marginal if marginal else self.carbon
        if factor is None:
            return None
        if self.tariff is not None and self.band is not None:
            then_s = self.tariff.next_start(self.band, start_s)
            if then_s is None:
                return None
            kg = factor.at(then_s, then_s + end_s - start_s)
        else:
            kg = self._while_shared(start_s, end_s, factor.at)
        return self._per_heat(kg)

    def _per_heat(self, amount: Fraction | None) -> Fraction | None:
        """An amount per kWh of its fuel or electricity, converted to per kWh of heat."""
        return amount if amount is None or self.efficiency == 1 else amount / self.efficiency

    def _price(self, start_s: int, end_s: int) -> Fraction | None:
        if self.tariff is None:
            return self.price
        if self.band is None:
            return self.tariff.mean_price(start_s, end_s)
        then_s = self.tariff.next_start(self.band, start_s)
        return None if then_s is None else self.tariff.price_at(then_s)

    def _while_shared(self, start_s: int, end_s: int, amount: Callable[[int, int], Fraction | None]) -> Fraction | None:
        """The mean of an amount over the time in which it has a share, by share and time."""
        if self.shares is None or self.band is not None:
            return amount(start_s, end_s)
        summed = weight = _NONE
        for piece in self.shares.pieces(start_s, end_s):
            if not piece.price:
                continue
            found = amount(piece.start_s, piece.end_s)
            if found is None:
                return None
            weight += piece.price * (piece.end_s - piece.start_s)
            summed += piece.price * (piece.end_s - piece.start_s) * found
        return summed / weight if weight else None

    def next_change(self, utc_s: float, start_s: int, interval_s: int) -> float:
        """The UTC second until which share, price and carbon at utc_s, in the interval from start_s, hold."""
        change_s = self.carbon.next_change(utc_s) if self.carbon is not None else float("inf")
        if self.shares is not None:
            change_s = min(change_s, self.shares.next_change(utc_s))
        if self.tariff is None:
            return change_s
        if self.band is None:
            return min(change_s, self.tariff.next_change(utc_s))
        then_s = self.tariff.next_start(self.band, start_s)
        if then_s is None:
            return min(change_s, start_s + interval_s)
        # The next start is counted from the interval's start: the first interval to start at or after it sees another.
        return min(change_s, then_s + -then_s % interval_s)


def total(parts: Sequence[tuple[Fraction, Fraction | None]]) -> Fraction | None:
    """Σ share × amount; None if any amount is unknown that has a share, or there are none."""
    summed = None if not parts else _NONE
    for share, amount in parts:
        if not share:
            continue
        if amount is None:
            return None
        summed = summed + share * amount if summed else share * amount
    return summed


def uneven(shares: Sequence[Band], holidays: bool) -> tuple[Fraction, Day, int] | None:
    """Where shares by season, day and hour do not add up to 1: their sum, the kind of day, and the second of it.

    shares: one band for each source, its price the share; without times, it has it all day. holidays: whether some days
    are holidays.
    """
    for today, yesterday in days_that_differ(shares, holidays):
        for start_s, _, claimed in stretches(shares, today, yesterday):
            summed = sum((band.price for band in (*claimed, *rests(shares, today))), _NONE)
            if summed != 1:
                return summed, today, start_s
    return None
