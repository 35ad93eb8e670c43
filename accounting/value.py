"""What diverted energy cost and saved, in money and carbon: whole millionths and whole milligrams."""

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class Rates:
    """What a diverted kWh gives up and avoids, exact; None where nothing tells.

    export_price, heat_price: money per kWh; import_price: for reference; export_kg, heat_kg: kg CO2e per kWh.
    """

    export_price: Fraction | None = None
    heat_price: Fraction | None = None
    import_price: Fraction | None = None
    export_kg: Fraction | None = None
    heat_kg: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Worth:
    """Millionths of the currency unit, and mg CO2e."""

    given_up_micro: int
    avoided_micro: int
    given_up_mg: int
    avoided_mg: int


NOTHING = Worth(0, 0, 0, 0)
_ONE = Fraction(1)


def value(wh: int, rates: Rates, used: Fraction = _ONE, exportable: Fraction = _ONE) -> Worth:
    """Values diverted energy, Wh, by the design's formula; each product is rounded once, half to even.

    used: share (0–1) that displaces something; exportable: share (0–1) that could have been exported.
    A price that nothing tells counts as 0 on its side. Carbon counts only where both sides are told: export displaces
    carbon too, and one side alone would flatter.
    """
    if not wh:
        return NOTHING
    given_up_mg = avoided_mg = 0
    if rates.export_kg is not None and rates.heat_kg is not None:
        given_up_mg = _thousandths(wh, exportable, rates.export_kg)
        avoided_mg = _thousandths(wh, used, rates.heat_kg)
    return Worth(
        _thousandths(wh, exportable, rates.export_price) if rates.export_price is not None else 0,
        _thousandths(wh, used, rates.heat_price) if rates.heat_price is not None else 0,
        given_up_mg,
        avoided_mg,
    )


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
