"""One point for each settled interval of each heater."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from accounting.model.entry import Entry

MEASUREMENT = "diverted"
FIELDS = (
    "diverted_wh",
    "estimated_wh",
    "given_up",
    "avoided",
    "net",
    "avoided_kg",
    "given_up_kg",
    "net_kg",
    "coverage",
    "bought",
    "bought_kg",
    "battery_forgone",
    "unpriced_wh",
    "used",
    "export_price",
    "heat_value",
)
"""All fields that a point can have."""
LATER = frozenset({"bought", "bought_kg", "battery_forgone", "unpriced_wh", "used"})
"""Fields that points of the first version do not have."""
_MICRO_PER_UNIT = 1_000_000
_MG_PER_KG = 1_000_000


@dataclass(frozen=True, slots=True)
class Point:
    """A point for a time-series database. at_s: UTC second. Raises ValueError for a field that is not finite.

    The same measurement, tags and second name the same point, so that sending it twice changes nothing.
    """

    measurement: str
    tags: Mapping[str, str]
    fields: Mapping[str, int | float]
    at_s: int

    def __post_init__(self) -> None:
        for name, value in self.fields.items():
            # The client silently drops such a field, and a missing figure must not go unnoticed.
            if not math.isfinite(value):
                raise ValueError(
                    f"{self.measurement} at {self.at_s}: field {name}: expected a finite number, got {value}"
                )


def point(entry: Entry, home: str) -> Point:
    """The entry as a point dated by the interval's start.

    Fields: energy in Wh (integers); money in the currency unit, prices per kWh, carbon in kg CO2e, coverage (share
    of the interval that was measured, 0 to 1) and used (the share of the heat by which `avoided` was booked) as floats.
    net = avoided − given_up − bought; battery_forgone is part of given_up. A price that is not known is left out.
    """
    fields: dict[str, int | float] = {
        "diverted_wh": entry.diverted_wh,
        "estimated_wh": entry.estimated_wh,
        "given_up": entry.given_up_micro / _MICRO_PER_UNIT,
        "avoided": entry.avoided_micro / _MICRO_PER_UNIT,
        "net": entry.net_micro / _MICRO_PER_UNIT,
        "avoided_kg": entry.avoided_mg / _MG_PER_KG,
        "given_up_kg": entry.given_up_mg / _MG_PER_KG,
        "net_kg": entry.net_mg / _MG_PER_KG,
        "coverage": entry.measured_s / entry.interval_s,
        "bought": entry.bought_micro / _MICRO_PER_UNIT,
        "bought_kg": entry.bought_mg / _MG_PER_KG,
        "battery_forgone": entry.forgone_micro / _MICRO_PER_UNIT,
        "unpriced_wh": entry.diverted_wh if entry.one_sided else entry.unpriced_wh or 0,
    }
    if entry.used is not None:
        fields["used"] = float(Fraction(entry.used))
    prices = (("export_price", entry.export_price_micro), ("heat_value", entry.heat_value_micro))
    fields.update({name: micro / _MICRO_PER_UNIT for name, micro in prices if micro is not None})
    return Point(MEASUREMENT, {"home": home, "heater": entry.heater}, fields, entry.start_s)
