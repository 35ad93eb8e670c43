"""The rules' own tables. What a key means for the heater is said in rules/model/settings.py; here is what may be
written."""

from decimal import Decimal
from typing import Annotated

from pydantic import Field

from daemon.config.values import Day, FilePath, LocalTime, Name, Table, Within


class Limit(Table):
    """Hard temperature limit. It ranks below thermostat and cut-out and replaces neither."""

    maximum_c: Annotated[float, Within(30, 85)] = 70.0
    """No heating at or above this temperature anywhere in the tank, °C. Below 60 this heater cannot heat the tank
    against Legionella."""
    resume_below_c: Annotated[float, Within(20, 85)] | None = None
    """Heating is possible again below this, °C; 3 below maximum_c unless given."""

    @property
    def resume_c(self) -> float:
        """The temperature that is used, °C."""
        return self.resume_below_c if self.resume_below_c is not None else self.maximum_c - 3


class Full(Table):
    """When the tank is full, and when there is room again."""

    stop_at_pct: Annotated[float, Within(1, 100)] = 95.0
    """No heating at or above this level, %. A low one leaves the lower part of the tank lukewarm: mind Legionella."""
    resume_below_pct: Annotated[float, Within(0, 100)] | None = None
    """There is room again below this level, %; 7 below stop_at_pct unless given."""
    idle_w: Annotated[float, Within(0, 500)] = 30.0
    """A permitted heater that takes less than this takes nothing, W."""
    idle_after_s: Annotated[float, Within(30, 86400)] = 300.0
    """How long it must take nothing before its thermostat is taken to be satisfied, s."""
    idle_fall_pct: Annotated[float, Within(0, 100)] = 3.0
    """By how much the level must then fall before it is tried again, %."""
    retry_after_s: Annotated[float, Within(60, 604800)] = 3600.0
    """When it is tried again in any case, s."""

    @property
    def resume_pct(self) -> float:
        """The level that is used, %."""
        return self.resume_below_pct if self.resume_below_pct is not None else max(0.0, self.stop_at_pct - 7)


class Surplus(Table):
    """When there is surplus enough. What is already being diverted counts as surplus."""

    start_w: Annotated[float, Within(0, 50000)] = 200.0
    """Diversion starts at or above this mean, W."""
    stop_w: Annotated[float, Within(-10000, 50000)] = 0.0
    """Diversion stops below this mean, W. A negative one lets the heater buy as much."""
    over_s: Annotated[float, Within(1, 3600)] = 60.0
    """Length of the window the mean is taken over, s."""


class Battery(Table):
    """Keeps the house battery out of the tank."""

    minimum_level_pct: Annotated[float, Within(0, 100)] | None = None
    """No diversion below this charge of the battery, %. Needs the signal battery_level_pct."""
    maximum_discharge_w: Annotated[float, Within(0, 50000)] | None = None
    """No diversion while the battery discharges faster, W. Needs the signal battery_w."""


class Worth(Table):
    """Diverts only while the heat is worth more than the export."""

    enabled: bool = False
    """Whether the rule is asked."""
    margin: Annotated[Decimal, Within(-10000, 10000)] = Decimal(0)
    """By how much the heat must be worth more, money per kWh."""
    carbon_price_per_t: Annotated[Decimal, Within(0, 1000000)] = Decimal(0)
    """What the owner counts a tonne of CO2e at, in money; 0 leaves carbon out."""


class Rest(Table):
    """Minimum times between changes, which spare a contactor. Stopping for safety or a full tank never waits."""

    minimum_on_s: Annotated[float, Within(0, 7200)] = 60.0
    """Shortest time a diversion lasts, s; 0 for none."""
    minimum_off_s: Annotated[float, Within(0, 7200)] = 60.0
    """Shortest time between two diversions, s; 0 for none."""


class YieldTo(Table):
    """Another load that takes the surplus first, such as a car charger."""

    signal: Name
    """The signal of its power, such as car_w."""
    above_w: Annotated[float, Within(0, 50000)]
    """It goes first while it draws more than this, W."""
    for_s: Annotated[float, Within(0, 86400)] = 0.0
    """And for so long after, s."""


class Tracking(Table):
    """How a modulated heater follows the surplus."""

    margin_w: Annotated[float, Within(-2000, 5000)] = 50.0
    """Left to the grid, W."""
    reversals: Annotated[int, Within(1, 100)] = 3
    """Changes of sign of the correction, within over_s, from which its steps are halved."""
    over_s: Annotated[float, Within(1, 3600)] = 60.0
    """Time over which the changes are counted, s."""


class Absence(Table):
    """A time away, in the home's local time."""

    from_: LocalTime = Field(alias="from")
    """Its first day, or its first moment."""
    to: LocalTime
    """The day or moment of return, no longer away."""


class Away(Table):
    """Absences, in which nothing is diverted. After a week or more, heat the whole tank to 60 °C before you use it."""

    periods: Annotated[tuple[Absence, ...], Field(strict=False)] = ()
    """Each from … to …, `to` not included."""
    calendar_file: FilePath | None = None
    """iCalendar file (.ics) whose every event is a time away, besides those periods."""
    hot_on_return: bool = False
    """Whether the tank is heated, from the grid too, before the end of each absence, so that it is hot at the hour of
    return. Off unless it is asked for. Needs [tank] and a heater that obeys `heat`."""


class Hygiene(Table):
    """The whole tank hot often enough, against Legionella. It replaces no thermostat, no device and no duty that is
    prescribed where you live."""

    at_c: Annotated[float, Within(55, 70)] = 60.0
    """How hot the coldest water in the tank is to be, °C."""
    hold_minutes: Annotated[float, Within(1, 1440)] = 32.0
    """For how long without a break, minutes."""
    every_days: Annotated[float, Within(1, 60)] = 7.0
    """How often at the least, days."""
    heat: bool = True
    """Whether the heater is ordered `heat`, from the grid too, where the sun has not done it by the last day; without
    it brimful counts the days and raises the alarm, and something else has to heat. Never during an absence: what falls
    due in one is done in the last day's hours at home, or on the day of the return if that is a day or more away."""
    heater: Name | None = None
    """The heater at the bottom of the tank; the only one unless given."""
    thermostat_on_c: Annotated[float, Within(30, 85)] | None = None
    """Only where no signal reads tank_bottom_c: the temperature below which the thermostat of that heater, at the
    bottom of the tank, heats again, °C; often 5 to 8 below its setting (common practice, no source). From at_c on, a
    thermostat that ends the heating and does not begin again counts as a hot tank."""

    @property
    def hold_s(self) -> float:
        """The hold, s."""
        return self.hold_minutes * 60

    @property
    def every_s(self) -> float:
        """The period, s."""
        return self.every_days * 86_400


class Alternate(Table):
    """A fair comparison for `brimful verdict`: blocks of days with diversion and without, ordered by chance."""

    from_: Day | None = Field(default=None, alias="from")
    """Its first day; without one there is no comparison. A day to come: only days written down beforehand count."""
    pairs: Annotated[int, Within(3, 500)] = 12
    """How many pairs of blocks: one of each pair diverts, the other does not, in an order left to chance."""
    block_days: Annotated[int, Within(2, 31)] = 4
    """Days in a block."""
    settle_days: Annotated[int, Within(0, 30)] = 1
    """Days at each block's start that do not count, as the tank still holds the heat of the block before."""
    seed: Annotated[int, Within(0, 2**31)] = 1
    """Any number; another one gives another order."""


class Heaters(Table):
    """How several heaters share."""

    prefer: Annotated[tuple[Name, ...], Field(strict=False)] = ()
    """Heaters in the order of preference; those not named follow in the file's order."""
    together: bool = False
    """Whether two may be on at once. The wiring and the supply must allow for it."""


class Rules(Table):
    """What the heaters may do."""

    limit: Limit = Field(default_factory=Limit)
    """Hard temperature limit."""
    full: Full = Field(default_factory=Full)
    """When the tank is full."""
    surplus: Surplus = Field(default_factory=Surplus)
    """When there is surplus enough."""
    battery: Battery = Field(default_factory=Battery)
    """Keeps the house battery out of the tank."""
    worth: Worth = Field(default_factory=Worth)
    """Diverts only while the heat is worth more than the export."""
    rest: Rest = Field(default_factory=Rest)
    """Minimum times between changes."""
    yield_: YieldTo | None = Field(default=None, alias="yield")
    """Another load that takes the surplus first."""
    tracking: Tracking = Field(default_factory=Tracking)
    """How a modulated heater follows the surplus."""
    away: Away = Field(default_factory=Away)
    """Absences."""
    alternate: Alternate = Field(default_factory=Alternate)
    """A fair comparison of days with diversion and days without."""
    hygiene: Hygiene | None = None
    """The whole tank hot often enough."""
    heaters: Heaters = Field(default_factory=Heaters)
    """How several heaters share."""


_OPTIONAL: dict[str, type[Table]] = {"yield": YieldTo, "hygiene": Hygiene}  # whose table need not be there
TABLES: dict[str, type[Table]] = {
    name: _OPTIONAL.get(name) or info.annotation  # type: ignore[misc]
    for name, info in ((info.alias or field, info) for field, info in Rules.model_fields.items())
}
"""Each rule's table, by the name that the home file has for it."""
