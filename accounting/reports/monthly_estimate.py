"""Solar power diverted to hot water by the monthly method of SAP 10.2 (appendices M and G4).

An estimate of another kind than a study: it knows a month's totals alone, no minute, no tank, no rule and no price. It
stands beside a study's figure so that a difference by a large factor is seen. Read in secondary copies of pp. 72-73 and
92-94 of SAP 10.2.
"""

from math import exp
from typing import NamedTuple

_ACCEPTED, _KEPT = 0.8, 0.9
"""Of the surplus, what the cylinder accepts; of that, what storage losses leave."""


class Month(NamedTuple):
    """A month, kWh: the sun's output, the house's use without the heater, the heat of the hot water wanted."""

    sun_kwh: float
    house_kwh: float
    hot_water_kwh: float


class Diverted(NamedTuple):
    """kWh: the sun's surplus, what is diverted of it, and the hot water that this saves heating otherwise."""

    surplus_kwh: float
    diverted_kwh: float
    saved_kwh: float


def used_share(sun_kwh: float, house_kwh: float, battery_kwh: float = 0.0) -> float:
    """The share of a month's solar output that the house uses itself, 0 to 1 (the method's beta).

    sun_kwh: output, above 0; house_kwh: use; battery_kwh: usable size of a battery, of which 15 count.
    """
    size = min(battery_kwh, 15.0)
    c1, c2, c3 = 1.610 - 0.0973 * size, 0.415 - 0.00776 * size, 0.511 + 0.0866 * size
    if house_kwh <= 0:
        return 0.0
    ratio = sun_kwh / house_kwh
    return min(exp(-c1 * (ratio * c2) ** c3), house_kwh / sun_kwh)


def diverted(month: Month) -> Diverted:
    """What a month's surplus gives the hot water, in a house without a battery.

    Its cylinder holds more than a day's hot water, and nothing else of the sun heats it; else the method counts none.
    """
    if month.sun_kwh <= 0:
        return Diverted(0.0, 0.0, 0.0)
    surplus_kwh = month.sun_kwh * (1.0 - used_share(month.sun_kwh, month.house_kwh))
    saved_kwh = min(surplus_kwh * _ACCEPTED * _KEPT, month.hot_water_kwh)
    return Diverted(surplus_kwh, saved_kwh / _KEPT, saved_kwh)
