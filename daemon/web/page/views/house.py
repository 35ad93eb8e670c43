"""What the rooms need to know of a home file: its signals with their topics, and what the heater cannot do without."""

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.config.build import heater_signal
from daemon.config.model import Home
from rules.model.signals import TEMPERATURES, find

_BOOKED_GAUGES = ("diverted_w", "topup_w", "battery_w", "battery_level_pct", "grid_w", "grid_kg_per_kwh")


@dataclass(frozen=True, slots=True)
class HomeFacts:
    """A home file as the rooms use it.

    heaters: their names; topics: where each signal is expected; needed: the signals without which no heater is let on,
    or on which a rule that is set depends; booked: those that the books use; powers: by heater, the signal of its power
    (no entry: nothing measures it).
    """

    timezone: str
    heaters: tuple[str, ...]
    topics: Mapping[str, str]
    needed: tuple[str, ...]
    booked: tuple[str, ...]
    powers: Mapping[str, str]


def home_facts(home: Home) -> HomeFacts:
    """The facts of a home file."""
    signals, battery = home.signals, home.rules.battery
    needed = ["tank_level_pct", "surplus_w" if "surplus_w" in signals else "grid_w", *TEMPERATURES]
    if battery.minimum_level_pct is not None:
        needed.append("battery_level_pct")
    if battery.maximum_discharge_w is not None:
        needed.append("battery_w")
    if home.rules.yield_ is not None:
        needed.append(home.rules.yield_.signal)
    powers = {name: heater_signal(home, "diverted_w", name) for name in home.heaters}
    return HomeFacts(
        timezone=home.home.timezone,
        heaters=tuple(home.heaters),
        topics={name: signal.topic for name, signal in signals.items()},
        needed=tuple(dict.fromkeys(name for name in needed if name in signals)),
        booked=tuple(name for name in signals if _is_booked(name, tuple(home.heaters))),
        powers={name: signal for name, signal in powers.items() if signal is not None},
    )


def _is_booked(name: str, heaters: tuple[str, ...]) -> bool:
    known = find(name, heaters)
    return known is not None and (known[0].kind in ("counter", "price") or known[0].name in _BOOKED_GAUGES)
