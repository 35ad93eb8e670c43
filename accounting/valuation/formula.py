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


def value(
    wh: int,
    rates: Rates,
    used: Fraction = _ONE,
    exportable: Fraction = _ONE,
    sellable_wh: int | None = None,
    unpriced_wh: int = 0,
) -> Worth:
    """Values diverted energy, Wh, by the design's formula; each product is rounded once, half to even.

    used: share (0–1) that displaces something; exportable: share (0–1) that could have been exported.
    sellable_wh: of wh, what came from the sun and would have been sold; all of it if not given. unpriced_wh: of the
    rest, what has no price of its own. Money counts only if both sides have a price, and carbon only if both have a
    factor: export displaces carbon too, and one side alone would flatter.
    """
    sold_wh = wh if sellable_wh is None else sellable_wh
    if rates.heat_price is None:
        unpriced_wh = wh
    elif rates.export_price is None:
        unpriced_wh += sold_wh
    both = rates.export_price is not None and rates.heat_price is not None
    given_up_mg = avoided_mg = 0
    if rates.export_kg is not None and rates.heat_kg is not None:
        given_up_mg = _thousandths(sold_wh, exportable, rates.export_kg)
        avoided_mg = _thousandths(wh, used, rates.heat_kg)
    given_up_marginal_mg = avoided_marginal_mg = None
    if rates.export_marginal_kg is not None and rates.heat_marginal_kg is not None:
        given_up_marginal_mg = _thousandths(sold_wh, exportable, rates.export_marginal_kg)
        avoided_marginal_mg = _thousandths(wh, used, rates.heat_marginal_kg)
    return Worth(
        amount(sold_wh, rates.export_price, exportable) if both else 0,
        amount(wh - unpriced_wh, rates.heat_price, used),
        given_up_mg,
        avoided_mg,
        given_up_marginal_mg,
        avoided_marginal_mg,
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
    return _thousandths(wh, share, rate) if rate is not None else 0


def half_even(numerator: int, denominator: int) -> int:
    """numerator / denominator (> 0) as a whole number, rounded half to even."""
    whole, rest = divmod(numerator, denominator)
    if 2 * rest > denominator or (2 * rest == denominator and whole & 1):
        return whole + 1
    return whole


def micro(price: Fraction | None) -> int | None:
    """A price in whole millionths, rounded half to even."""
    return None if price is None else half_even(price.numerator * 1_000_000, price.denominator)


def _thousandths(wh: int, share: Fraction, rate: Fraction) -> int:
    """Wh × money per kWh in millionths, or Wh × kg per kWh in mg: both are a thousand times the product.

    Multiplied out on the fractions' parts: as exact as fractions, and quicker.
    """
    return half_even(wh * 1000 * share.numerator * rate.numerator, share.denominator * rate.denominator)
