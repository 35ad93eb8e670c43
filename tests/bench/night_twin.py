"""Cells of the night game on the tank's twin: the daemon's rules heat layered water, and taps may run cold.

The tank is the game's in litres: what the rules call full holds the game's capacity, and a full tank loses the game's
share. What the game draws in a half hour leaves the taps in one go from the half hour's start, or evenly where that
does not suffice. The rules are asked each minute and see the meter's surplus and the tank's level. A plan is made anew
each half hour, by the planner that the daemon has, from what its sensors show: the surplus, the level, and the heat
that has left the tank. What is played is followed as the daemon follows a plan: heat from the grid in its hours, up to
its level; the sun is the rules' own.
"""

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from accounting.model.journal import SUN
from accounting.reports.study_figures import MWS_PER_WH, Figures
from daemon.config.load import load
from daemon.planning.tank_store import tank_of
from daemon.simulation.study.closed_loop import Planning, simulate
from daemon.simulation.study.recording import Recording
from daemon.simulation.study.studied_home import StudiedHome, studied
from rules.model.memory import Planned, PlannedRun
from rules.planning.planner import Planner
from rules.planning.policy import HalfHour
from rules.planning.store import HALF_HOUR_S, HALF_HOURS_A_DAY
from rules.tank.cylinder import WH_PER_L_K
from rules.tank.standing_loss import TEST_K
from tests.bench.night_case import Case
from tests.bench.night_rivals import cheapest_quarters, foresight_schedule

COLD_C, HOT_C, AMBIENT_C = 10.0, 60.0, 20.0
FULL_PCT = 95
TAP_WH = 209
"""Heat in a minute of a tap or shower of 6 L a minute, 30 K above cold (common practice, no source)."""
MINUTES = 30
LEAST_GRID_WH = 1.0
LEVELS_PCT = range(0, 101, 20)
HEATER = "main"

HOME = """\
[home]
name = "Larch Row"
timezone = "{timezone}"
currency = "EUR"
[signals.surplus_w]
topic = "row/surplus"
[signals.tank_level_pct]
topic = "row/level"
[signals.diverted_w]
topic = "row/heater"
[heaters.main]
kind = "gate"
rated_w = {power_w}
topic = "row/permit"
orders = {{ withhold = "0", surplus = "1", heat = "2" }}
[tank]
volume_l = {volume_l}
cold_c = {cold_c}
hot_c = {hot_c}
ambient_c = {ambient_c}
loss_w = {loss_w}
[rules.full]
stop_at_pct = {full_pct}
resume_below_pct = {again_pct}
[tariffs.import]
direction = "import"
series = "import.csv"
[tariffs.export]
direction = "export"
series = "export.csv"
[plan]
mode = "follow"
"""
WITH_BOILER = """\
[[displaces]]
source = "boiler"
share = 1
price = {boiler_price}
[rules.worth]
enabled = true
"""
WITHOUT = """\
[[displaces]]
source = "electricity"
share = 1
tariff = "import"
"""


@dataclass(frozen=True, slots=True)
class Outcome:
    """cost: money for heat bought and export given up, with missing heat at the case's boiler price and the end stock
    settled as in the game; missing_kwh: what a boiler made, or nobody did; cold_minutes: of a tap colder than wanted,
    where there is no boiler; lost_kwh: from the tank; switchings: changes of the order."""

    cost: float
    sun_kwh: float
    grid_kwh: float
    missing_kwh: float
    cold_minutes: float
    lost_kwh: float
    switchings: int


@dataclass(frozen=True, slots=True)
class Played:
    """bound: foresight's cost on the game's simple stock; fixed_level_pct: of the best fixed level; alike: the plan
    if it counts all heat alike (None with a boiler, for then it does); the rest as `Outcome` on the twin."""

    days: float
    bound: float
    plan: Outcome
    alike: Outcome | None
    always_full: Outcome
    fixed: Outcome
    fixed_level_pct: int
    foresight: Outcome


class TwinHouse:
    """A case with its home file and its recording, ready to be played. boiler: whether one helps out; lukewarm_pct: as
    in [plan], where it is stated."""

    def __init__(self, case: Case, timezone: str, *, boiler: bool, lukewarm_pct: int | None = None) -> None:
        self.case = case
        self.timezone = timezone
        self.boiler = boiler
        self.home = _home(case, timezone, lukewarm_pct, boiler=boiler)
        self.recording = _recording(case)

    def play(self, planning: Planning) -> Outcome:
        figures = simulate(self.home, self.recording, lambda _: 0, planning=planning)
        return self._outcome(figures)

    def _outcome(self, figures: Figures) -> Outcome:
        case = self.case
        assert figures.cost_micro is not None
        given_up = sum((row.surplus_wh or 0.0) * row.export_price for row in case.rows[: case.played]) / 1000
        missing_wh = (figures.heat.get("boiler", 0) if self.boiler else figures.short) / MWS_PER_WH
        cost = figures.cost_micro / 1e6 + given_up - figures.stock_change / MWS_PER_WH * case.end_price / 1000
        if not self.boiler:
            cost += missing_wh * case.store.missing_price / 1000
        return Outcome(
            cost=cost,
            sun_kwh=figures.heat.get(SUN, 0) / MWS_PER_WH / 1000,
            grid_kwh=(figures.heater - figures.heat.get(SUN, 0)) / MWS_PER_WH / 1000,
            missing_kwh=missing_wh / 1000,
            cold_minutes=figures.cold_s / 60,
            lost_kwh=figures.lost / MWS_PER_WH / 1000,
            switchings=figures.switchings,
        )


class Plans:
    """Makes the plan each half hour, as the daemon does: from the half hour that ended last, and all before."""

    def __init__(self, house: TwinHouse) -> None:
        case = house.case
        self._case = case
        self._half_hours = [HalfHour(r.day, r.weekday, r.slot, r.import_price, r.export_price) for r in case.rows]
        self._begun_s = int(case.rows[0].start.timestamp())
        dearest = max(row.import_price for row in case.rows[: 2 * HALF_HOURS_A_DAY])
        self._tank = tank_of(house.home.made, self._begun_s, dearest)
        self._planner = Planner(self._tank.store)
        self._drawn_wh = 0.0
        self._begun = False

    def __call__(self, at_s: int, level_pct: float, drawn_wh: float) -> Planned | None:
        at = (at_s - self._begun_s) // HALF_HOUR_S
        drawn_wh, self._drawn_wh = drawn_wh - self._drawn_wh, drawn_wh
        if not at:
            return None
        tank, row = self._tank, self._case.rows[at - 1]
        ahead = [each for each in self._half_hours[at - 1 : at + 2 * HALF_HOURS_A_DAY] if each.day < row.day + 2]
        stock_wh = min(level_pct / 100 * tank.full_wh, tank.store.capacity_wh)
        self._planner.decide(ahead, stock_wh, row.surplus_wh, drawn_wh)
        price = tank.boiler_price or 0.0
        plan = self._planner.plan(
            stock_wh, HALF_HOURS_A_DAY, tank.confidence, price, begun=self._begun, with_outlook=False
        )
        if plan is None:
            return None
        runs = (
            PlannedRun(
                at_s + (run.first - plan.first) * HALF_HOUR_S,
                at_s + (run.last - plan.first) * HALF_HOUR_S,
                tank.level_pct(run.level_pct / 100 * tank.store.capacity_wh),
            )
            for run in plan.runs
        )
        made = tuple(runs)
        first = made[0] if made else None
        self._begun = first is not None and first.from_s <= at_s and level_pct < first.level_pct
        return Planned(HEATER, made)


def at_level(house: TwinHouse, level_pct: float) -> Planning:
    """Fills the tank up to a level, % of the capacity, in the cheapest quarter of each local day."""
    places = set().union(*(places for places, _ in cheapest_quarters(house.case).values()))
    return _standing(house, lambda at: level_pct if at in places else None)


def foreseen(house: TwinHouse) -> tuple[float, Planning]:
    """Foresight's cost on the simple stock, and its heat from the grid, up to its level at the half hour's end."""
    schedule = foresight_schedule(house.case)
    capacity_wh = house.case.store.capacity_wh

    def level_pct(at: int) -> float | None:
        return 100 * schedule.stock_wh[at] / capacity_wh if schedule.grid_wh[at] > LEAST_GRID_WH else None

    return schedule.cost, _standing(house, level_pct)


def _standing(house: TwinHouse, level_of: Callable[[int], float | None]) -> Planning:
    begun_s = house.recording.from_s

    def planning(at_s: int, level_pct: float, drawn_wh: float) -> Planned | None:
        aim_pct = level_of((at_s - begun_s) // HALF_HOUR_S)
        if not aim_pct:
            return None
        return Planned(HEATER, (PlannedRun(at_s, at_s + HALF_HOUR_S, aim_pct * FULL_PCT / 100),))

    return planning


def play_all(house: TwinHouse, levels_pct: Sequence[int] = LEVELS_PCT) -> Played:
    """The plan and what it is measured against. levels_pct: of which the best in hindsight is taken; 100 among them."""
    bound, schedule = foreseen(house)
    levels = {level: house.play(at_level(house, level)) for level in levels_pct}
    best = min(levels, key=lambda level: levels[level].cost)
    alike = None
    if not house.boiler:
        unwary = TwinHouse(house.case, house.timezone, boiler=False, lukewarm_pct=0)
        alike = unwary.play(Plans(unwary))
    return Played(
        days=house.case.played / HALF_HOURS_A_DAY,
        bound=bound,
        plan=house.play(Plans(house)),
        alike=alike,
        always_full=levels[100],
        fixed=levels[best],
        fixed_level_pct=best,
        foresight=house.play(schedule),
    )


def _home(case: Case, timezone: str, lukewarm_pct: int | None, *, boiler: bool) -> StudiedHome:
    store = case.store
    full_wh = store.capacity_wh / FULL_PCT * 100
    text = HOME.format(
        timezone=timezone,
        power_w=round(store.power_w),
        volume_l=f"{full_wh / (WH_PER_L_K * (HOT_C - COLD_C)):.1f}",
        cold_c=COLD_C,
        hot_c=HOT_C,
        ambient_c=AMBIENT_C,
        loss_w=f"{2 * store.loss_per_half_hour * full_wh * TEST_K / (HOT_C - AMBIENT_C):.1f}",
        full_pct=FULL_PCT,
        again_pct=FULL_PCT - 7,
    )
    if lukewarm_pct is not None:
        text += f"lukewarm_pct = {lukewarm_pct}\n"
    text += WITH_BOILER.format(boiler_price=store.missing_price) if boiler else WITHOUT
    with tempfile.TemporaryDirectory(prefix="brimful-night-twin-") as name:
        folder = Path(name)
        (folder / "home.toml").write_text(text)
        for direction in ("import", "export"):
            lines = [f"{row.start.isoformat()},{getattr(row, f'{direction}_price')}" for row in case.rows]
            (folder / f"{direction}.csv").write_text("time,price\n" + "\n".join(lines) + "\n")
        return studied(load(folder / "home.toml"))


def _recording(case: Case) -> Recording:
    """The case's half hours in minutes. The house's own use beyond the sun is left out: it costs the same in all."""
    rows = case.rows[: case.played]
    found = Recording(case.name, 60, first_level_pct=case.start_wh / case.store.capacity_wh * FULL_PCT)
    for row in rows:
        begun_s = int(row.start.timestamp())
        surplus_mw = round(2000 * (row.surplus_wh or 0.0))
        left_wh, minute_wh = row.drawn_wh or 0.0, max(TAP_WH, (row.drawn_wh or 0.0) / MINUTES)
        for minute in range(MINUTES):
            found.at_s.append(begun_s + 60 * minute)
            found.length_s.append(60)
            found.gross_mw.append(surplus_mw)
            found.battery_mw.append(0)
            found.need_wh.append(min(left_wh, minute_wh))
            left_wh = max(left_wh - minute_wh, 0.0)
        found.pv_mws += surplus_mw * HALF_HOUR_S
    return found


def table(played: Played) -> str:
    """A cell's plays, one a row."""
    rows = {
        "plan": played.plan,
        **({"plan, all heat alike": played.alike} if played.alike is not None else {}),
        "always full": played.always_full,
        f"fixed, {played.fixed_level_pct} %": played.fixed,
        "foresight's schedule": played.foresight,
    }
    lines = [
        f"{played.days:.0f} days; foresight on the simple stock {played.bound:.2f}",
        f"{'':<22}{'cost':>9}{'sun kWh':>9}{'grid kWh':>10}{'lost kWh':>10}{'missing kWh':>13}{'cold minutes':>14}"
        f"{'switchings':>12}",
    ]
    lines += [
        f"{name:<22}{o.cost:>9.2f}{o.sun_kwh:>9.1f}{o.grid_kwh:>10.1f}{o.lost_kwh:>10.1f}{o.missing_kwh:>13.1f}"
        f"{o.cold_minutes:>14.0f}{o.switchings:>12}"
        for name, o in rows.items()
    ]
    return "\n".join(lines)
