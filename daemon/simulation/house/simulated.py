"""The demo house: weather, roof, load, battery, taps, a layered cylinder and a diverter, in steps of simulated time.

Invented throughout. It is deterministic for a seed and a sequence of steps and orders, and touches no network:
daemon/demo/house_client.py carries its readings out and its orders in.
"""

from dataclasses import dataclass
from datetime import UTC, datetime

from daemon.simulation.house.appliances import Appliances
from daemon.simulation.house.draws import Taps
from daemon.simulation.house.equipment import Diverter, HouseBattery, Protections
from daemon.simulation.house.sky import Sky
from daemon.simulation.house.spec import HouseSpec
from rules.tank.twin import Source

ORDER_TOPIC = "house/diverter/permit"
DEMO = HouseSpec()
"""The demo's own house."""
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
    """The house. seed: its weather and days; start_utc_s: when it wakes up, UTC seconds; spec: what it is made of."""

    def __init__(self, seed: int, start_utc_s: float, spec: HouseSpec = DEMO) -> None:
        self.spec = spec
        self.now_s = start_utc_s
        self.flows = Flows()
        self.totals = Totals()
        sources = (Source(spec.lower.layer, spec.lower.layer), Source(spec.upper.layer, spec.upper.layer))
        self.tank = spec.tank.twin(spec.temps_c, sources)
        self.battery = HouseBattery(spec.battery)
        self.diverter = Diverter(spec.diverter, spec.lower.rated_w)
        self.lower = Protections(spec.lower)
        self.upper = Protections(spec.upper)
        self._sky = Sky(seed, spec.latitude_deg, spec.longitude_deg)
        self._appliances = Appliances(spec.habits, seed)
        self._taps = Taps(spec.draws)

    @property
    def level_pct(self) -> float:
        """The tank's charge by usable height, as its sensor shows it: no more than 100."""
        return self.spec.gauge.level_pct(self.tank.temps_c)

    def obey(self, payload: bytes) -> bool:
        """Take an order to the diverter; False if it is none it knows."""
        return self.diverter.obey(payload, self.now_s)

    def advance(self, dt_s: float) -> None:
        """Live through the next dt_s seconds (above 0, at most 60: longer steps would blur kettles and clouds)."""
        if not 0 < dt_s <= LONGEST_STEP_S:
            raise ValueError(f"expected a step above 0 and up to {LONGEST_STEP_S:.0f} s, got {dt_s}")
        local = datetime.fromtimestamp(self.now_s, self.spec.timezone)
        flows = self._powers(local.hour, dt_s)
        self._heat_and_draw(local.hour * 3600.0 + local.minute * 60.0 + self.now_s % 60.0, flows, dt_s)
        self._count(flows, dt_s)
        self.flows = flows
        self.now_s += dt_s

    def _powers(self, hour: int, dt_s: float) -> Flows:
        """Who takes what: the house first, then its battery, then the diverter, then the grid."""
        spec, roof = self.spec, self.spec.roof
        pv_w = min(roof.inverter_most_w, roof.kwp * roof.efficiency * self._sky.irradiance_w_per_m2(self.now_s))
        load_w = self._appliances.power_w(self.now_s, hour)
        battery_w = self.battery.take(pv_w - load_w, dt_s)
        spare_w = pv_w - load_w - battery_w
        diverted_w = self.diverter.power_w(spare_w, self.now_s)
        if not self.lower.let_through(self.tank.temps_c[spec.lower.layer]):
            diverted_w = 0.0
        timer_on = spec.timer.from_hour <= hour < spec.timer.to_hour
        upper_c = self.tank.temps_c[spec.upper.layer]
        topup_w = spec.upper.rated_w if self.upper.let_through(upper_c) and timer_on else 0.0
        return Flows(pv_w, load_w, battery_w, diverted_w, topup_w, diverted_w + topup_w - spare_w)

    def _heat_and_draw(self, of_day_s: float, flows: Flows, dt_s: float) -> None:
        draw_l, wanted_wh = self._taps.draw_l(of_day_s, dt_s, self.tank.temps_c[-1], self.spec.tank.cold_c)
        drawn_wh, lost_wh = self.tank.drawn_wh, self.tank.lost_wh
        self.tank.advance(dt_s, (flows.diverted_w, flows.topup_w), draw_l=draw_l)
        self.totals.drawn_wh += self.tank.drawn_wh - drawn_wh
        self.totals.wanted_wh += wanted_wh
        self.totals.lost_wh += self.tank.lost_wh - lost_wh

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
        middle, low = self.spec.sensors
        at = datetime.fromtimestamp(self.now_s, UTC).isoformat().replace("+00:00", "Z")
        in_wh, out_wh = int(totals.import_wh), int(totals.export_wh)
        texts = {
            "house/meter": f'"w": {round(flows.grid_w)}, "in_wh": {in_wh}, "out_wh": {out_wh}',
            "house/roof": f'"w": {round(flows.pv_w)}',
            "house/battery": f'"w": {round(flows.battery_w)}, "charge": {self.battery.level_pct:.1f}',
            "house/tank": f'"level": {self.level_pct:.1f}, "top_c": {self.tank.temps_c[-1]:.2f}, '
            f'"mid_c": {self.tank.temps_c[middle]:.2f}, "bottom_c": {self.tank.temps_c[low]:.2f}',
            "house/diverter": f'"w": {round(flows.diverted_w)}, "wh": {int(totals.diverted_wh)}',
            "house/topup": f'"wh": {int(totals.topup_wh)}',
        }
        return {topic: f'{{{text}, "t": "{at}"}}'.encode() for topic, text in texts.items()}
