"""What prices hold now, and where a series has none: lines of `check`."""

from collections.abc import Callable, Iterator
from fractions import Fraction

from accounting.pricing.bands import DAY_S
from accounting.pricing.series import Series
from accounting.pricing.signal_series import HeardSeries
from accounting.pricing.tariffs import Priced, Tariff
from daemon.config.build_money import factors, tariffs
from daemon.config.model import Home
from rules.model.formatting import clock, duration, money

LOOKED_BACK_S = 30 * DAY_S


def price_lines(home: Home, now_s: float) -> Iterator[tuple[bool, str]]:
    """For each tariff and each factor that changes: whether it has a price now, and a sentence. now_s: UTC seconds.

    Raises BrimfulError where a file cannot be read.
    """
    currency = home.home.currency

    def priced(value: Fraction) -> str:
        return money(float(value), currency)

    for name, tariff in tariffs(home).items():
        well, said = _price_line(tariff, home.home.timezone, now_s, priced)
        yield well, f"{name}: {said}"
    for name, factor in factors(home).items():
        if not isinstance(factor.kg_per_kwh, Fraction):
            well, said = _price_line(factor.kg_per_kwh, home.home.timezone, now_s, _kg)
            yield well, f"carbon of {name}: {said}"


def _kg(value: Fraction) -> str:
    return f"{float(value):.4f} kg per kWh"


def _price_line(priced: Priced, timezone: str, now_s: float, words: Callable[[Fraction], str]) -> tuple[bool, str]:
    if isinstance(priced, HeardSeries):
        return True, f"as it is heard, by {priced.signal}"
    price = priced.price_at(now_s)
    if price is None:
        return False, "no price is known now: what is diverted counts as unpriced" + _gaps(priced, now_s)
    said = f"{words(price)} now"
    if isinstance(priced, Tariff):
        period = priced.period_at(now_s)
        named = [priced.band_at(now_s) or "", period.supplier if period is not None else ""]
        said += f" ({', '.join(filter(None, named))})"
        change_s = priced.next_change(now_s)
        then = priced.price_at(change_s)
        if then != price:
            after = "no price known" if then is None else words(then)
            said += f"; from {clock(change_s, timezone, now_s)} {after}"
    elif isinstance(priced, Series) and priced.end_s is not None:
        said += f"; known until {clock(priced.end_s, timezone, now_s)}"
    return True, said + _gaps(priced, now_s)


def _gaps(priced: Priced, now_s: float) -> str:
    """What a series lacks of the last 30 days, from its first row on."""
    if not isinstance(priced, Series) or priced.start_s is None:
        return ""
    from_s = max(priced.start_s, int(now_s) - LOOKED_BACK_S)
    gaps = priced.gaps(from_s, int(now_s))
    if not gaps:
        return ""
    many = "a gap" if len(gaps) == 1 else f"{len(gaps)} gaps"
    return f"; {many} in the last 30 days, {duration(sum(gap.end_s - gap.start_s for gap in gaps))} in all"
