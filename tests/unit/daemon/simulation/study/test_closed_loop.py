"""The closed loop: settings that save and settings that lose, the timer, the boiler, and an independent mixed tank."""

from collections.abc import Iterable
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.reports.study_figures import MWS_PER_WH, Figures
from daemon.control.engine import Engine
from daemon.documents.study_document import difference
from daemon.inputs.readings_file import open_readings
from daemon.simulation.study import closed_loop
from daemon.simulation.study.closed_loop import simulate
from daemon.simulation.study.comparison import blocks, home_of
from daemon.simulation.study.hot_water import Wanted
from daemon.simulation.study.recording import read
from rules.model.memory import Planned, PlannedRun
from rules.model.orders import Decision
from rules.model.reading import Moment, Reading
from tests.support import study_house

DAYS = 12
ZONE = ZoneInfo("Europe/Dublin")


def kwh(mws: int) -> float:
    return mws / MWS_PER_WH / 1000


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return study_house.write(tmp_path_factory.mktemp("study") / "readings.csv", study_house.rows(DAYS))


def studied(readings: Path, text: str = study_house.HOME, **setting: str) -> Figures:
    file = readings.with_name("home.toml")
    file.write_text(text)
    home = home_of(file, {key.replace("__", "."): value for key, value in setting.items()})
    with open_readings(readings, ["main"]) as opened:
        recording = read(opened, Wanted(2.0, home.zone, 50.0))
    return simulate(home, recording, blocks(recording, home.zone)[0])


class MixedTank:
    """A tank of one temperature, written apart from the twin and the rules: an hour's worth of arithmetic.

    At night from 02:00 to 05:00 a timer heats to 60 % of a full tank; by day the sun's surplus above 150 W goes in
    until 95 %, and again from 88 %. Draws take heat as far as it goes, the boiler gives the rest.
    """

    def __init__(self) -> None:
        self.full_wh = 180 * 1.163 * 50
        self.wh = self.full_wh / 2
        self.ua = (16.66 + 8.33 * 180**0.4) / 45
        self.sun_wh = self.night_wh = self.boiler_wh = 0.0
        self.cost = 0.0
        self._full = self._on = False

    def minute(self, at_s: float, house_w: float, pv_w: float, want_wh: float) -> None:
        hour = datetime.fromtimestamp(at_s, ZONE).hour
        served = min(want_wh, max(self.wh, 0.0))
        self.wh -= served
        self.boiler_wh += want_wh - served
        self.cost += (want_wh - served) / 1000 * 0.08 / 0.8
        level = self.wh / self.full_wh
        self._full = level >= 0.95 or (self._full and level >= 0.88)
        night = 2 <= hour < 5
        timer_w = 2800.0 if night and level < 0.6 else 0.0
        spare_w = pv_w - house_w - timer_w
        self._on = not self._full and spare_w >= (0.0 if self._on else 150.0)
        sun_w = min(spare_w, 2800.0) if self._on and spare_w >= 100 else 0.0
        net_w = house_w + timer_w + sun_w - pv_w
        price = (0.09 if night else 0.32) if net_w > 0 else 0.05
        self.cost += net_w / 60_000 * price
        mean_c = 10 + self.wh / (180 * 1.163)
        self.wh += (timer_w + sun_w - self.ua * (mean_c - 20)) / 60
        self.sun_wh += sun_w / 60
        self.night_wh += timer_w / 60


def test_sun_and_cost_lie_near_those_of_an_independent_mixed_tank(readings: Path) -> None:
    found = studied(readings)
    tank = MixedTank()
    rows = list(study_house.rows(DAYS))
    for row, after in pairwise([*rows, rows[-1]]):
        tank.minute(row["at_s"], row["house_w"], row["pv_w"], after["drawn_wh"] - row["drawn_wh"])
    assert found.cost_micro is not None
    assert kwh(found.heat["sun"]) == pytest.approx(tank.sun_wh / 1000, rel=0.04)
    assert found.cost_micro / 1e6 == pytest.approx(tank.cost, rel=0.03)
    assert kwh(found.heat.get("grid:night", 0)) == pytest.approx(tank.night_wh / 1000, rel=0.25, abs=2.0)


def test_without_a_diverter_all_surplus_is_sold_and_no_order_given(readings: Path) -> None:
    without, as_it_is = studied(readings, diverter="off"), studied(readings)
    assert "sun" not in without.heat
    assert without.switchings == 0
    assert as_it_is.switchings > 2 * DAYS
    assert without.exported - as_it_is.exported == pytest.approx(as_it_is.heat["sun"], rel=0.01)
    assert without.cost_micro is not None
    assert as_it_is.cost_micro is not None
    assert as_it_is.cost_micro < without.cost_micro  # the export price is below the heat's


def dearer_by(changed: Figures, as_it_is: Figures) -> tuple[float, float, float]:
    """How much more a change costs, with its range: low, likely, high."""
    told = difference(changed, as_it_is)
    return told["low"], told["cost"], told["high"]


def test_a_stop_level_of_40_percent_is_shown_bad_with_its_range(readings: Path) -> None:
    low, as_it_is = studied(readings, rules__full__stop_at_pct="40"), studied(readings)
    assert low.heat.get("sun", 0) < 0.5 * as_it_is.heat["sun"]
    least, likely, most = dearer_by(low, as_it_is)
    assert 0 < least < likely < most


def test_heating_while_the_export_price_is_twice_the_heats_is_shown_bad_with_its_range(readings: Path) -> None:
    # The boiler's heat is worth 0.10 a kWh, and not all that goes in is of use: a kWh loses 0.10 to 0.20.
    export = {"tariffs__export__periods__0__bands__all__price": "0.20"}
    off, on = (studied(readings, **export, rules__worth__enabled=enabled) for enabled in ("false", "true"))
    least, likely, most = dearer_by(off, on)
    assert 0 < least < likely < most
    assert 0.10 < likely / kwh(off.heat["sun"]) < 0.20


def test_while_a_rule_may_heat_on_a_purpose_the_rules_are_asked_at_night_too(
    readings: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[float] = []
    hear = Engine.hear

    def counted(engine: Engine, told: Iterable[Reading], now: Moment) -> Decision:
        asked.append(now.utc_s)
        return hear(engine, told, now)

    monkeypatch.setattr(Engine, "hear", counted)
    plain = studied(readings)
    seldom = len(asked)
    monkeypatch.setattr(closed_loop, "has_purpose", lambda *known: True)
    assert studied(readings) == plain
    assert len(asked) - seldom == DAYS * 1440 > 1.5 * seldom


def test_the_worth_rule_sells_what_is_worth_more_sold(readings: Path) -> None:
    # The boiler's heat is worth 0.10 a kWh; at 0.20 for export diverting loses half of what it could earn.
    price = {"tariffs__export__periods__0__bands__all__price": "0.20"}
    off, on = (studied(readings, **price, rules__worth__enabled=enabled) for enabled in ("false", "true"))
    assert "sun" not in on.heat
    assert off.heat["sun"] > 0
    assert on.cost_micro is not None
    assert off.cost_micro is not None
    assert on.cost_micro < off.cost_micro


def test_the_timer_heats_in_its_hours_to_its_level(readings: Path) -> None:
    high, low = (studied(readings, tank__topup__level_pct=level, diverter="off") for level in ("90", "30"))
    assert set(high.heat) <= {"grid:night", "boiler"}
    assert high.heat["grid:night"] > low.heat["grid:night"]
    assert low.heat["boiler"] > high.heat.get("boiler", 0)


def test_without_a_boiler_what_lacks_is_unserved_and_the_taps_run_cold(readings: Path) -> None:
    text = study_house.HOME.split("[[displaces]]")[0].replace(
        'topup = { from = "02:00", to = "05:00", level_pct = 60, rated_w = 2800 }', ""
    )
    found = studied(readings, text, diverter="off")
    assert found.heat == {}
    assert kwh(found.short) > 20
    assert found.cold_s > 600
    assert found.drawn + found.short == pytest.approx(DAYS * 27 * 170 * MWS_PER_WH, rel=0.01)


def test_a_battery_that_discharges_into_the_tank_is_named(tmp_path: Path) -> None:
    rows = [{**row, "battery_w": -800.0 if row["pv_w"] > 500 else 0.0} for row in study_house.rows(1.0)]
    readings = study_house.write(tmp_path / "battery.csv", iter(rows))
    found, without = studied(readings), studied(readings, battery="off")
    assert found.heat["battery"] > 0
    assert "battery" not in without.heat
    assert found.imported - found.exported < without.imported - without.exported


def test_a_study_without_sun_shows_what_hygiene_buys_at_night(tmp_path: Path) -> None:
    dark = study_house.write(tmp_path / "readings.csv", ({**row, "pv_w": 0.0} for row in study_house.rows(3)))
    text = study_house.HOME.replace('surplus = "1" }', 'surplus = "1", heat = "2" }').replace(
        'topup = { from = "02:00", to = "05:00", level_pct = 60, rated_w = 2800 }', "hot_c = 65"
    )
    text = text.replace("[heaters.main]", '[signals.tank_bottom_c]\ntopic = "tank/bottom"\n[heaters.main]', 1)
    without = studied(dark, text)
    assert "grid:night" not in without.heat
    bought = studied(dark, text, rules__hygiene__at_c="60").heat
    assert kwh(bought["grid:night"]) > 5.0, "a half-full tank, once"
    assert kwh(bought.get("grid:day", 0)) == 0.0


def test_plans_are_asked_for_each_half_hour_and_followed(tmp_path: Path) -> None:
    """Two hours of grid heat, up to a level, in a home without sun."""
    dark = study_house.write(tmp_path / "readings.csv", ({**row, "pv_w": 0.0} for row in study_house.rows(1)))
    file = tmp_path / "home.toml"
    text = study_house.HOME.replace('surplus = "1" }', 'surplus = "1", heat = "2" }').replace(
        'topup = { from = "02:00", to = "05:00", level_pct = 60, rated_w = 2800 }', ""
    )
    file.write_text(text + '\n[plan]\nmode = "follow"\n')
    home = home_of(file, {})
    with open_readings(dark, ["main"]) as opened:
        recording = read(opened, Wanted(2.0, home.zone, 50.0))
    begun_s = recording.from_s + 6 * 3600
    planned = Planned("main", (PlannedRun(begun_s, begun_s + 7200, 80.0),))
    seen: list[tuple[int, float, float]] = []

    def planning(at_s: int, level_pct: float, drawn_wh: float) -> Planned:
        seen.append((at_s, level_pct, drawn_wh))
        return planned

    found = simulate(home, recording, lambda _: 0, planning=planning)
    assert [at_s for at_s, _, _ in seen] == list(range(recording.from_s, recording.to_s, 1800))
    assert 76 < max(level_pct for _, level_pct, _ in seen) < 80.5  # it heats again from 3 % below
    assert [drawn_wh for _, _, drawn_wh in seen] == sorted(drawn_wh for _, _, drawn_wh in seen)
    assert seen[-1][2] > 3000
    assert kwh(found.heat["grid:day"]) > 2.0
    assert kwh(simulate(home, recording, lambda _: 0, planning=lambda *_: None).heat.get("grid:day", 0)) == 0.0
