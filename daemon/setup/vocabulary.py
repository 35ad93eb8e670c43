"""The words by which topics and members of payloads are called, and the signal that they stand for together."""

import re
from collections.abc import Mapping

_POWER = frozenset({"power", "w", "kw", "watt", "watts", "kilowatt", "now", "load", "draw"})
_WATTS = frozenset({"power", "w", "kw", "watt", "watts", "kilowatt"})
_ENERGY = frozenset({"energy", "wh", "kwh", "total", "counter", "register", "meter"})
_LEVEL = frozenset({"level", "charge", "soc", "pct", "percent", "percentage", "full", "fill"})
_TEMPERATURE = frozenset({"temp", "temperature", "c", "celsius", "degrees"})
_PRICE = frozenset({"price", "rate", "tariff", "cost"})
_TANK = frozenset({"tank", "cylinder", "hot", "dhw", "boiler"})
_DIVERTED = frozenset({"diverter", "diverted", "divert", "immersion", "heater", "element"})
_SUN = frozenset({"pv", "solar", "sun", "generation", "generated", "panel", "panels", "roof"})
_TOPUP = frozenset({"topup", "boost"})
_BATTERY = frozenset({"battery", "batteries", "storage"})
_IMPORT = frozenset({"import", "imported", "bought", "buy", "purchase", "consumed"})
_EXPORT = frozenset({"export", "exported", "sold", "sell", "feedin", "delivered"})
_GRID = frozenset({"grid", "meter", "mains", "net"})
_CAR = frozenset({"car", "ev", "vehicle", "charger"})
_CARBON = frozenset({"carbon", "co2", "co2e", "intensity", "emissions"})

_OTHERS = _DIVERTED | _CAR

# Each signal: one word out of every group must occur, and none of the last.
_NONE: frozenset[str] = frozenset()
RULES: Mapping[str, tuple[tuple[frozenset[str], ...], frozenset[str]]] = {
    "tank_level_pct": ((_TANK, _LEVEL), _TEMPERATURE | _BATTERY | _WATTS),
    "tank_top_c": ((_TANK, _TEMPERATURE, frozenset({"top", "upper", "high"})), _NONE),
    "tank_mid_c": ((_TANK, _TEMPERATURE, frozenset({"mid", "middle", "centre", "center"})), _NONE),
    "tank_bottom_c": ((_TANK, _TEMPERATURE, frozenset({"bottom", "lower", "low"})), _NONE),
    "diverted_w": ((_DIVERTED, _POWER), _ENERGY | _SUN | _TOPUP),
    "diverted_wh": ((_DIVERTED, _ENERGY), _SUN | _PRICE | _TOPUP),
    "battery_level_pct": ((_BATTERY, _LEVEL), _WATTS | _TEMPERATURE - {"c"}),
    "battery_w": ((_BATTERY, _POWER), _ENERGY | _LEVEL),
    "pv_w": ((_SUN, _POWER), _ENERGY | _BATTERY | frozenset({"forecast"})),
    "car_w": ((_CAR, _POWER), _ENERGY | _BATTERY),
    "import_price": ((_IMPORT, _PRICE), _ENERGY - frozenset({"kwh", "wh", "energy"})),
    "export_price": ((_EXPORT, _PRICE), _ENERGY - frozenset({"kwh", "wh", "energy"})),
    "topup_w": ((_TOPUP, _POWER), _ENERGY | _SUN),
    "topup_wh": ((_TOPUP, _ENERGY), _SUN | _PRICE),
    "import_wh": ((_IMPORT | {"in"}, _ENERGY), _PRICE | _SUN | _BATTERY | _DIVERTED),
    "export_wh": ((_EXPORT | {"out"}, _ENERGY), _PRICE | _SUN | _BATTERY | _DIVERTED),
    "boiler_wh": ((frozenset({"boiler", "gas"}), _ENERGY), _PRICE | _LEVEL | _DIVERTED),
    "water_l": ((frozenset({"water"}), frozenset({"volume", "litres", "liters", "l", "drawn"})), _TEMPERATURE),
    "grid_kg_per_kwh": ((_GRID, _CARBON), _NONE),
    "surplus_w": ((frozenset({"surplus", "excess", "spare"}), _POWER), _ENERGY),
    "grid_w": (
        (_GRID, _POWER),
        _ENERGY - _GRID | _CARBON | _IMPORT | _EXPORT | _PRICE | _OTHERS | _SUN | _BATTERY,
    ),
    "house_w": (
        (frozenset({"house", "home", "household"}), _POWER),
        _ENERGY | _SUN | _BATTERY | _GRID | _OTHERS | _TOPUP | _TANK,
    ),
    "forecast_pv_wh": ((_SUN, frozenset({"forecast"})), _POWER - frozenset({"kw", "now"})),
}

KILO = frozenset({"kw", "kwh", "kilowatt"})
UNITS = frozenset({"w", "wh", "watt", "watts"}) | KILO
"""Words that say a power's or an energy's unit."""
TIMES = frozenset({"t", "ts", "time", "timestamp", "at", "when", "date", "datetime", "utc"})
PAIRS: Mapping[str, tuple[frozenset[str], frozenset[str], frozenset[str]]] = {
    "battery_w": (
        _BATTERY,
        frozenset({"charge", "charging", "in", "input"}),
        frozenset({"discharge", "discharging", "out", "output"}),
    ),
    "grid_w": (_GRID, _IMPORT | {"in", "consumption"}, _EXPORT | {"out", "production"}),
}
"""Powers that come as two members, each with one direction: the words of the thing, of the plus, of the minus."""
PERMITS = frozenset({"permit", "permitted", "allow", "enable", "enabled", "switch", "set", "cmd", "command", "order"})
"""Words by which a topic that takes a heater's orders may be called."""
HEATERS = _DIVERTED


def words_of(text: str) -> tuple[str, ...]:
    """A name's words, small: "Cylinder/topTemp_C" gives cylinder, top, temp, c."""
    split = re.sub(r"([a-z0-9])([A-Z])", r"\1 \2", text)
    return tuple(re.findall(r"[a-z]+[0-9]?[a-z]*|[0-9]+", split.lower()))


def is_power(words: frozenset[str]) -> bool:
    """Whether words name a power and no energy."""
    return bool(words & _POWER) and not words & (_ENERGY - _GRID)
