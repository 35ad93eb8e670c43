"""A number as people and devices write it, with or without its unit: "87%", "0 W", "1,5 kW", "64.2 °F".

A unit of the signal's own kind is converted to the signal's; any other is refused, for it would be another quantity.
"""

import re
from collections.abc import Mapping
from types import MappingProxyType

OTHER_UNIT = "states a unit that is not its signal's"
TWO_WAYS = "a comma before three digits may mean thousands or decimals"

Units = Mapping[str, tuple[float, float]]
"""By unit, in small letters but where its letters' size matters: factor and addend to the signal's unit."""

_TEXT = re.compile(
    r"([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([^\W\d_/](?:[^\d_]|(?<=O)2|(?<=m)3)*|[%°][^\d_]*)?"
)
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")


def _units(**factors: float) -> dict[str, tuple[float, float]]:
    return {unit: (factor, 0.0) for unit, factor in factors.items()}


_LITRE = _units(l=1, litre=1, litres=1, liter=1, liters=1, ml=0.001, m3=1000) | {"m³": (1000.0, 0.0)}
_CARBON = {
    f"{mass}{what}/kwh": (factor, 0.0)
    for mass, factor in (("kg", 1.0), ("g", 0.001))
    for what in ("", "co2", "co2e", "co2eq")
}
_BY_SIGNAL: Mapping[str, Units] = MappingProxyType(
    {
        "W": _units(w=1, kw=1000, watt=1, watts=1),
        # A mega and a milli differ by their letter's size alone: only the one that a meter can mean is known.
        "Wh": _units(wh=1, kwh=1000, MWh=1e6),
        "%": _units(pct=1, percent=1) | {"%": (1.0, 0.0)},
        "°C": {
            **dict.fromkeys(("c", "°c", "degc", "celsius"), (1.0, 0.0)),
            **dict.fromkeys(("f", "°f", "degf", "fahrenheit"), (5 / 9, -160 / 9)),
            **dict.fromkeys(("K", "kelvin"), (1.0, -273.15)),
        },
        "L": _LITRE,
        "kg/kWh": _CARBON,
    }
)
_BARE = (1.0, 0.0)


def units_of(unit: str) -> Units:
    """What may stand behind a number of a signal of this unit."""
    return _BY_SIGNAL.get(unit, {})


def quantity(text: str, units: Units) -> tuple[float, bool] | None:
    """The number in the signal's unit, and whether a stated unit was converted for it; None: the text is none.

    Raises ValueError, with the reason, for another unit and for a comma that can be read two ways.
    """
    found = _TEXT.fullmatch(text)
    if found is None:
        return None
    number, unit = found.groups()
    if _THOUSANDS.fullmatch(number):
        raise ValueError(TWO_WAYS)
    factor, addend = _BARE if unit is None else _factors(" ".join(unit.split()), units)
    return float(number.replace(",", ".")) * factor + addend, (factor, addend) != _BARE


def _factors(unit: str, units: Units) -> tuple[float, float]:
    plain = unit.replace("° ", "°")
    found = units.get(plain) or (None if plain == "mWh" else units.get(plain.casefold()))
    if found is None:
        raise ValueError(OTHER_UNIT)
    return found
