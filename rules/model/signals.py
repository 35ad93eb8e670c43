"""The named quantities a house can report. Signs and units are stated here, once."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from rules.model.wording import say

Kind = Literal["gauge", "counter", "price"]


@dataclass(frozen=True, slots=True)
class Signal:
    """A quantity with its unit in its name.

    lowest, highest: bounds beyond which a reading is impossible in any house.
    per_heater: whether one heater can have its own signal, named with the suffix `_HEATER`.
    """

    name: str
    kind: Kind
    unit: str
    about: str
    lowest: float
    highest: float
    per_heater: bool = False

    def can_read(self, value: float) -> bool:
        """Whether a reading of this value is possible; never one that is no number."""
        return self.lowest <= value <= self.highest


def _table(*signals: Signal) -> Mapping[str, Signal]:
    return MappingProxyType({signal.name: signal for signal in signals})


_W = 1e6
_WH = 1e12

SIGNALS: Mapping[str, Signal] = _table(
    Signal("grid_w", "gauge", "W", say("power at the meter: + import, − export"), -_W, _W),
    Signal("surplus_w", "gauge", "W", say("power flowing to the grid now, after what the heater takes"), -_W, _W),
    Signal("pv_w", "gauge", "W", say("solar generation"), -_W, _W),
    Signal("house_w", "gauge", "W", say("the house's use without the heater"), -_W, _W),
    Signal("battery_w", "gauge", "W", say("house battery: + charging, − discharging"), -_W, _W),
    Signal("battery_level_pct", "gauge", "%", say("house battery's charge"), 0, 100),
    Signal("car_w", "gauge", "W", say("car charger's draw"), -_W, _W),
    Signal("tank_level_pct", "gauge", "%", say("hot water available, share of a full tank"), 0, 110),
    Signal("tank_top_c", "gauge", "°C", say("water at the top of the tank"), -20, 130),
    Signal("tank_mid_c", "gauge", "°C", say("water in the middle of the tank"), -20, 130),
    Signal("tank_bottom_c", "gauge", "°C", say("water at the bottom of the tank"), -20, 130),
    Signal("diverted_w", "gauge", "W", say("power the heater takes from the surplus"), -_W, _W, per_heater=True),
    Signal("diverted_wh", "counter", "Wh", say("energy diverted, counting up"), 0, _WH, per_heater=True),
    Signal("topup_w", "gauge", "W", say("power the heater takes from the grid on purpose"), -_W, _W),
    Signal("topup_wh", "counter", "Wh", say("energy of top-ups, counting up"), 0, _WH),
    Signal("import_wh", "counter", "Wh", say("meter's import register"), 0, _WH),
    Signal("export_wh", "counter", "Wh", say("meter's export register"), 0, _WH),
    Signal("boiler_wh", "counter", "Wh", say("the boiler's heat or fuel, counting up"), 0, _WH),
    Signal("drawn_wh", "counter", "Wh", say("heat of the hot water drawn, above cold, counting up"), 0, _WH),
    Signal("water_l", "counter", "L", say("hot water drawn, counting up"), 0, _WH),
    Signal("import_price", "price", "per kWh", say("price of a kWh bought, now"), -1e4, 1e4),
    Signal("export_price", "price", "per kWh", say("price of a kWh sold, now"), -1e4, 1e4),
    Signal("grid_kg_per_kwh", "gauge", "kg/kWh", say("carbon of a grid kWh, now"), 0, 10),
    Signal("forecast_pv_wh", "gauge", "Wh", say("solar energy forecast for the day"), 0, _WH),
)

TEMPERATURES = ("tank_top_c", "tank_mid_c", "tank_bottom_c")
"""The tank's temperatures, from the top down. They have the same bounds."""


def find(name: str, heaters: Iterable[str] = ()) -> tuple[Signal, str | None] | None:
    """The signal a name stands for, and the heater it belongs to (None: the house).

    `diverted_wh` is the house's; `diverted_wh_upper` is heater "upper"'s, if there is such a heater.
    Returns None for a name that is not a signal.
    """
    if name in SIGNALS:
        return SIGNALS[name], None
    for heater in heaters:
        base = name.removesuffix(f"_{heater}")
        if base != name and base in SIGNALS and SIGNALS[base].per_heater:
            return SIGNALS[base], heater
    return None
