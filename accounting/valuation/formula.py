"""What diverted energy cost and saved, in money and carbon: whole millionths and whole milligrams."""

from fractions import Fraction
from typing import NamedTuple

from rules.model.record import record


@record
class Rates:
    """What a diverted kWh gives up and avoids, exact; None where it is not known.

    export_price, heat_price: money per kWh; import_price: for reference; export_kg, heat_kg: kg CO2e per kWh on the
    basis the home states; export_marginal_kg, heat_marginal_kg: by marginal factors, if both kinds are given.
    """

    export_price: Fraction | None = None
    heat_price: Fraction | None = None
    import_price: Fraction | None = None
    export_kg: Fraction | None = None
    heat_kg: Fraction | None = None
    export_marginal_kg: Fraction | None = None
    heat_marginal_kg: Fraction | None = None


@record
class Worth:
    """Millionths of the currency unit, and mg CO2e; by marginal factors None unless both sides have such a factor.
    unpriced_wh: of the energy, what is in no amount of money, for it has a price on one side at most."""

    given_up_micro: int
    avoided_micro: int
    given_up_mg: int
    avoided_mg: int
    given_up_marginal_mg: int | None = None
    avoided_marginal_mg: int | None = None
    unpriced_wh: int = 0


class Cost(NamedTuple):
    """What bought energy cost, as `Worth` has it."""

    micro: int
    mg: int
    marginal_mg: int | None


_ONE = Fraction(1)
Ratio = tuple[int, int]
"""A numerator and a denominator above 0: an amount for each Wh."""


@record
class PerWh:
    """What a Wh gives up and avoids, in millionths and mg, by the design's formula; None where it does not count.

    Money counts only if both sides have a price, and carbon only if both have a factor: export displaces carbon too,
    and one side alone would flatter. avoided_micro is there for a price of the heat alone, since energy that is bought
    has its own price; sold: whether energy of the sun has one.
    """

    sold: bool
    given_up_micro: Ratio | None
    avoided_micro: Ratio | None
    given_up_mg: Ratio | None
    avoided_mg: Ratio | None
    given_up_marginal_mg: Ratio | None
    avoided_marginal_mg: Ratio | None

    @classmethod
    def of(cls, rates: Rates, used: Fraction = _ONE, exportable: Fraction = _ONE) -> "PerWh":
        """used: share (0–1) that displaces something; exportable: share (0–1) that could have been exported."""
        sides = (
            (rates.export_price, rates.heat_price),
            (rates.export_kg, rates.heat_kg),
            (rates.export_marginal_kg, rates.heat_marginal_kg),
        )
        money, carbon, marginal = (
            (None, None) if one is None or other is None else (_per_wh(exportable, one), _per_wh(used, other))
            for one, other in sides
        )
        avoided_micro = None if rates.heat_price is None else _per_wh(used, rates.heat_price)
        return PerWh(rates.export_price is not None, money[0], avoided_micro, *carbon, *marginal)

    def worth(self, wh: int, sellable_wh: int, unpriced_wh: int) -> Worth:
        """The worth of diverted energy, Wh, each product rounded once, half to even.

        sellable_wh: of wh, what came from the sun and would have been sold; unpriced_wh: of the rest, what has no price
        of its own.
        """
        if self.avoided_micro is None:
            unpriced_wh = wh
        elif not self.sold:
            unpriced_wh += sellable_wh
        return Worth(
            _times(sellable_wh, self.given_up_micro) or 0,
            _times(wh - unpriced_wh, self.avoided_micro) or 0,
            _times(sellable_wh, self.given_up_mg) or 0,
            _times(wh, self.avoided_mg) or 0,
            _times(sellable_wh, self.given_up_marginal_mg),
            _times(wh, self.avoided_marginal_mg),
            unpriced_wh,
        )


def cost(wh: int, price: Fraction | None, rates: Rates, share: Fraction = _ONE) -> Cost:
    """What energy taken from the grid or the battery cost, each product rounded once; share: of it, what counts. Money
    and carbon (a kWh of the grid's) only if both sides are known."""
    price = price if rates.heat_price is not None else None
    kg = rates.export_kg if rates.heat_kg is not None else None
    marginal_kg = rates.export_marginal_kg if rates.heat_marginal_kg is not None else None
    return Cost(
        amount(wh, price, share),
        amount(wh, kg, share),
        amount(wh, marginal_kg, share) if marginal_kg is not None else None,
    )


def amount(wh: int, rate: Fraction | None, share: Fraction = _ONE) -> int:
    """Wh × share × rate per kWh in millionths or mg, rounded once half to even; 0 if the rate is not known."""
    if rate is None:
        return 0
    numerator, denominator = _per_wh(share, rate)
    return half_even(wh * numerator, denominator)


def half_even(numerator: int, denominator: int) -> int:
    """numerator / denominator (> 0) as a whole number, rounded half to even."""
    whole, rest = divmod(numerator, denominator)
    if 2 * rest > denominator or (2 * rest == denominator and whole & 1):
        return whole + 1
    return whole


def micro(price: Fraction | None) -> int | None:
    """A price in whole millionths, rounded half to even."""
    return None if price is None else half_even(price.numerator * 1_000_000, price.denominator)


def _per_wh(share: Fraction, rate: Fraction) -> Ratio:
    """Share × money per kWh in millionths, or × kg per kWh in mg, of a Wh: both are a thousand times the product."""
    return 1000 * share.numerator * rate.numerator, share.denominator * rate.denominator


def _times(wh: int, per: Ratio | None) -> int | None:
    return None if per is None else half_even(wh * per[0], per[1])
