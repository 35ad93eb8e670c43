"""What the hardware cost, and what the verdict is to work with."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from daemon.config.values import Day, FilePath, Table, Text, Within

Money = Annotated[Decimal, Within(0, 1_000_000)]
"""An amount of money, exact."""
Rate = Annotated[Decimal, Within(-1, 1)]
"""A share per year."""


class Replaced(Table):
    """A part that has to be replaced, once."""

    after_years: Annotated[float, Within(0, 100, above=True)]
    """Years after it was bought."""
    cost: Money
    """What that costs, fitting included."""


class Hardware(Table):
    """A thing that was bought for diverting, and what it costs to have."""

    name: Text
    """Its name, for people."""
    bought: Day | None = None
    """The day it was bought."""
    cost: Money
    """What it cost."""
    fitting: Money = Decimal(0)
    """What fitting it cost."""
    life_years: Annotated[float, Within(1, 100)] = 15.0
    """Years until it has to be bought anew, at its cost without the fitting."""
    embodied_kg: Annotated[float, Within(0, 100000)] | None = None
    """Carbon of making it, kg CO2e."""
    standby_w: Annotated[float, Within(0, 1000)] | None = None
    """What it draws day and night, W; 0 for nothing."""
    replaced: Annotated[tuple[Replaced, ...], Field(strict=False)] = ()
    """Parts that have to be replaced in its life."""


class Growth(Table):
    """How prices are assumed to grow, beyond inflation: 0.02 is 2 % a year."""

    electricity: Rate = Decimal(0)
    """Of electricity bought."""
    gas: Rate = Decimal(0)
    """Of gas."""
    export: Rate = Decimal(0)
    """Of electricity sold."""


class ExcludedDays(Table):
    """Days of the history that are not to count."""

    from_: Day = Field(alias="from")
    """First day that does not count."""
    to: Day
    """First day that counts again."""
    why: Text
    """Why: guests, a fault."""


class Verdict(Table):
    """What `brimful verdict` works with."""

    history: FilePath | None = None
    """CSV file of what was bought in past periods, before and after the hardware."""
    installed: Day | None = None
    """First day with the hardware; the day the first of it was bought unless given."""
    meter: Literal["water", "house"] = "water"
    """Whether the history's energy is what hot water took, or all that the house took."""
    discount: Annotated[Decimal, Within(0, 1)] = Decimal("0.035")
    """What money is worth less a year from now, beyond inflation: 0.035 is 3.5 %."""
    years: Annotated[int, Within(1, 50)] | None = None
    """Years to look ahead; the hardware's longest life unless given."""
    growth: Growth = Field(default_factory=Growth)
    """How prices are assumed to grow."""
    exclude: Annotated[tuple[ExcludedDays, ...], Field(strict=False)] = ()
    """Days of the history that are not to count; a period with such a day counts for nothing."""
    boiler_efficiency: Annotated[Decimal, Within(0, 2, above=True)] | None = None
    """Heat out for gas in, gross, while it heats water; what [[displaces]] or [tank] say unless given."""
