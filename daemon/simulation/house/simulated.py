"""The demo house: weather, roof, load, battery, taps, a layered cylinder and a diverter, in steps of simulated time.

Invented throughout. It is deterministic for a seed and a sequence of steps and orders, and touches no network:
daemon/demo/client.py carries its readings out and its orders in.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from daemon.simulation.house.appliances import Appliances
from daemon.simulation.house.devices import Diverter, HouseBattery, Protections
from daemon.simulation.house.draws import Taps
from daemon.simulation.house.sky import Sky
from rules.tank.charge import charge_pct
from rules.tank.cylinder import Cylinder, step
from rules.tank.standing_loss import label_loss_w, ua_w_per_k

ORDER_TOPIC = "house/diverter/permit"
REFRESH_S = 60.0

TIMEZONE = ZoneInfo("Europe/Dublin")
LATITUDE_DEG, LONGITUDE_DEG = 53.3, -6.3

ROOF_KWP = 4.0
ROOF_YIELD = 0.80
"""What cells, wires, heat and inverter leave of the rating (common practice, no source)."""
INVERTER_MOST_W = 3680.0

VOLUME_L, NODES, LABEL_CLASS = 180.0, 20, "C"
MIDDLE_NODE, LOW_NODE = 10, 3
"""Where the middle and the lower temperature sensor sit."""
COLD_C, HOT_C, AMBIENT_C = 10.0, 60.0, 19.0

DIVERTER_RATED_W, LOWER_NODE, LOWER_THERMOSTAT_C = 2800.0, 0, 65.0
TOPUP_RATED_W, UPPER_NODE, UPPER_THERMOSTAT_C = 2800.0, 12, 55.0
TOPUP_FROM_HOUR, TOPUP_TO_HOUR = 2, 5
"""The house's own timer, on its cheap hours by the local clock, works the upper element; nobody sends it orders."""

LONGEST_STEP_S = 60.0


@dataclass(frozen=True, slots=True)
class Flows:
    """Mean powers of the last step, W. battery_w: + charging; grid_w: + import, - export."""

    pv_w: float = 0.0
    load_w: float = 0.0
    battery_w: float = 0.0
    diverted_w: float = 0.0
    topup_w: float = 0.0
    grid_w: float = 0.0


@dataclass(slots=True)
class Totals:
    """Energy since the start, Wh. wanted_wh: what the taps asked for; drawn_wh: what the water brought."""

    import_wh: float = 0.0
    export_wh: float = 0.0
    pv_wh: float = 0.0
    load_wh: float = 0.0
    diverted_wh: float = 0.0
    topup_wh: float = 0.0
    drawn_wh: float = 0.0
    wanted_wh: float = 0.0
    lost_wh: float = 0.0


class DemoHouse:
    """The house. seed: its weather and habits; start_utc_s: the instant it wakes up at, UTC seconds."""

    def __init__(self, seed: int, start_utc_s: float) -> None:
        self.now_s = start_utc_s
        self.flows = Flows()
        self.totals = Totals()
        self.cylinder = Cylinder(VOLUME_L, NODES, ua_w_per_k(label_loss_w(LABEL_CLASS, VOLUME_L)))
        self.temps_c: tuple[float, ...] = (12.0,) * 4 + (16.0, 24.0, 34.0, 44.0, 50.0, 53.0) + (55.0,) * 10
        self.battery = HouseBattery()
        self.diverter = Diverter(DIVERTER_RATED_W, lapses_after_s=3 * REFRESH_S)
        self.lower = Protections(LOWER_THERMOSTAT_C)
        self.upper = Protections(UPPER_THERMOSTAT_C)
        self._sky = Sky(seed, LATITUDE_DEG, LONGITUDE_DEG)
        self._appliances = Appliances(seed)
        self._taps = Taps()

    @property
    def level_pct(self) -> float:
        """The tank's charge by usable height, as its sensor shows it: no more than 100."""
        return min(100.0, charge_pct([(1 / NODES, temp_c) for temp_c in self.temps_c], COLD_C, HOT_C))

    def obey(self, payload: bytes) -> bool:
        """Take an order to the diverter; False if it is none it knows."""
        return self.diverter.obey(payload, self.now_s)

    def advance(self, dt_s: float) -> None:
        """Live through the next dt_s seconds (above 0, at most 60: longer steps would blur kettles and clouds)."""
        if not 0 < dt_s <= LONGEST_STEP_S:
            raise ValueError(f"expected a step above 0 and up to {LONGEST_STEP_S:.0f} s, got {dt_s}")
        local = datetime.fromtimestamp(self.now_s, TIMEZONE)
        flows = self._powers(local.hour, dt_s)
        self._heat_and_draw(local.hour * 3600.0 + local.minute * 60.0 + self.now_s % 60.0, flows, dt_s)
        self._count(flows, dt_s)
        self.flows = flows
        self.now_s += dt_s

    def _powers(self, hour: int, dt_s: float) -> Flows:
        """Who takes what: the house first, then its battery, then the diverter, then the grid."""
        pv_w = min(INVERTER_MOST_W, ROOF_KWP * ROOF_YIELD * self._sky.irradiance_w_per_m2(self.now_s))
        load_w = self._appliances.power_w(self.now_s, hour)
        battery_w = self.battery.take(pv_w - load_w, dt_s)
        spare_w = pv_w - load_w - battery_w
        diverted_w = self.diverter.power_w(spare_w, self.now_s)
        if not self.lower.let_through(self.temps_c[LOWER_NODE]):
            diverted_w = 0.0
        timer_on = TOPUP_FROM_HOUR <= hour < TOPUP_TO_HOUR
        topup_w = TOPUP_RATED_W if self.upper.let_through(self.temps_c[UPPER_NODE]) and timer_on else 0.0
        return Flows(pv_w, load_w, battery_w, diverted_w, topup_w, diverted_w + topup_w - spare_w)

    def _heat_and_draw(self, of_day_s: float, flows: Flows, dt_s: float) -> None:
        draw_l, wanted_wh = self._taps.draw_l(of_day_s, dt_s, self.temps_c[-1], COLD_C)
        after = step(
            self.cylinder,
            self.temps_c,
            dt_s,
            heat_w=((LOWER_NODE, flows.diverted_w), (UPPER_NODE, flows.topup_w)),
            draw_l=draw_l,
            cold_c=COLD_C,
            ambient_c=AMBIENT_C,
        )
        self.temps_c = after.temps_c
        self.totals.drawn_wh += after.drawn_wh
        self.totals.wanted_wh += wanted_wh
        self.totals.lost_wh += after.lost_wh

    def _count(self, flows: Flows, dt_s: float) -> None:
        hours = dt_s / 3600.0
        totals = self.totals
        totals.pv_wh += flows.pv_w * hours
        totals.load_wh += flows.load_w * hours
        totals.diverted_wh += flows.diverted_w * hours
        totals.topup_wh += flows.topup_w * hours
        if flows.grid_w >= 0:
            totals.import_wh += flows.grid_w * hours
        else:
            totals.export_wh -= flows.grid_w * hours

    def readings(self) -> dict[str, bytes]:
        """What the house's meters and sensors say now: topic and JSON payload, each with its own time `t`.

        Powers are whole watts, the mean of the last step; registers are whole watt-hours, rounded down as registers do.
        """
        flows, totals = self.flows, self.totals
        at = datetime.fromtimestamp(self.now_s, UTC).isoformat().replace("+00:00", "Z")
        in_wh, out_wh = int(totals.import_wh), int(totals.export_wh)
        texts = {
            "house/meter": f'"w": {round(flows.grid_w)}, "in_wh": {in_wh}, "out_wh": {out_wh}',
            "house/roof": f'"w": {round(flows.pv_w)}',
            "house/battery": f'"w": {round(flows.battery_w)}, "charge": {self.battery.level_pct:.1f}',
            "house/tank": f'"level": {self.level_pct:.1f}, "top_c": {self.temps_c[-1]:.2f}, '
            f'"mid_c": {self.temps_c[MIDDLE_NODE]:.2f}, "bottom_c": {self.temps_c[LOW_NODE]:.2f}',
            "house/diverter": f'"w": {round(flows.diverted_w)}, "wh": {int(totals.diverted_wh)}',
            "house/topup": f'"wh": {int(totals.topup_wh)}',
        }
        return {topic: f'{{{text}, "t": "{at}"}}'.encode() for topic, text in texts.items()}
