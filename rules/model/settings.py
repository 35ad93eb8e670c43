"""The owner's settings, as the rules see them. Made from the home file; every number has its unit in its name."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True, slots=True)
class Heater:
    """A heater. steps_w: the only powers it can take, ascending (empty: any whole W); can_heat: obeys `heat`."""

    name: str
    kind: Literal["gate", "modulated"]
    rated_w: float
    minimum_w: float = 0.0
    steps_w: tuple[int, ...] = ()
    can_heat: bool = False


@dataclass(frozen=True, slots=True)
class Limit:
    """Hard temperature limit for the hottest fresh reading in the tank, °C."""

    maximum_c: float = 70.0
    resume_below_c: float = 67.0


@dataclass(frozen=True, slots=True)
class Full:
    """Stop and resume levels, and when a heater that takes nothing counts as satisfied by its thermostat.

    stop_at_pct, resume_below_pct: levels, %. idle_w: a permitted heater that takes less than this takes "nothing";
    idle_after_s: for how long it must take nothing; retry_after_s: when it is tried again if the level has not fallen
    by `idle_fall_pct`.
    """

    stop_at_pct: float = 95.0
    resume_below_pct: float = 88.0
    idle_w: float = 30.0
    idle_after_s: float = 300.0
    idle_fall_pct: float = 3.0
    retry_after_s: float = 3600.0


@dataclass(frozen=True, slots=True)
class Surplus:
    """Start at or above start_w, stop below stop_w: mean surplus over over_s. Diverted power counts as surplus."""

    start_w: float = 200.0
    stop_w: float = 0.0
    over_s: float = 60.0


@dataclass(frozen=True, slots=True)
class Battery:
    """No diversion while the house battery is below this level or discharges faster. None: no such limit."""

    minimum_level_pct: float | None = None
    maximum_discharge_w: float | None = None


@dataclass(frozen=True, slots=True)
class Yield:
    """Another load goes first: while `signal` is above `above_w`, and for `for_s` after."""

    signal: str
    above_w: float
    for_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Worth:
    """Divert only while the heat's value, less `margin` per kWh, is at least the export price.

    carbon_price_per_t: the owner's price of a tonne of CO2e, in the home's currency; 0 leaves carbon out.
    """

    enabled: bool = False
    margin: float = 0.0
    carbon_price_per_t: float = 0.0


@dataclass(frozen=True, slots=True)
class Rest:
    """Minimum on and off times. They never delay a stop for safety or for a full tank."""

    minimum_on_s: float = 0.0
    minimum_off_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Tracking:
    """How a modulated heater follows the surplus.

    margin_w: power left to the grid; reversals: from this many sign changes of the correction within `over_s` on, steps
    are halved.
    """

    margin_w: float = 50.0
    reversals: int = 3
    over_s: float = 60.0


@dataclass(frozen=True, slots=True)
class Away:
    """Absences as (start, end) pairs of UTC seconds, ascending, end not included.

    heater: the heater that heats the tank for the return, "" if none does; need_s: how long that takes from cold.
    """

    periods: tuple[tuple[float, float], ...] = ()
    heater: str = ""
    need_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Hygiene:
    """How hot the whole tank must get, for how long without a break, and how often: unless given, as AS/NZS 3498 clause
    7.1(j) has it (read in a secondary copy).

    heater: the heater at the bottom of the tank; why_not: why that heater is not ordered `heat` when it is time, "" if
    it is ordered; need_s: how long heating takes from cold, with the hold and a margin; measured: whether there is a
    temperature sensor at the bottom; thermostat_on_c: the temperature below which that heater's own thermostat heats
    again (None: not known).
    """

    heater: str
    at_c: float = 60.0
    hold_s: float = 32 * 60.0
    every_s: float = 7 * 86_400.0
    need_s: float = 0.0
    measured: bool = True
    thermostat_on_c: float | None = None
    why_not: str = ""

    @property
    def inferred(self) -> bool:
        """Whether there is no sensor at the bottom, but the heater's thermostat can stand in for it."""
        return not self.measured and self.thermostat_on_c is not None and self.thermostat_on_c >= self.at_c

    @property
    def can_be_known(self) -> bool:
        """Whether a sensor or the thermostat can show that the whole tank is hot."""
        return self.measured or self.inferred


@dataclass(frozen=True, slots=True)
class Alternate:
    """Days of a fair comparison as (start, end, whether they divert), UTC seconds, ascending, end not included."""

    runs: tuple[tuple[float, float, bool], ...] = ()


@dataclass(frozen=True, slots=True)
class Tank:
    """What bounds the tank's level. full_wh: heat between an empty and a full tank; loss_w: loss of a full tank."""

    volume_l: float
    full_wh: float
    loss_w: float


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of the rules.

    heaters: in the order of preference, at least one; stale_after_s: by signal name (a signal without one is never
    fresh); temperatures: the tank's temperature signals that the home has (nothing heats until they are known);
    tank: None if the home file does not describe it (a frozen level is then not found); hygiene: None if that rule is
    off; watching: the orders are not sent, so that what the heaters do is no answer to them; follows_plan: whether
    tonight's plan may order the heater to heat.
    """

    heaters: tuple[Heater, ...]
    stale_after_s: Mapping[str, float]
    limit: Limit = field(default_factory=Limit)
    full: Full = field(default_factory=Full)
    surplus: Surplus = field(default_factory=Surplus)
    battery: Battery = field(default_factory=Battery)
    yields: Yield | None = None
    worth: Worth = field(default_factory=Worth)
    rest: Rest = field(default_factory=Rest)
    tracking: Tracking = field(default_factory=Tracking)
    away: Away = field(default_factory=Away)
    alternate: Alternate = field(default_factory=Alternate)
    hygiene: Hygiene | None = None
    together: bool = False
    timezone: str = "UTC"
    currency: str = ""
    temperatures: tuple[str, ...] = ()
    tank: Tank | None = None
    watching: bool = False
    follows_plan: bool = False
