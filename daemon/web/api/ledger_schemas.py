"""The shapes of the ledger's answers: value and heat stock. See `schemas`."""

from typing import Any, Literal

from pydantic import AwareDatetime, Field

from daemon.web.api.schemas import Shape


class ValueRow(Shape):
    """Money in the currency unit, carbon in kg CO2e. Some figures stand only where the report holds any."""

    start: AwareDatetime
    end: AwareDatetime
    diverted_kwh: float
    given_up: float
    avoided: float
    net: float
    avoided_kg: float
    given_up_kg: float
    net_kg: float
    coverage: float = Field(ge=0, le=1, description="share of the time that was measured")
    coverage_energy: float = Field(
        ge=0, le=1, description="share of the energy shown by the meters that was measured and booked"
    )
    estimated_kwh: float
    open_kwh: float
    set_aside_kwh: float = Field(description="shown by a counter, and more than the heater can have taken")
    unpriced_kwh: float = Field(description="of diverted_kwh, what lacks a price on one side: in no amount of money")
    used: float | None = Field(default=None, description="the share of the heat that counts, where it is measured")
    grid_kwh: float | None = None
    battery_kwh: float | None = None
    bought: float | None = None
    bought_kg: float | None = None
    battery_forgone_kwh: float | None = Field(default=None, description="sun that would have charged the battery")
    battery_forgone: float | None = Field(default=None, description="of given_up, what that would have saved")
    battery_forgone_kg: float | None = None
    battery_unheard_kwh: float | None = Field(default=None, description="sun taken while the battery was not heard")
    marginal_kwh: float | None = None
    avoided_marginal_kg: float | None = None
    given_up_marginal_kg: float | None = None
    bought_marginal_kg: float | None = None
    net_marginal_kg: float | None = None


class MonthDisplaced(Shape):
    """What was displaced in a month, YYYY-MM. of: the month of the home's past that tells it; thin: the former same
    month where too little is known of it; shares: by source."""

    month: str
    basis: Literal["same month", "near month", "stated"]
    of: str | None
    thin: str | None
    shares: dict[str, float]


class Assumed(Shape):
    """What entries hold of their heat: the share used, the shares displaced by source (null: not kept)."""

    used: float | None
    displaced: dict[str, float] | None
    diverted_kwh: float


class Standing(Shape):
    """A standing charge that would end if a displaced source was never needed again; not in net."""

    source: str
    amount: float


class Span(Shape):
    """A span of time, ISO 8601, the end not included."""

    from_: str = Field(alias="from")
    to: str


class Under(Shape):
    """What was recorded under one answer of the rules. left_kwh: what the heater could have taken besides and what left
    the house."""

    seconds: int
    taken_kwh: float
    left_kwh: float


class WatchedHeater(Shape):
    """One heater while the rules only watched. unknown_s: time of which too little was recorded."""

    heater: str
    watched_s: int
    unknown_s: int
    would_permit: Under
    would_withhold: Under
    withheld_by: dict[str, Under]


class Watched(Shape):
    """What the rules would have changed while they only watched, and what that comparison leaves out."""

    spans: list[Span]
    heaters: list[WatchedHeater]
    left_out: str


class Value(Shape):
    """What the diverted energy was worth, with what it rests on."""

    schema_: Literal["brimful.value/1"] = Field(alias="schema")
    home: str
    currency: str
    by: Literal["interval", "day", "week", "month", "year"]
    timezone: str
    used: float
    used_basis: str
    carbon_basis: Literal["average", "marginal"] | None
    displaces: list[dict[str, Any]]
    displaces_from: Literal["stated", "past"]
    displaces_by_month: list[MonthDisplaced] | None = Field(description="null where shares are as stated")
    unpriced_kwh: float
    set_aside_by_heater: dict[str, float]
    assumed: list[Assumed]
    unmeasured_months: list[str]
    heat_order_kwh: float | None = Field(
        description="where nothing works out who gave the energy, what of it was taken while ordered to heat"
    )
    standing: list[Standing]
    watched: Watched | None = Field(description="null where no part of the time was only watched")
    rows: list[ValueRow]
    total: ValueRow
    notes: list[str]


class Lot(Shape):
    """Heat of one source. share: null where there is none to share in."""

    kwh: float
    cost: float
    kg: float
    share: float | None


class Account(Shape):
    """Heat above the cold water's, with its cost and carbon."""

    kwh: float
    cost: float
    kg: float
    by_source: dict[str, Lot]


class StockRow(Shape):
    """The stock over a period."""

    start: AwareDatetime
    end: AwareDatetime
    opening: Account
    received: Account
    drawn: Account
    lost: Account
    unexplained: Account
    closing: Account
    average_cost_per_kwh: float | None
    used: float | None
    additional_loss_kwh: float
    used_less_additional_loss: float | None
    coverage: float
    metered_share: float


class Stock(Shape):
    """The heat stock's accounts."""

    schema_: Literal["brimful.stock/1"] = Field(alias="schema")
    home: str
    currency: str
    by: Literal["interval", "day", "week", "month", "year"] | None
    timezone: str
    loss: dict[str, Any]
    tolerance_kwh: float
    rows: list[StockRow]
    total: StockRow


class PlannedRun(Shape):
    """Heat from the grid: wh in all, until the tank is at target_level_pct."""

    start: AwareDatetime = Field(alias="from")
    end: AwareDatetime = Field(alias="to")
    wh: int
    target_level_pct: float


class PlanChoice(Shape):
    """What filling the tank to a level would bring; level_pct null: as planned. Energies are means over the scenarios.

    left_wh: in the tank at the end; cost: grid heat, missing heat and export given up; net_cost: with the heat left at
    the end set against the heat there is now; cold_risk: share of the scenarios in which heat is missing."""

    level_pct: float | None
    grid_wh: int
    sun_wh: int
    left_wh: int
    missing_wh: int
    cost: float
    net_cost: float
    cold_risk: float = Field(ge=0, le=1)


class PlanHalfHour(Shape):
    """A half hour to come. The lists: what it is below in 10, 50 and 90 % of the scenarios; level_without_pct: with no
    heat from the grid."""

    start: AwareDatetime = Field(alias="from")
    import_price: float
    export_price: float
    surplus_wh: tuple[float, float, float]
    drawn_wh: tuple[float, float, float]
    level_pct: tuple[float, float, float]
    level_without_pct: tuple[float, float, float]


class PastPlans(Shape):
    """How past plans did: nights scored, and what they cost more than the least possible in hindsight, per night.

    mean_short_wh: how much more hot water was missing, which is in no cost; null where a boiler makes it."""

    nights: int
    mean_regret: float | None
    mean_short_wh: int | None
    mean_draw_error_wh: int | None


class OtherHeating(Shape):
    """When another rule heats the tank from the grid: hygiene, or away for a return."""

    rule: str
    start: AwareDatetime = Field(alias="from")
    end: AwareDatetime = Field(alias="to")


class Plan(Shape):
    """Tonight's plan: how much to heat from the grid, when, and why. Money in the currency unit."""

    schema_: Literal["brimful.plan/1"] = Field(alias="schema")
    home: str
    currency: str
    timezone: str
    mode: Literal["off", "advise", "follow"]
    made_at: AwareDatetime
    start: AwareDatetime = Field(alias="from")
    end: AwareDatetime = Field(alias="to")
    heat_wh: int = Field(description="what the runs heat")
    target_level_pct: float | None = Field(description="null: there is no plan; the reasons say why")
    runs: list[PlannedRun]
    expected_cost: float | None
    confidence: float | None = Field(description="null: a boiler helps out, and the prices alone decide")
    cold_risk: float | None
    days_of_history: int
    forecast: str | None = Field(description="the source of the sun's forecast, where one is used")
    reasons: list[str]
    past: PastPlans
    unknown: list[str] = Field(description="what had to be assumed or is not known")
    cautions: list[str]
    level_pct: float | None
    grid_wh: int | None = Field(description="what the plan buys in all: the runs, and hours that only some days need")
    sun_wh: int | None
    drawn_wh: int | None
    missing_wh: int | None
    forecast_wh: int | None
    boiler_price: float | None = Field(description="of a kWh of heat; null: no boiler")
    full_wh: int
    heater: str | None = Field(description="the heater that can be ordered to heat")
    heatings: list[OtherHeating] = Field(description="when other rules heat from the grid, whatever the plan says")
    given_wh: int | None = Field(description="what they are expected to buy: not in grid_wh, and in no cost")
    choices: list[PlanChoice]
    half_hours: list[PlanHalfHour]
