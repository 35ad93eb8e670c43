"""The shapes of the API's answers and wishes, for its document: the answers are made elsewhere, and tested by these.

Keys may be added to any of them; none goes, and none changes its meaning, within a schema's number.
"""

from typing import Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

Order = Literal["withhold", "surplus", "heat"]
Mode = Literal["control", "watch"]


class Shape(BaseModel):
    model_config = ConfigDict(defer_build=True)


class Finding(Shape):
    """What one rule finds."""

    guard: str
    verdict: Literal["allow", "forbid", "require"]
    sentence: str
    change: str = Field(description='what would change it, or ""')


class Told(Shape):
    """What one heater is ordered."""

    heater: str
    order: Order
    watts: int | None
    guard: str


class Level(Shape):
    """The level that counts. age_s: null where it was never heard live; since: when it began to be the same."""

    value_pct: float
    age_s: float | None
    fresh: bool
    since: AwareDatetime | None
    full_since: AwareDatetime | None


class Prices(Shape):
    """Prices in force, money per kWh; null where none is known."""

    import_price: float | None
    export_price: float | None
    heat_value: float | None


class Input(Shape):
    """A signal as it was last heard; age null for one never heard live."""

    signal: str
    value: float
    age_s: float | None
    stale_after_s: float | None


class Alarm(Shape):
    """An alarm that stands."""

    name: str
    sentence: str
    since: AwareDatetime


class OverrideStanding(Shape):
    """The override in force."""

    order: Order
    heater: str | None
    ends_in_s: float


class HygieneStretch(Shape):
    """When the heater is to heat for it."""

    from_: AwareDatetime = Field(alias="from")
    to: AwareDatetime


class WholeTank(Shape):
    """When the whole tank was last hot. days_since, last_hot: null where it is not known ever to have been; hot_since:
    since when it is hot without a break, null: it is not known to be; coldest_c: the coldest water, null: not known;
    heats: null where nothing is planned yet."""

    sentence: str
    known_by: Literal["measured", "inferred", "nothing"]
    days_since: float | None
    last_hot: AwareDatetime | None
    hot_since: AwareDatetime | None
    coldest_c: float | None
    at_c: float
    hold_s: float
    due: AwareDatetime
    overdue: bool
    heats: HygieneStretch | None


class Why(Shape):
    """The standing decision, every finding, inputs with their ages, alarms."""

    schema_: Literal["brimful.why/1"] = Field(alias="schema")
    home: str
    at: AwareDatetime
    heater: str
    order: Order
    watts: int | None
    guard: str
    sentence: str
    change: str
    findings: list[Finding]
    mode: Mode
    heaters: list[Told]
    level: Level | None
    prices: Prices
    links_down: dict[str, str]
    inputs: list[Input]
    alarms: list[Alarm]
    hygiene: WholeTank | None
    override: OverrideStanding | None
    plan: str | None = Field(description="tonight's plan in a sentence or two; null where none is made by itself")


class Link(Shape):
    """A connection to the broker."""

    up: bool
    reason: str


class Payloads(Shape):
    """What came for a signal since the start."""

    signal: str
    received: int
    refused: dict[str, int]
    last_refused: str


class Queue(Shape):
    """What waits for the loop."""

    waiting_readings: int
    passed_over_readings: int


class RefusedPoints(Shape):
    """What the time-series database will not take."""

    count: int
    why: str


class Books(Shape):
    """The ledger's file."""

    ledger: str
    written_at_s: float | None
    fault: str
    outbox: int
    refused: RefusedPoints


class Clock(Shape):
    """Whether the machine's clock is believed."""

    fault: str


class TimeSeries(Shape):
    """The copy's database."""

    fault: str
    failures: int
    next_attempt_in_s: float


class Backup(Shape):
    """The last backup."""

    folder: str
    last: str | None
    last_age_s: float | None
    fault: str


class PriceSources(Shape):
    """Prices and factors published ahead: a sentence for each that gives no good rows just now."""

    faults: list[str]


class AlertWays(Shape):
    """Where alarms are sent: a sentence for each way that does not deliver just now."""

    faults: list[str]


class HomeFile(Shape):
    """Why a changed home file is not taken; null if it is."""

    fault: str | None


class Health(Shape):
    """Connections, inputs, books, alarms."""

    schema_: Literal["brimful.health/1"] = Field(alias="schema")
    home: str
    mode: Mode
    at: AwareDatetime
    links: dict[str, Link]
    inputs: list[Input]
    payloads: list[Payloads]
    queue: Queue
    books: Books
    clock: Clock
    timeseries: TimeSeries | None
    alarms: list[Alarm]
    hygiene: WholeTank | None
    backup: Backup | None
    prices: PriceSources
    alerts: AlertWays
    home_file: HomeFile


class Setting(Shape):
    """A rule's key: the value that holds, and whether the home file sets it."""

    value: Any
    set: bool


class Rules(Shape):
    """Every rule with its settings."""

    schema_: Literal["brimful.rule/1"] = Field(alias="schema")
    home: str
    rules: dict[str, dict[str, Setting]]


class RuleWish(Shape):
    """Set keys of a rule; an empty text takes a key out. file: if given, must be the daemon's own home file."""

    rule: str
    set: dict[str, str | float | bool]
    file: str | None = None


class KeyChanged(Shape):
    """A key with the value that held before and holds now."""

    key: str
    old: Any
    new: Any


class RuleChanged(Shape):
    """A changed rule, with the cautions of the home as it is now."""

    schema_: Literal["brimful.rule-change/1"] = Field(alias="schema")
    rule: str
    changes: list[KeyChanged]
    cautions: list[str]
    applied: bool


class OverrideWish(Shape):
    """An order for a while, or {"clear": true}."""

    order: Order | None = None
    for_s: float | None = Field(default=None, ge=1, le=604_800)
    heater: str | None = None
    clear: bool = False


class OverrideSet(Shape):
    """What came of it. kept: whether a restart now would remember it."""

    schema_: Literal["brimful.override/1"] = Field(alias="schema")
    until: AwareDatetime | None
    order: Order
    guard: str
    sentence: str
    cautions: list[str]
    kept: bool


class ResendWish(Shape):
    """Intervals to send again. ledger: the path of the one that is meant; intervals: start (UTC second), heater."""

    ledger: str
    intervals: list[tuple[int, str]] = Field(min_length=1, max_length=100)


class Resent(Shape):
    """How many were queued, and how many wait."""

    schema_: Literal["brimful.resend/1"] = Field(alias="schema")
    queued: int
    outbox: int


class RestateWish(Shape):
    """Settled intervals to value anew, UTC seconds."""

    ledger: str
    from_s: int
    to_s: int
    why: str


class RestateAsked(Shape):
    """The ticket by which /api/restating shows what came of it."""

    schema_: Literal["brimful.restate-asked/1"] = Field(alias="schema")
    ticket: int


class Restated(Shape):
    """What came of one. restatement: its number, null if nothing moved."""

    restatement: int | None
    kept_intervals: int


class Restating(Shape):
    """What waits to be valued anew, and what came of the last ones, by ticket."""

    schema_: Literal["brimful.restating/1"] = Field(alias="schema")
    waiting: int
    fault: str
    done: dict[str, Restated]


class Written(Shape):
    """The interval in progress is in the ledger now. written_at: when it was last written, null if never."""

    schema_: Literal["brimful.written/1"] = Field(alias="schema")
    written_at: AwareDatetime | None


class Trouble(Shape):
    """Why nothing was done. text: all of it for people, one problem a line."""

    op: str
    subject: str
    cause: str
    hint: str
    text: str


class Error(Shape):
    """An error."""

    error: Trouble
