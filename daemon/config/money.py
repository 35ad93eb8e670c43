"""What energy costs and emits, and what diverted heat displaces. Money and shares are exact decimals."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from daemon.config.values import Clock, Day, FilePath, Name, Price, Table, Text, Within, Words

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Band(Table):
    """A price and when it holds. Without times: the rest of the day."""

    name: Name
    """Name, such as night."""
    from_: Clock | None = Field(default=None, alias="from")
    """Start, HH:MM."""
    to: Clock | None = None
    """End, HH:MM, not included; at or before the start it is on the day after."""
    days: Annotated[tuple[Weekday, ...], Field(strict=False)] = ()
    """Days on which it starts; every day unless given."""
    price: Price
    """Money per kWh, tax included where it is paid."""


class Period(Table):
    """A time for which a tariff's prices are in force."""

    from_: Day = Field(alias="from")
    """First day in force."""
    to: Day | None = None
    """First day no longer in force; open-ended unless given."""
    clock: Literal["local", "utc"] = "local"
    """Whether the bands' times are the home's local ones or UTC."""
    bands: Annotated[tuple[Band, ...], Field(strict=False, min_length=1)]
    """Prices over the day; together they cover it once."""
    standing_per_day: Annotated[Decimal, Within(-10000, 10000)] = Decimal(0)
    """Standing charge, money per day."""


class Tariff(Table):
    """Prices of energy bought, sold or burnt."""

    direction: Literal["import", "export", "fuel"]
    """What it prices: electricity bought, electricity sold, or fuel."""
    periods: Annotated[tuple[Period, ...], Field(strict=False)] = ()
    """Prices by date; or give series."""
    series: FilePath | None = None
    """CSV file of time,price rows, each in force until the next; or give periods."""


class Carbon(Table):
    """Carbon of a kWh of energy."""

    kg_per_kwh: Annotated[Decimal, Within(0, 10)] | None = None
    """kg CO2e per kWh; or give series."""
    series: FilePath | None = None
    """CSV file of time,kg_per_kwh rows, each in force until the next; or give kg_per_kwh."""
    basis: Literal["average", "marginal"]
    """Whether it is the average of all generation, or of what answers to a change."""
    source: Text
    """Who published it."""
    year: Annotated[int, Within(1990, 2100)]
    """The year it is for."""


class Displaces(Table):
    """A source that would have made the heat otherwise."""

    source: Text
    """Its name, for people."""
    share: Annotated[Decimal, Within(0, 1, above=True)]
    """Its share of the diverted heat; the shares of all add up to 1."""
    tariff: Name | None = None
    """The tariff that prices it; or give price."""
    price: Price | None = None
    """Its price, money per kWh; or give tariff."""
    efficiency: Annotated[Decimal, Within(0, 10, above=True)] = Decimal(1)
    """Heat out for energy in; above 1 for a heat pump."""
    carbon: Name | None = None
    """The carbon factor of its energy."""
    when: (
        Annotated[
            str,
            Field(pattern=r"^next [a-z][a-z0-9_]{0,39}$"),
            Words('"next NAME", where NAME is a band of its tariff', 'as in "next night"'),
        ]
        | None
    ) = None
    """ "next NAME": priced at that band's next start, as noon's heat displaces tonight's; else at the moment's."""

    @property
    def band(self) -> str | None:
        """The band named in `when`."""
        return self.when.removeprefix("next ") if self.when else None


class BookKeeping(Table):
    """How the books are kept."""

    used: Annotated[Decimal, Within(0, 1)] = Decimal(1)
    """Share of the diverted heat that displaces something."""
    late_s: Annotated[int, Within(0, 86400)] = 120
    """How late a reading may come and still be put in its place, s."""
