"""What energy costs and emits, and what diverted heat displaces. Money and shares are exact decimals."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field

from daemon.config.values import Clock, Day, FeedUrl, FilePath, Name, Pointer, Price, Table, Text, Topic, Within, Words

DayName = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday"]
Month = Annotated[int, Within(1, 12)]


NOTHING = "nothing"
TaxPct = Annotated[Decimal, Within(0, 100)]


class Band(Table):
    """A price and when it holds. Without times: the rest of the day."""

    name: Name
    """Name, such as night."""
    from_: Clock | None = Field(default=None, alias="from")
    """Start, HH:MM."""
    to: Clock | None = None
    """End, HH:MM, not included; at or before the start it is on the day after."""
    days: Annotated[tuple[DayName, ...], Field(strict=False)] = ()
    """Days on which it starts; every day unless given. On a public holiday only "holiday" counts, not its weekday."""
    months: Annotated[tuple[Month, ...], Field(strict=False)] = ()
    """Months, 1 to 12, in which it starts; every month unless given."""
    price: Price
    """Money per kWh; with tax, unless tax_included says otherwise."""


class Block(Table):
    """A price for part of what a month takes."""

    up_to_kwh: Annotated[Decimal, Within(0, 1000000, above=True)] | None = None
    """The month's consumption up to which it holds, kWh; the last block goes on without end."""
    price: Price
    """Money per kWh; with tax, unless tax_included says otherwise."""


class Period(Table):
    """A time for which a tariff's prices are in force."""

    from_: Day = Field(alias="from")
    """First day in force."""
    to: Day | None = None
    """First day no longer in force; open-ended unless given."""
    clock: Literal["local", "utc"] = "local"
    """Whether the bands' times are the home's local ones or UTC."""
    bands: Annotated[tuple[Band, ...], Field(strict=False, min_length=1)] = ()
    """Prices over the day; together they cover it once. Or give blocks."""
    blocks: Annotated[tuple[Block, ...], Field(strict=False, min_length=1)] = ()
    """Prices by the month's consumption, in ascending order. Or give bands."""
    assume_kwh_per_month: Annotated[Decimal, Within(0, 1000000, above=True)] | None = None
    """With blocks: what a month takes in all, kWh. A kWh that need not be bought saves the last one's price."""
    standing_per_day: Annotated[Decimal, Within(-10000, 10000)] = Decimal(0)
    """Standing charge, money per day."""
    supplier: Text | None = None
    """Who sells or buys, for people."""
    deemed_share: Annotated[Decimal, Within(0, 1)] | None = None
    """For export that is not metered: the share of the generation that is paid as exported, whatever really is."""
    tax_included: bool | None = None
    """Whether its prices have the tax in them; as the tariff says unless given."""
    tax_pct: TaxPct | None = None
    """Tax on its prices, %; as the tariff says unless given."""


class Ahead(Table):
    """Prices published ahead. They are kept in a file beside the ledger."""

    rows: Pointer = ""
    """Where in the payload the list of rows is, RFC 6901; the payload itself unless given."""
    time: Pointer
    """Where in a row its time is: ISO 8601 with its offset, or seconds or milliseconds since 1970."""
    value: Pointer
    """Where in a row its price or factor is."""
    scale: Annotated[Decimal, Within(-1000000, 1000000)] = Decimal(1)
    """What it is multiplied by to be money, or kg, per kWh."""
    minutes: Annotated[int, Within(1, 1440)]
    """How long a row holds, unless the next comes sooner."""


class Fetched(Ahead):
    """Rows from an address."""

    kind: Literal["http"]
    """Kind of source."""
    url: FeedUrl
    """Its address; {today} and {tomorrow} in it become the home's dates."""
    refresh_minutes: Annotated[int, Within(5, 10080)] = 60
    """How often it is asked."""
    redirects_to: Annotated[tuple[Text, ...], Field(strict=False)] = ()
    """Hosts besides its own that the address may redirect to."""


class Listened(Ahead):
    """Rows from an MQTT topic."""

    kind: Literal["mqtt"]
    """Kind of source."""
    topic: Topic
    """The topic."""


class PluggedIn(Table):
    """Rows from a plug-in: a package of its own, installed beside brimful."""

    kind: Literal["plugin"]
    """Kind of source."""
    source: Text
    """Its name among the entry points `brimful.price_sources`."""
    options: dict[Text, Text | bool | int | Decimal] = Field(default_factory=dict)
    """The plug-in's own options; its documentation lists them."""
    secret_file: FilePath | None = None
    """File that holds a key for it, readable by its owner alone; the plug-in gets it as the option `secret`."""
    scale: Annotated[Decimal, Within(-1000000, 1000000)] = Decimal(1)
    """What its values are multiplied by to be money, or kg, per kWh."""
    minutes: Annotated[int, Within(1, 1440)]
    """How long a row holds, unless the next comes sooner."""
    refresh_minutes: Annotated[int, Within(5, 10080)] = 60
    """How often it is asked."""


Live = Annotated[Fetched | Listened | PluggedIn, Field(discriminator="kind")]


class Tariff(Table):
    """Prices of energy bought, sold or burnt."""

    direction: Literal["import", "export", "fuel"]
    """What it prices: electricity bought, electricity sold, or fuel."""
    periods: Annotated[tuple[Period, ...], Field(strict=False)] = ()
    """Prices by date; or give series."""
    series: FilePath | None = None
    """CSV file of time,price rows, each in force until the next; or give periods."""
    signal: Literal["import_price", "export_price"] | None = None
    """The signal that gives the price of the moment; it counts for the time it is heard. Or give periods."""
    live: Live | None = None
    """A source that publishes the prices ahead. Or give periods."""
    tax_included: bool = True
    """Whether the prices, and the standing charge, have the tax in them."""
    tax_pct: TaxPct | None = None
    """Tax on them, %; added exactly where they are without it."""

    def untaxed(self, period: Period | None = None) -> bool:
        """Whether tax is still to be added to a period's prices, or to the series'."""
        stated = period.tax_included if period is not None else None
        return not (self.tax_included if stated is None else stated)

    def tax_of(self, period: Period | None = None) -> Decimal | None:
        """The tax on a period's prices, or on the series', %."""
        stated = period.tax_pct if period is not None else None
        return self.tax_pct if stated is None else stated


class Marginal(Table):
    """The marginal factor of the same energy, counted beside the average one and never added to it."""

    kg_per_kwh: Annotated[Decimal, Within(0, 10)] | None = None
    """kg CO2e per kWh; or give series."""
    series: FilePath | None = None
    """CSV file of time,kg_per_kwh rows, each in force until the next; or give kg_per_kwh."""
    source: Text
    """Who published it."""
    year: Annotated[int, Within(1990, 2100)]
    """The year it is for."""


class Carbon(Table):
    """Carbon of a kWh of energy."""

    kg_per_kwh: Annotated[Decimal, Within(0, 10)] | None = None
    """kg CO2e per kWh; or give series."""
    series: FilePath | None = None
    """CSV file of time,kg_per_kwh rows, each in force until the next; or give kg_per_kwh."""
    signal: Literal["grid_kg_per_kwh"] | None = None
    """The signal that gives the factor of the moment; it counts for the time it is heard. Or give kg_per_kwh."""
    live: Live | None = None
    """A source that publishes the factors ahead. Or give kg_per_kwh."""
    basis: Literal["average", "marginal", "both"]
    """The average of all generation, or of what answers to a change; both for a fuel, for which they are the same."""
    source: Text
    """Who published it."""
    year: Annotated[int, Within(1990, 2100)]
    """The year it is for."""
    marginal: Marginal | None = None
    """Beside an average factor, the marginal one."""


class Only(Table):
    """When a displaced source counts, by the home's clock. What is left out does not narrow it."""

    months: Annotated[tuple[Month, ...], Field(strict=False)] = ()
    """Months, 1 to 12."""
    days: Annotated[tuple[DayName, ...], Field(strict=False)] = ()
    """Days; on a public holiday only "holiday" counts, not its weekday."""
    from_: Clock | None = Field(default=None, alias="from")
    """Start, HH:MM."""
    to: Clock | None = None
    """End, HH:MM, not included; at or before the start it is on the day after."""


class Displaces(Table):
    """A source that would have made the heat otherwise."""

    source: Text
    """Its name, for people; "nothing" for heat that nothing else would have made, which avoids nothing."""
    share: Annotated[Decimal, Within(0, 1, above=True)]
    """Its share of the diverted heat; at every moment the shares of all add up to 1."""
    tariff: Name | None = None
    """The tariff that prices it; or give price."""
    price: Price | None = None
    """Its price, money per kWh; with tax, unless tax_included says otherwise. Or give tariff."""
    tax_included: bool = True
    """Whether the price has the tax in it."""
    tax_pct: TaxPct | None = None
    """Tax on the price, %; added exactly where it is without it."""
    efficiency: Annotated[Decimal, Within(0, 10, above=True)] = Decimal(1)
    """Heat out for energy in; above 1 for a heat pump."""
    carbon: Name | None = None
    """The carbon factor of its energy."""
    only: Only | None = None
    """The season, days and hours of diverting in which it has its share; always unless given."""
    recorded: (
        Annotated[
            str,
            Field(pattern=r"^(boiler|grid(:[a-z][a-z0-9_]{0,39})?)$"),
            Words('"boiler", "grid", or "grid:NAME" with a band of the import tariff', "as `brimful stock` names them"),
        ]
        | None
    ) = None
    """How the heat stock records what it makes, for books.displaces_from = "past": "boiler", "grid" or "grid:BAND"."""
    gives_up_standing: bool = False
    """Whether its tariff's standing charge would end if it was never needed again."""
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
    def is_nothing(self) -> bool:
        """Whether it stands for heat that nothing else would have made."""
        return self.source == NOTHING

    @property
    def band(self) -> str | None:
        """The band named in `when`."""
        return self.when.removeprefix("next ") if self.when else None


class HouseBattery(Table):
    """The house battery, for the books: sun that a heater takes before it is not given-up export."""

    price: Price | None = None
    """What a kWh from the battery saves, money per kWh; with tax, unless tax_included says otherwise. Unless given: the
    import price of the hours in which the battery gives, or is missed, by the home's own past."""
    tax_included: bool = True
    """Whether the price has the tax in it."""
    tax_pct: TaxPct | None = None
    """Tax on the price, %; added exactly where it is without it."""
    efficiency: Annotated[Decimal, Within(0, 1, above=True)] = Decimal("0.9")
    """Of what goes in, the share that comes out again."""
    full_pct: Annotated[float, Within(50, 100)] = 98.0
    """Level from which it takes no more, %."""
    maximum_charge_w: Annotated[float, Within(0, 1000000, above=True)] | None = None
    """The most that it charges with, W; unless given, the most it is seen to take while more leaves the house."""
    capacity_kwh: Annotated[float, Within(0, 100000, above=True)] | None = None
    """What it gives from full to empty, kWh; unless given, read off its level as it charges."""


class BookKeeping(Table):
    """How the books are kept."""

    used: Annotated[Decimal, Within(0, 1)] | None = None
    """Share of the diverted heat that displaces something. Unless given it is measured where a heat stock is kept, and
    without one all heat counts as used. used = 1 alone keeps the plain figures of version 0.1."""
    displaces_from: Literal["stated", "past"] = "stated"
    """Whether the displaced sources have the shares they state, or those of the heat that the home recorded of them in
    the same month of a former year or, without it, in a month near it; the stated ones count where there is neither."""
    attribute: bool | None = None
    """Whether what the grid or the battery gave while diverting is priced as such, and sun that the battery would have
    taken as its own, minute by minute from grid_w, battery_w and battery_level_pct. Unless given: wherever grid_w or
    battery_w is heard. false keeps the plain figures of version 0.1: all of a heater's energy counts as sun that would
    have been sold, and all of its heat as used unless `used` says otherwise."""
    battery_price: Price | None = None
    """What a kWh from the battery saves, with tax; or give battery.price."""
    battery: HouseBattery = Field(default_factory=HouseBattery)
    """The house battery."""
    export_limit_w: Annotated[float, Within(0, 1000000)] | None = None
    """The most that may flow to the grid, W. What it would have held back gives up no income; it needs grid_w."""
    late_s: Annotated[int, Within(0, 86400)] = 120
    """How late a reading may come and still be put in its place, s."""

    @property
    def used_share(self) -> Decimal:
        """The share with which entries are valued."""
        return Decimal(1) if self.used is None else self.used

    @property
    def price_of_battery(self) -> Decimal | None:
        """What a kWh from the battery saves, without the tax that is still to be added; None: nothing states it."""
        return self.battery_price if self.battery_price is not None else self.battery.price
