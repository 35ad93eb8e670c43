"""What an invented house is made of. Its defaults are the demo's; a study of many houses varies them.

Powers in W, energies in Wh, temperatures in °C; layers are counted from the bottom of the tank.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from rules.tank.cylinder import Cylinder
from rules.tank.gauge import Gauge
from rules.tank.standing_loss import label_loss_w, ua_w_per_k
from rules.tank.tapping import PROFILE_M, Draw
from rules.tank.twin import Source, Twin


@dataclass(frozen=True, slots=True)
class RoofSpec:
    """Solar on a roof taken as level. efficiency: what cells, wires, heat and inverter leave of the rating (common
    practice, no source).
    """

    kwp: float = 4.0
    efficiency: float = 0.80
    inverter_most_w: float = 3680.0


@dataclass(frozen=True, slots=True)
class BatterySpec:
    """A house battery. one_way: what is left of energy that goes in, and again of what comes out; reserve_wh: what it
    never gives; stored_wh: what is in it at the start. One of capacity 0 is none.
    """

    capacity_wh: float = 5000.0
    most_w: float = 2400.0
    one_way: float = 0.96
    reserve_wh: float = 250.0
    stored_wh: float = 2000.0


@dataclass(frozen=True, slots=True)
class TankSpec:
    """A cylinder in layers. ua_w_per_k: its standing loss for each kelvin above ambient_c; cold_c, hot_c: the water
    that enters, and a full tank.
    """

    volume_l: float = 180.0
    layers: int = 20
    ua_w_per_k: float = ua_w_per_k(label_loss_w("C", 180.0))
    cold_c: float = 10.0
    hot_c: float = 60.0
    ambient_c: float = 19.0

    @property
    def cylinder(self) -> Cylinder:
        return Cylinder(self.volume_l, self.layers, self.ua_w_per_k)

    def twin(self, temps_c: Sequence[float], sources: Sequence[Source]) -> Twin:
        """The tank in a state. temps_c: one for each layer; sources: what heats it."""
        return Twin(self.cylinder, temps_c, sources, cold_c=self.cold_c, ambient_c=self.ambient_c)


@dataclass(frozen=True, slots=True)
class ElementSpec:
    """An immersion element. thermostat_c: opens there and closes differential_k below; cut_out_c: trips for good."""

    rated_w: float
    layer: int
    thermostat_c: float
    differential_k: float = 5.0
    cut_out_c: float = 80.0


@dataclass(frozen=True, slots=True)
class DiverterSpec:
    """A device that puts surplus into one element. leave_w: what it leaves for the meter to export; smallest_w: less
    is not worth switching an element for (common practice, no source); lapses_after_s: how long an order holds.
    """

    leave_w: float = 20.0
    smallest_w: float = 100.0
    lapses_after_s: float = 180.0


@dataclass(frozen=True, slots=True)
class TimerSpec:
    """A timer of the house's own: on from one local hour to another, below it in the day. Nobody sends it orders."""

    from_hour: int = 2
    to_hour: int = 5


@dataclass(frozen=True, slots=True)
class HabitsSpec:
    """What the house uses besides hot water. living_w: lamps, screens and the like by local hour; kettle, cooker: how
    likely one is in a quarter of that hour.
    """

    base_w: float = 140.0
    fridge_w: float = 85.0
    fridge_on_s: int = 1100
    fridge_every_s: int = 3000
    kettle_w: float = 2200.0
    kettle_s: int = 180
    cooker_w: float = 1400.0
    living_w: tuple[float, ...] = (
        *(40, 30, 30, 30, 30, 50, 150, 260, 220, 140, 130, 150),
        *(190, 170, 130, 140, 190, 280, 340, 360, 380, 380, 280, 120),
    )
    kettle: tuple[float, ...] = (
        *(0, 0, 0, 0, 0, 0.05, 0.25, 0.4, 0.3, 0.1, 0.25, 0.1),
        *(0.25, 0.2, 0.1, 0.2, 0.15, 0.2, 0.2, 0.1, 0.2, 0.2, 0.1, 0),
    )
    cooker: tuple[float, ...] = (
        *(0, 0, 0, 0, 0, 0, 0, 0.1, 0.05, 0, 0, 0.05),
        *(0.25, 0.1, 0, 0, 0.1, 0.5, 0.6, 0.15, 0, 0, 0, 0),
    )


@dataclass(frozen=True, slots=True)
class HouseSpec:
    """A whole house.

    latitude_deg, longitude_deg: north and east positive; gauge: what its level sensor shows; sensors: the layers of the
    tank's middle and lower temperature sensors (the upper one sits in the top layer); lower: the diverter's element;
    upper: the timer's; temps_c: the layers at the start; draws: the hot water of each day.
    """

    timezone: ZoneInfo = ZoneInfo("Europe/Dublin")  # noqa: RUF009 (immutable)
    latitude_deg: float = 53.3
    longitude_deg: float = -6.3
    roof: RoofSpec = RoofSpec()
    battery: BatterySpec = BatterySpec()
    tank: TankSpec = TankSpec()
    gauge: Gauge = field(default_factory=lambda: Gauge("usable", 10.0, 60.0))
    sensors: tuple[int, int] = (10, 3)
    lower: ElementSpec = ElementSpec(rated_w=2800.0, layer=0, thermostat_c=65.0)
    upper: ElementSpec = ElementSpec(rated_w=2800.0, layer=12, thermostat_c=55.0)
    diverter: DiverterSpec = DiverterSpec()
    timer: TimerSpec = TimerSpec()
    habits: HabitsSpec = field(default_factory=HabitsSpec)
    temps_c: tuple[float, ...] = (12.0,) * 4 + (16.0, 24.0, 34.0, 44.0, 50.0, 53.0) + (55.0,) * 10
    draws: tuple[Draw, ...] = PROFILE_M
