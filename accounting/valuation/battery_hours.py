"""When the house battery gives, by the hour of the local day, and what a kWh of it saves then.

The weights are kept with each entry, as text: so an interval that is valued anew finds the same hours. A kWh of the
battery is worth the import price of those hours, each at its next coming after the interval.
"""

from collections.abc import Mapping
from datetime import datetime
from fractions import Fraction
from zoneinfo import ZoneInfo

from accounting.model.apportion import spread
from accounting.pricing.tariffs import Priced

HOUR_S = 3600
DAY_HOURS = 24
EVENING = "17:1 18:1 19:1 20:1 21:1 22:1"
"""The hours as long as nothing is known of the battery: a home's evening (common practice, no source)."""


def hours_text(energy: Mapping[int, int]) -> str | None:
    """Energy by local hour, 0 to 23, as weights in percent: "18:60 19:40"; None without any."""
    hours = sorted(energy)
    if not sum(energy.values()):
        return None
    parts = zip(hours, spread(100, [energy[hour] for hour in hours]), strict=True)
    return " ".join(f"{hour}:{weight}" for hour, weight in parts if weight)


def price_by_hours(imports: Priced, hours: str, after_s: int, zone: ZoneInfo) -> Fraction | None:
    """The import price of those hours, by weight, each at its first full coming from after_s on (UTC seconds).

    None where the price of one of them is not known.
    """
    weights = {int(hour): int(weight) for hour, _, weight in (part.partition(":") for part in hours.split())}
    first_s = -(-after_s // HOUR_S) * HOUR_S
    summed = Fraction(0)
    found = 0
    for start_s in range(first_s, first_s + 2 * DAY_HOURS * HOUR_S, HOUR_S):  # some days lack an hour
        weight = weights.pop(local_hour(start_s, zone), 0)
        if not weight:
            continue
        price = imports.mean_price(start_s, start_s + HOUR_S)
        if price is None:
            return None
        summed += weight * price
        found += weight
    return summed / found if found else None


def local_hour(utc_s: int, zone: ZoneInfo) -> int:
    """The hour of the local day in which an instant lies."""
    return datetime.fromtimestamp(utc_s, zone).hour
