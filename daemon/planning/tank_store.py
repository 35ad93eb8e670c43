"""The home's tank, heater and boiler as the planner sees them, and what had to be assumed."""

from dataclasses import dataclass

from daemon.assembly.burners import burner_of
from daemon.assembly.prepared_home import PreparedHome
from rules.model.errors import BrimfulError
from rules.model.formatting import percent
from rules.model.wording import Number, say
from rules.planning.store import HALF_HOUR_S, Store
from rules.tank.twin import element_at

OP = "plan the night"
COLD_TAP_TIMES = 3.0
"""Without a boiler a missing kWh is weighed like so many of the dearest to come. Common practice, no source."""
USUAL_LUKEWARM_PCT = 15.0
"""Without a boiler, unless the home file says otherwise. Of 0 to 60 % and 42 to 50 °C, tried on simulated tanks, 15 %
and 45 °C kept the taps nearly as warm as a full tank does, at the least cost (tests/bench/bench_night_twin.py)."""
WARM_C = 45.0
"""What an element's water must have throughout when its heating ends, for the taps to run at 40 °C for a while."""
USUAL_CONFIDENCE = 0.9
"""Without a boiler, unless the home file says otherwise. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Tank:
    """full_wh: heat in the full tank above the cold water's; store: up to the level at which heating stops;
    boiler_price: money per kWh of heat that a boiler makes of what is missing (None: no boiler); confidence: as in
    `Planner.plan`; heater: the one that heats from the grid ("": none can be ordered to); assumed: in sentences."""

    full_wh: float
    store: Store
    boiler_price: float | None
    confidence: float | None
    heater: str
    assumed: tuple[str, ...]

    def level_pct(self, stock_wh: float) -> float:
        """A heat as a level of the full tank, %."""
        return 100.0 * stock_wh / self.full_wh


def tank_of(made: PreparedHome, start_s: int, dearest: float) -> Tank:
    """What there is to plan with. dearest: the dearest import price to come, money per kWh.

    The loss is a full tank's, in proportion to the heat in it. Raises BrimfulError for a home without a tank.
    """
    home, tank = made.home, made.books.tank
    if tank is None:
        hint = "its volume at least; the level comes from a signal of the tank"
        raise BrimfulError(OP, "tank", f"expected a table [tank] in {home.file.name}, got none", hint)
    assumed = []
    able = home.heating_names
    if able:
        power_w, heater = home.heaters[able[0]].rated_w, able[0]
    else:
        heater = ""
        topup = home.tank.topup if home.tank is not None else None
        power_w = topup.rated_w if topup is not None else home.heaters[home.heater_names[0]].rated_w
        whose = say("your own timer") if topup is not None else say("whatever heats the tank at night")
        assumed.append(
            say(
                "No heater here can be ordered to heat: the plan is for {whose}, taken to heat with {power} W.",
                whose=whose,
                power=Number(f"{power_w:.0f}"),
            )
        )
    full_wh = tank.full_wh
    loss_w = max(tank.ua_w_per_k * (tank.hot_c - tank.ambient_c), 0.0)
    burner = burner_of(home, made)
    burner_price = burner.price(start_s, start_s + HALF_HOUR_S) if burner is not None else None
    boiler_price = None if burner_price is None else max(float(burner_price), 0.0)
    confidence = home.plan.confidence
    if boiler_price is None:
        confidence = USUAL_CONFIDENCE if confidence is None else confidence
        if burner is not None:
            assumed.append(say("The boiler's price is not known: the plan does without it."))
        assumed.append(
            say(
                "No boiler helps out: a missing kWh is weighed like {cold_tap_times} of the dearest to come (an "
                "assumption), and counts in no cost.",
                cold_tap_times=Number(f"{COLD_TAP_TIMES:g}"),
            )
        )
    capacity_wh = full_wh * made.rules.full.stop_at_pct / 100
    lukewarm_pct = home.plan.lukewarm_pct
    if lukewarm_pct is None:
        lukewarm_pct = USUAL_LUKEWARM_PCT if burner is None else 0.0
    warm_pct = 0.0
    if lukewarm_pct:
        warm_k, hot_k = WARM_C - tank.cold_c, max(tank.hot_c - tank.cold_c, 1.0)
        warm_pct = max(100 * warm_k / hot_k * (1.0 - element_at(heater)), lukewarm_pct)
        warm_pct = min(warm_pct, made.rules.full.stop_at_pct)
        assumed.append(
            say(
                "The taps are taken to run lukewarm below {lukewarm} (plan.lukewarm_pct), and heating from the grid "
                "goes on to {warm} at least: a half-heated tank is lukewarm throughout.",
                lukewarm=percent(lukewarm_pct),
                warm=percent(round(warm_pct)),
            )
        )
    store = Store(
        capacity_wh=capacity_wh,
        power_w=power_w,
        loss_per_half_hour=min(loss_w / 2 / full_wh, 0.5),
        missing_price=max(dearest, 0.0) * COLD_TAP_TIMES if boiler_price is None else boiler_price,
        reserve_wh=min(full_wh * home.plan.reserve_pct / 100, capacity_wh),
        lukewarm_wh=min(full_wh * lukewarm_pct / 100, capacity_wh),
        warm_wh=min(full_wh * warm_pct / 100, capacity_wh),
    )
    return Tank(full_wh, store, boiler_price, confidence, heater, tuple(assumed))
