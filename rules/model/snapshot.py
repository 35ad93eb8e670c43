"""What is known at one instant. The daemon builds it, the guards read it and never keep it."""

from dataclasses import dataclass
from typing import NamedTuple

from rules.model.reading import NEVER_LIVE_S, Reading
from rules.model.record import record
from rules.model.signals import TEMPERATURES


@dataclass(frozen=True, slots=True)
class Prices:
    """Prices in force, money per kWh, and carbon, kg per kWh; None where they are not known.

    heat_value: what a diverted kWh displaces, at the displaced sources' prices and efficiencies;
    heat_kg: the carbon of the same; until_s: UTC second from which other prices hold.
    """

    export_price: float | None = None
    import_price: float | None = None
    heat_value: float | None = None
    export_kg: float | None = None
    heat_kg: float | None = None
    until_s: float = float("inf")


@dataclass(frozen=True, slots=True)
class Jump:
    """A level that moved further between two readings than it can. at_s: forward-clock second of the later one."""

    at_s: float
    from_pct: float
    to_pct: float
    after_s: float


class Stretch(NamedTuple):
    """From when until when a heater is to heat, UTC seconds, the end not included."""

    from_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class HeatingTimes:
    """When the tank is to be heated on purpose; None where no such heating is planned.

    hygiene: to get the whole tank hot; homecoming: to have hot water for a return. until_s: UTC second at which they
    are planned again.
    """

    hygiene: Stretch | None = None
    homecoming: Stretch | None = None
    until_s: float = float("inf")

    def begun(self, utc_s: float) -> "HeatingTimes":
        """Those of the stretches that have begun by a UTC second, over or not."""
        hygiene, homecoming = (
            stretch if stretch is not None and stretch.from_s <= utc_s else None
            for stretch in (self.hygiene, self.homecoming)
        )
        return HeatingTimes(hygiene, homecoming)


@record
class Snapshot:
    """Latest readings (None: never heard) and what is derived from them.

    level: tank's charge, %, as reported or derived from its temperatures; after a jump the higher of two levels, until
    the next reading confirms one of them.
    surplus: W flowing to the grid now, after what the heaters take (from `surplus_w`, or minus `grid_w`).
    surplus_mean_w: mean over the surplus rule's window of surplus plus what is diverted; None before the first reading.
    measured: W each heater takes, in the order of the settings; None for a heater without a meter.
    yield_above_seen_s: forward-clock second until which the yield rule's signal is known to have been above its limit
    (-inf: never).
    level_taken_wh: what the heaters have taken, as far as it is metered, since the level last changed, at
    level_since_s; level_jumps: the latest jumps of the level; level_swings: its latest large steps, each in the
    opposite direction to the one before. heating_times: when the tank is to be heated on purpose.
    """

    level: Reading | None = None
    surplus: Reading | None = None
    surplus_mean_w: float | None = None
    measured: tuple[Reading | None, ...] = ()
    battery: Reading | None = None
    battery_level: Reading | None = None
    yielding: Reading | None = None
    yield_above_seen_s: float = float("-inf")
    top: Reading | None = None
    mid: Reading | None = None
    bottom: Reading | None = None
    prices: Prices = Prices()
    level_taken_wh: float = 0.0
    level_since_s: float = NEVER_LIVE_S
    level_jumps: tuple[Jump, ...] = ()
    level_swings: tuple[Jump, ...] = ()
    heating_times: HeatingTimes = HeatingTimes()

    @property
    def temperatures(self) -> tuple[tuple[str, Reading | None], ...]:
        """The tank's temperatures with their signals, from the top down."""
        return (*zip(TEMPERATURES, (self.top, self.mid, self.bottom), strict=True),)
