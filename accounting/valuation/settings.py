"""The settings of the books: meters, intervals, prices, factors and shares."""

from dataclasses import dataclass
from fractions import Fraction

from accounting.pricing.carbon import Factor, bases
from accounting.pricing.displaced import Displaced
from accounting.pricing.signal_series import HeardSeries
from accounting.pricing.tariffs import Priced
from rules.model.errors import BrimfulError
from rules.tank.cylinder import WH_PER_L_K

INTERVALS_S = (900, 1800, 3600)
EFFICIENCY = Fraction(9, 10)
"""Share of the energy put into a house battery that comes out again, unless stated (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class HeaterBooks:
    """How a heater's energy is metered: by a counter's signal, else by a power's (`CounterMeter`, `PowerMeter`)."""

    name: str
    rated_w: float
    counter: str | None = None
    power: str | None = None
    gap_s: float = 3600.0
    stale_after_s: float = 60.0
    resolution_wh: float = 10.0


@dataclass(frozen=True, slots=True)
class PowerSignal:
    """A power reported by a signal; each reading is held for at most stale_after_s."""

    signal: str
    stale_after_s: float


@dataclass(frozen=True, slots=True)
class BatteryBooks:
    """The house battery, as far as the books need it: sun that it could have taken is not given-up export.

    power: + charging, − discharging; level: its charge, % (None: not reported, so that nobody knows whether it could
    have taken anything). full_pct: level from which it takes no more; efficiency: share of the energy put in that comes
    out; maximum_charge_w, capacity_wh: as stated (None: learnt from its readings).
    """

    power: PowerSignal
    level: PowerSignal | None = None
    full_pct: float = 98.0
    efficiency: Fraction = EFFICIENCY
    maximum_charge_w: float | None = None
    capacity_wh: float | None = None


@dataclass(frozen=True, slots=True)
class CounterSignal:
    """A counter reported by a signal, in the signal's unit; see `CounterMeter`."""

    signal: str
    gap_s: float = 3600.0
    resolution: float = 10.0


@dataclass(frozen=True)
class Boiler:
    """A boiler that heats the tank. heat, fuel: Wh of each for a Wh on its counter; tariff, or price per kWh of fuel;
    carbon: of the fuel."""

    counter: CounterSignal
    heat: Fraction = Fraction(1)
    fuel: Fraction = Fraction(1)
    tariff: Priced | None = None
    price: Fraction | None = None
    carbon: Factor | None = None


@dataclass(frozen=True)
class TankBooks:
    """The tank as an inventory of heat.

    cold_c, hot_c: an empty and a full tank; ua_w_per_k: standing loss per kelvin above ambient_c; level: whether
    tank_level_pct is reported; temperatures: the temperature signals that are; stale_after_s: how far apart two
    readings may be and still measure the time between; topup, water: counters of top-up energy and of hot water in L.
    """

    volume_l: float
    cold_c: float
    hot_c: float
    ua_w_per_k: float
    ambient_c: float
    level: bool = True
    temperatures: tuple[str, ...] = ()
    stale_after_s: float = 900.0
    topup: CounterSignal | None = None
    boiler: Boiler | None = None
    water: CounterSignal | None = None

    @property
    def full_wh(self) -> float:
        """Heat in the full tank above the cold water's temperature, Wh."""
        return WH_PER_L_K * self.volume_l * (self.hot_c - self.cold_c)


@dataclass(frozen=True)
class BooksSettings:
    """The settings of the books.

    interval_s: settlement interval, 900, 1800 or 3600; late_s: how late a reading may come; export, imports: tariffs
    (None: not known); displaces: sources whose shares add up to 1 (none: nothing is avoided); grid, grid_marginal:
    the carbon that an exported kWh displaces, on the home's basis and, beside it, the marginal; used: share of diverted
    heat that displaces something; exportable: share of it that could have been exported.
    grid_power (+ import), battery.power (− discharge): they show, minute by minute, who gave the heaters' energy (both
    None: all of it counts as the sun's); battery_price: of a kWh that the battery gave, or would have given (None:
    the import price of the hours in which it gives, by the home's own past, and until that is known of the evening);
    timezone: IANA, of those hours; heard: of the prices and factors, those that are heard as signals;
    tank: None for books without a heat stock. past_timezone: where the displaced sources' shares go by the home's past,
    the zone of its months (None: they are as stated).
    Raises BrimfulError for settings by which no books can be kept.
    """

    heaters: tuple[HeaterBooks, ...]
    interval_s: int = 1800
    late_s: float = 120.0
    export: Priced | None = None
    imports: Priced | None = None
    displaces: tuple[Displaced, ...] = ()
    grid: Factor | None = None
    used: Fraction = Fraction(1)
    exportable: Fraction = Fraction(1)
    battery_price: Fraction | None = None
    grid_marginal: Factor | None = None
    grid_power: PowerSignal | None = None
    battery: BatteryBooks | None = None
    timezone: str = "UTC"
    heard: tuple[HeardSeries, ...] = ()
    export_limit_w: float | None = None
    tank: TankBooks | None = None
    past_timezone: str | None = None

    @property
    def attributes(self) -> bool:
        """Whether any signal shows who gave the heaters' energy."""
        return self.grid_power is not None or self.battery is not None

    def __post_init__(self) -> None:
        if self.interval_s not in INTERVALS_S:
            raise _unfit("interval_s", f"expected one of 900, 1800, 3600 s, got {self.interval_s}")
        for heater in self.heaters:
            if heater.counter is None and heater.power is None:
                raise _unfit(
                    f"heaters.{heater.name}", "expected a counter or a power that measures its energy, got neither"
                )
        shares = sum((source.share for source in self.displaces), Fraction(0))
        # Shares that change with season, day and hour are added up where they are stated, by `displaced.uneven`.
        if self.displaces and shares != 1 and all(source.shares is None for source in self.displaces):
            raise _unfit("displaces", f"expected shares that add up to 1, accumulated {float(shares)}")
        for name, share in (("used", self.used), ("exportable", self.exportable)):
            if not 0 <= share <= 1:
                raise _unfit(name, f"expected 0–1, got {float(share)}")
        factors = [source.carbon for source in self.displaces if source.carbon] + ([self.grid] if self.grid else [])
        if len(bases(factors)) > 1:
            said = ", ".join(f"{factor.name} {factor.basis}" for factor in factors)
            raise _unfit("carbon", f"expected factors of one basis, got {said}", "average and marginal do not add up")


def _unfit(subject: str, cause: str, hint: str = "") -> BrimfulError:
    return BrimfulError("set up the books", subject, cause, hint)
