"""The home file as a whole."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, PrivateAttr

from daemon.config.bind_address import BIND_ADDRESS, is_bind_address
from daemon.config.devices import Broker, Heater, Output, SignalSource, Tank
from daemon.config.money import BookKeeping, Carbon, Displaces, Fetched, Listened, PluggedIn, Tariff
from daemon.config.neighbours import Alert, Homie
from daemon.config.plan_tables import Planning
from daemon.config.readers import Reader
from daemon.config.rule_tables import Rules
from daemon.config.values import Currency, FilePath, Name, Table, Text, Within, Words
from daemon.config.verdict_tables import Hardware, Verdict

_TANK_STALE_S = 900.0  # a tank moves slowly and its sensors report slowly
_STALE_S = 60.0
_PRICE_STALE_S = 3600.0  # prices and the grid's carbon hold for half an hour or an hour at a time, as is usual
PRICE_SIGNALS = frozenset({"import_price", "export_price", "grid_kg_per_kwh"})
"""The signals that give a price, or the grid's carbon, of the moment."""

FORECAST = "plan.forecast"
"""The key of the sun's forecast among the sources of rows published ahead."""

Url = Annotated[
    str,
    Field(pattern=r"^https?://[^\s/@?#]+(/[^\s@?#]*)?$"),
    Words("an http or https address without user or password"),
]


HostName = Annotated[
    str,
    Field(pattern=r"^[a-z0-9]([a-z0-9.-]{0,251}[a-z0-9])?$"),
    Words('a host name in small letters such as "heat.example.org"', "without scheme, port and path"),
]


def _address(text: str) -> str:
    if not is_bind_address(text):
        raise ValueError
    return text


class About(Table):
    """The house."""

    name: Annotated[str, Field(min_length=1, max_length=60, pattern=r"\S"), Words("a name of 1 to 60 characters")]
    """Its name, as people say it."""
    timezone: Text
    """IANA time zone, such as Europe/Dublin."""
    currency: Currency
    """ISO 4217 code of the currency of all prices."""
    mode: Literal["control", "watch"] = "control"
    """"control" orders the heaters; "watch" decides, explains and books as ever, and sends no heater and no output
    anything: to see what the rules would do before they do it."""
    interval_minutes: Literal[15, 30, 60] = 30
    """Length of a settlement interval, minutes."""
    calendar_file: FilePath | None = None
    """iCalendar file (.ics) of the public holidays, for bands of the day "holiday"."""


class Backup(Table):
    """Copies of the ledger, made while the daemon runs. Each writes as much as the ledger is large."""

    enabled: bool = True
    """Whether they are made."""
    folder: FilePath | None = None
    """Where they go, best on another disk; it must be there. Without: a folder `backups` beside the ledger."""
    every_h: Annotated[float, Within(1, 8760)] = 24.0
    """Time from one to the next, h."""
    keep_days: Annotated[int, Within(1, 3650)] = 14
    """So many days keep their last backup."""
    keep_months: Annotated[int, Within(0, 1200)] = 12
    """So many months keep their last backup."""


class LedgerFile(Table):
    """Where the books are."""

    path: FilePath = "brimful.sqlite"
    """SQLite file."""
    flush_s: Annotated[float, Within(1, 3600)] = 300.0
    """Longest time between two writes while a heater is on, s (half an hour while none is); longer spares storage."""
    tape_days: Annotated[int, Within(1, 36500)] = 400
    """How long recorded readings are kept, days."""
    decision_days: Annotated[int, Within(1, 36500)] = 400
    """How long decisions and their findings are kept, days."""
    event_days: Annotated[int, Within(1, 36500)] = 3650
    """How long alarms, recoveries and energy set aside are kept, days."""
    backup: Backup = Field(default_factory=Backup)
    """Copies of it, made while the daemon runs."""


class Api(Table):
    """The local interface: the page, and questions to the running daemon."""

    bind: Annotated[str, AfterValidator(_address), Words(f'{BIND_ADDRESS}, such as "127.0.0.1"')] = "127.0.0.1"
    """Address it listens at: of this machine alone, or, with a password set, one that others reach too."""
    port: Annotated[int, Within(1, 65535)] = 8731
    """TCP port."""
    names: Annotated[tuple[HostName, ...], Field(strict=False, max_length=20)] = ()
    """Host names by which browsers reach it, where that is not an address: then a password is needed."""
    password_file: FilePath | None = None
    """File that holds the hash of the page's password, written by `brimful password HOME.toml`."""
    read_only: bool = False
    """Whether the page changes nothing; the command line still does."""
    language: Literal["", "en", "de"] = ""
    """Language of the page: "en", "de", or "" for what each reader's browser prefers. Commands and logs are English."""


class InfluxDb2(Table):
    """A time-series database with the v2 write interface."""

    kind: Literal["influxdb2"]
    """Kind of database."""
    url: Url
    """Address."""
    org: Text
    """Organisation."""
    bucket: Text
    """Bucket."""
    token_file: FilePath | None = None
    """File that holds the token, readable by its owner alone; or the environment's BRIMFUL_TIMESERIES_TOKEN."""


class InfluxDb1(Table):
    """A time-series database with the v1 write interface."""

    kind: Literal["influxdb1"]
    """Kind of database."""
    url: Url
    """Address."""
    database: Text
    """Database."""
    username: Text | None = None
    """User name."""
    password_file: FilePath | None = None
    """File that holds the password, readable by its owner alone; or the environment's BRIMFUL_TIMESERIES_PASSWORD."""


class VictoriaMetrics(Table):
    """A time-series database with the v2 write interface, without organisations and buckets."""

    kind: Literal["victoriametrics"]
    """Kind of database."""
    url: Url
    """Address."""
    username: Text | None = None
    """User name, where it asks for one."""
    password_file: FilePath | None = None
    """File that holds the password, readable by its owner alone; or the environment's BRIMFUL_TIMESERIES_PASSWORD."""
    token_file: FilePath | None = None
    """File that holds the token, readable by its owner alone; or the environment's BRIMFUL_TIMESERIES_TOKEN."""


TimeSeries = Annotated[InfluxDb2 | InfluxDb1 | VictoriaMetrics, Field(discriminator="kind")]


class Home(Table):
    """A home: what it hears, the orders it sends, the rules between, and what energy is worth."""

    home: About
    """The house."""
    broker: Broker | None = None
    """The MQTT broker; without it brimful brings its own, on loopback."""
    signals: dict[Name, SignalSource]
    """Where each signal is heard."""
    heaters: dict[Name, Heater] = Field(json_schema_extra={"minProperties": 1})
    """The heaters."""
    outputs: dict[Name, Output] = Field(default_factory=dict)
    """Switches that follow the orders."""
    tank: Tank | None = None
    """The hot-water tank."""
    rules: Rules = Field(default_factory=Rules)
    """What the heaters may do."""
    tariffs: dict[Name, Tariff] = Field(default_factory=dict)
    """Prices of energy."""
    carbon: dict[Name, Carbon] = Field(default_factory=dict)
    """Carbon of energy; the one named grid is of what is bought and sold."""
    displaces: Annotated[tuple[Displaces, ...], Field(strict=False)] = ()
    """What would have made the heat otherwise."""
    books: BookKeeping = Field(default_factory=BookKeeping)
    """How the books are kept."""
    hardware: Annotated[tuple[Hardware, ...], Field(strict=False)] = ()
    """What was bought for diverting."""
    verdict: Verdict = Field(default_factory=Verdict)
    """What the verdict works with."""
    plan: Planning = Field(default_factory=Planning)
    """Tonight's plan."""
    ledger: LedgerFile = Field(default_factory=LedgerFile)
    """Where the books are."""
    api: Api = Field(default_factory=Api)
    """The local interface."""
    timeseries: TimeSeries | None = None
    """A time-series database that is sent a copy of each settled interval."""
    readers: dict[Name, Reader] = Field(default_factory=dict)
    """Devices that are read without MQTT."""
    homie: Homie | None = None
    """Shows the house as a Homie 5 device."""
    alerts: Annotated[tuple[Alert, ...], Field(strict=False)] = ()
    """Where alarms are sent."""

    _file: Path = PrivateAttr(default=Path("home.toml"))

    @property
    def file(self) -> Path:
        """The home file this was read from."""
        return self._file

    def path_of(self, name: str) -> Path:
        """A path of the home file, which is relative to the file's own folder."""
        return self._file.parent / name

    @property
    def watches(self) -> bool:
        """Whether no orders are sent."""
        return self.home.mode == "watch"

    def controlled(self) -> "Home":
        """The same home with orders sent."""
        return self.model_copy(update={"home": self.home.model_copy(update={"mode": "control"})})

    @property
    def files_beside(self) -> tuple[Path, ...]:
        """The files it names whose content counts as its own: calendars and series."""
        factors = [*self.carbon.values(), *(carbon.marginal for carbon in self.carbon.values())]
        named = [self.home.calendar_file, self.rules.away.calendar_file]
        named += [table.series for table in (*self.tariffs.values(), *factors) if table is not None]
        beside = [self.path_of(name) for name in dict.fromkeys(named) if name is not None]
        return (*beside, *(self.live_file(key) for key in self.live))

    @property
    def live(self) -> dict[str, Fetched | Listened | PluggedIn]:
        """The sources that publish prices and factors ahead, by the key of their tariff or factor."""
        tables = {f"tariffs.{name}": tariff.live for name, tariff in self.tariffs.items()}
        tables |= {f"carbon.{name}": factor.live for name, factor in self.carbon.items()}
        return {key: live for key, live in tables.items() if live is not None}

    @property
    def fed(self) -> dict[str, Fetched | Listened | PluggedIn]:
        """Every source that is asked or listened to for rows ahead: those of `live`, and the sun's forecast."""
        forecast = self.plan.forecast.live if self.plan.forecast is not None else None
        return self.live if forecast is None else {**self.live, FORECAST: forecast}

    def live_file(self, key: str) -> Path:
        """Where the rows of a source are kept: beside the ledger, under its name and theirs."""
        ledger = self.path_of(self.ledger.path)
        return ledger.with_name(f"{ledger.stem}.{key}.csv")

    def stale_after_s(self, signal: str) -> float:
        """Age from which a reading of the signal no longer counts, s; the usual one if the file gives none."""
        source = self.signals.get(signal)
        if source is not None and source.stale_after_s is not None:
            return source.stale_after_s
        if signal in PRICE_SIGNALS:
            return _PRICE_STALE_S
        return _TANK_STALE_S if signal.startswith("tank_") else _STALE_S

    @property
    def attributes(self) -> bool:
        """Whether the books work out who gave the heaters' energy: as stated, else wherever a signal shows it.

        used = 1 alone asks for the plain figures; with a battery they would have the wrong sign.
        """
        heard = {"grid_w", "battery_w"} & set(self.signals)
        if self.books.attribute is not None or not heard:
            return bool(self.books.attribute and heard)
        return self.books.used != 1 or "battery_w" in heard

    @property
    def battery_named(self) -> bool:
        """Whether the file says that there is a house battery."""
        battery_signals = {"battery_w", "battery_level_pct"} & set(self.signals)
        return (
            bool(battery_signals) or bool(self.books.battery.model_fields_set) or self.books.battery_price is not None
        )

    @property
    def heater_names(self) -> tuple[str, ...]:
        """The heaters in the order of preference."""
        preferred = dict.fromkeys(name for name in self.rules.heaters.prefer if name in self.heaters)
        return tuple(preferred | dict.fromkeys(self.heaters))

    def burns(self, table: Displaces) -> bool:
        """Whether a displaced source burns a fuel, as a boiler does."""
        fuel = self.tariffs[table.tariff].direction == "fuel" if table.tariff is not None else table.price is not None
        return fuel and not table.is_nothing

    @property
    def heating_names(self) -> tuple[str, ...]:
        """The heaters that obey the order to heat, in the order of preference."""
        return tuple(name for name in self.heater_names if self.heaters[name].obeys_heat)
