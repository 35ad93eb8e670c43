"""Tonight's plan out of a home's own ledger: what it stands on, what is refused, and the safe defaults."""

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from accounting.ledger import Ledger
from daemon.planning.document import plan_document
from daemon.planning.making import NightPlan, make
from daemon.planning.scoring import past_of
from rules.model.errors import BrimfulError
from tests.support.planned_past import HOME, START, ZONE, Known, lived, usual

BOILER = """
[tariffs.gas]
direction = "fuel"
[[tariffs.gas.periods]]
from = 2020-01-01
bands = [{ name = "all", price = 0.08 }]
[[displaces]]
source = "gas boiler"
share = 1
tariff = "gas"
efficiency = 0.8
"""
ALL_SERVES = "[plan]\nlukewarm_pct = 0\n"
"""All heat counts alike."""
FLAT = HOME.replace('{ name = "night", from = "01:00", to = "06:00", price = 0.10 }, ', "")


def night(folder: Path, days: int = 15, half_hour=usual, at: datetime | None = None, **how) -> NightPlan:
    made = lived(folder, days, half_hour, **{"hours": 21, **how})
    with Ledger.open_reader(made.home.path_of(made.home.ledger.path)) as ledger:
        at_s = ledger.known_until_s() if at is None else at.timestamp()
        assert at_s is not None
        return make(made, ledger, at_s)


def said(found: NightPlan) -> str:
    return " ".join((*found.notes, *found.forecasts.sentences, found.why_none))


def test_it_heats_what_the_morning_lacks_at_the_night_s_price(tmp_path: Path) -> None:
    found = night(tmp_path, level_pct=5.0, home=HOME + ALL_SERVES)
    assert found.plan is not None
    assert found.history.usable_days == 15
    assert 1500 < found.plan.grid_wh < 3200  # the bath takes 2000 Wh, 500 Wh are there, the tank loses some
    run = found.plan.runs[0]
    start = datetime.fromtimestamp(found.from_s + 1800 * (run.first - found.plan.first), ZONE)
    assert 1 <= start.hour < 6
    assert found.plan.cold_risk <= 0.1


def test_without_a_boiler_the_tank_is_heated_until_it_is_warm_throughout(tmp_path: Path) -> None:
    """From 10 to 60 °C, 45 °C are 70 %; a bath out of a half-heated tank would be lukewarm."""
    found = night(tmp_path, level_pct=5.0)
    assert found.plan is not None
    assert found.tank.level_pct(found.tank.store.lukewarm_wh) == pytest.approx(15)
    assert found.tank.level_pct(found.tank.store.warm_wh) == pytest.approx(70)
    assert [round(run.level_pct * found.tank.store.capacity_wh / found.tank.full_wh) for run in found.plan.runs] == [70]
    assert "lukewarm below 15 % (plan.lukewarm_pct), and heating from the grid goes on to 70 %" in said(found)


def test_an_upper_element_warms_what_is_above_it(tmp_path: Path) -> None:
    found = night(tmp_path, 1, home=HOME.replace("[heaters.main]", "[heaters.upper]"))
    assert found.tank.heater == "upper"
    assert found.tank.level_pct(found.tank.store.warm_wh) == pytest.approx(28)


@pytest.mark.parametrize(("level_pct", "grid_wh", "begins"), [(40.0, 1500, [0]), (40.0, 0, []), (72.0, 1500, [])])
def test_heating_that_has_begun_goes_on(tmp_path: Path, level_pct: float, grid_wh: int, begins: list[int]) -> None:
    found = night(tmp_path, home=FLAT, hours=9, level_pct=level_pct, grid_wh=grid_wh)
    assert found.plan is not None
    assert [run.first - found.plan.first for run in found.plan.runs if run.first == found.plan.first] == begins


def test_the_surplus_is_what_left_and_what_was_taken(tmp_path: Path) -> None:
    found = night(tmp_path, 3)
    noon = [each for each in found.history.half_hours if datetime.fromtimestamp(each.start_s, ZONE).hour == 12]
    assert found.history.source == "grid_w"
    assert [each.surplus_wh for each in noon[-2:]] == [600.0, 600.0]
    assert [each.drawn_wh for each in found.history.half_hours[-28 * 2 :]].count(2000.0) == 1


def test_without_a_tape_the_sun_is_what_was_taken_of_it_and_that_is_said(tmp_path: Path) -> None:
    found = night(tmp_path, 3, tape=False)
    assert max(each.surplus_wh or 0.0 for each in found.history.half_hours) == 300.0
    assert "the least that it can have been" in said(found)


def test_no_history_is_planned_for_by_the_published_profile_and_no_sun(tmp_path: Path) -> None:
    found = night(tmp_path, 0, hours=2, level_pct=0.0)
    assert found.plan is not None
    assert found.plan.days_of_history == 0
    assert "profile M" in said(found)
    assert found.plan.sun_wh == 0.0
    assert found.plan.grid_wh > 3000


def test_a_week_of_gaps_is_no_week_without_draws(tmp_path: Path) -> None:
    def gappy(local: datetime) -> Known:
        return None if START + timedelta(days=9) <= local < START + timedelta(days=16) else usual(local)

    found = night(tmp_path, 20, gappy, level_pct=5.0)
    assert found.plan is not None
    assert found.history.usable_days == 13
    assert found.plan.grid_wh > 1500


def test_no_level_counts_as_an_empty_tank_and_is_said(tmp_path: Path) -> None:
    def silent(local: datetime) -> Known:
        return None if local >= START + timedelta(days=12, hours=12) else usual(local)

    found = night(tmp_path, 12, silent)
    assert found.history.stock_wh is None
    assert found.stock_wh == 0.0
    assert "takes the tank to be empty" in said(found)


def test_with_a_boiler_cheaper_than_every_hour_nothing_is_bought(tmp_path: Path) -> None:
    found = night(tmp_path, level_pct=5.0, home=HOME.replace("price = 0.10 }", "price = 0.25 }") + BOILER)
    assert found.tank.boiler_price == pytest.approx(0.10)
    assert found.plan is not None
    assert found.plan.runs == ()


def test_without_a_night_tariff_it_heats_no_earlier_than_it_must(tmp_path: Path) -> None:
    found = night(tmp_path, home=FLAT, level_pct=5.0)
    assert found.plan is not None
    assert found.plan.grid_wh > 1000
    assert found.plan.cold_risk <= 0.1


def test_a_negative_price_fills_the_tank(tmp_path: Path) -> None:
    found = night(tmp_path, home=HOME.replace("price = 0.10 }", "price = -0.05 }"), level_pct=20.0)
    assert found.plan is not None
    assert found.plan.runs[0].level_pct > 95
    assert found.plan.outlook is not None
    assert found.plan.outlook.choices[0].cost < 0


@pytest.mark.parametrize("end", [datetime(2026, 3, 28, 21, tzinfo=ZONE), datetime(2026, 10, 24, 21, tzinfo=ZONE)])
def test_the_nights_on_which_the_clock_changes(tmp_path: Path, end: datetime) -> None:
    found = night(tmp_path, 12, start=(end - timedelta(days=12, hours=21)), level_pct=5.0, hours=21, at=end)
    assert found.plan is not None
    assert len(found.hours) == 48
    assert found.to_s - found.from_s == 86_400
    for run in found.plan.runs:
        local = datetime.fromtimestamp(found.from_s + 1800 * (run.first - found.plan.first), ZONE)
        assert 1 <= local.hour < 6, local


def test_away_for_the_whole_of_it_nothing_is_planned(tmp_path: Path) -> None:
    away = "[rules.away]\nperiods = [{ from = 2026-06-16T20:00:00, to = 2026-06-29 }]\n"
    found = night(tmp_path, home=HOME + away)
    assert found.plan is None
    assert "away until" in found.why_none


def test_no_price_is_no_plan(tmp_path: Path) -> None:
    bare = HOME[: HOME.index("[tariffs.buy]")]
    made = lived(tmp_path, 0, home=bare, hours=2)
    with Ledger.open_reader(made.home.path_of(made.home.ledger.path)) as ledger:
        found = make(made, ledger, ledger.known_until_s() or 0.0)
        assert found.plan is not None  # the books noted prices: the usual ones stand for those to come
        assert "usual ones" in said(found)
        early = make(made, ledger, START.timestamp())
    assert early.plan is None
    assert "No price" in early.why_none
    document = plan_document(early, made.home, {"nights": 0, "mean_regret": None})
    assert document["runs"] == []
    assert document["heat_wh"] == 0


def test_without_a_known_price_of_what_is_sold_the_sun_is_not_free(tmp_path: Path) -> None:
    unknown = HOME.replace('from = 2020-01-01\nbands = [{ name = "all"', 'from = 2035-01-01\nbands = [{ name = "all"')
    found = night(tmp_path, 3, home=unknown, priced=False)
    assert "counts the sun as dear as electricity bought" in said(found)
    assert all(hour.export_price == hour.import_price for hour in found.hours)


def test_without_a_past_price_of_what_is_sold_what_was_bought_still_counts(tmp_path: Path) -> None:
    """On a Saturday the Sunday is cheap until its end; that Mondays are dear only the days before can show."""

    def much(local: datetime) -> Known:
        return 0.0, 4000.0 if local.hour in (7, 20) and local.minute == 0 else 0.0

    weekend = HOME.replace(
        '{ name = "night", from = "01:00", to = "06:00", price = 0.10 }',
        '{ name = "weekend", days = ["sat", "sun"], price = 0.10 }',
    ).replace('name = "day", price = 0.30', 'name = "day", days = ["mon", "tue", "wed", "thu", "fri"], price = 0.90')
    unsold = weekend.replace('from = 2020-01-01\nbands = [{ name = "all"', 'from = 2035-01-01\nbands = [{ name = "all"')
    found = [
        night(_folder(tmp_path, home), 12, much, hours=23, home=home, priced=False).plan for home in (weekend, unsold)
    ]
    known, unknown = ([run.level_pct for run in plan.runs][-1] for plan in found if plan is not None)
    assert known > 60  # for the Monday
    assert unknown == pytest.approx(known, abs=5)


def _folder(parent: Path, home: str) -> Path:
    made = parent / ("unsold" if "2035" in home else "sold")
    made.mkdir()
    return made


def test_where_what_is_sold_has_no_price_yet_the_usual_one_stands_for_it(tmp_path: Path) -> None:
    to_end = HOME.replace(
        'from = 2020-01-01\nbands = [{ name = "all"', 'from = 2020-01-01\nto = 2026-06-05\nbands = [{ name = "all"'
    )
    found = night(tmp_path, 3, home=to_end, priced=False)
    assert "Prices from" in said(found)
    assert [hour.export_price for hour in found.hours] == pytest.approx([0.05] * 48)


@pytest.mark.parametrize(
    ("level_pct", "note"),
    [(99.0, "The tank's level is 99 %; the plan counts on 95 %: heating stops there."), (94.0, "")],
)
def test_the_level_is_shown_as_measured_and_what_the_plan_counts_on_is_said(
    tmp_path: Path, level_pct: float, note: str
) -> None:
    made = lived(tmp_path, 3, hours=21, level_pct=level_pct)
    with Ledger.open_reader(made.home.path_of(made.home.ledger.path)) as ledger:
        found = make(made, ledger, ledger.known_until_s() or 0.0)
    document = plan_document(found, made.home, {"nights": 0, "mean_regret": None})
    assert document["level_pct"] == level_pct
    assert ("counts on" in said(found)) is bool(note)
    assert note in document["unknown"] or not note


def test_figures_of_one_name_are_one_figure(tmp_path: Path) -> None:
    """What the runs heat, what the grid gives in all, the choices' first row and the sentence."""

    def restless(local: datetime) -> Known:
        """Sun every other day, and each day a draw at an hour of its own."""
        surplus_wh, draw_wh = usual(local)
        more_wh = 1500.0 if local.hour == 7 + local.day * 5 % 13 and local.minute == 0 else 0.0
        return (surplus_wh if local.day % 2 else 0.0), draw_wh + more_wh

    made = lived(tmp_path, 15, restless, home=FLAT + ALL_SERVES, hours=21, level_pct=5.0)
    with Ledger.open_reader(made.home.path_of(made.home.ledger.path)) as ledger:
        night = make(made, ledger, ledger.known_until_s() or 0.0)
    document = plan_document(night, made.home, {"nights": 0, "mean_regret": None})
    planned_wh, grid_wh = document["heat_wh"], document["grid_wh"]
    assert planned_wh == sum(run["wh"] for run in document["runs"])
    assert grid_wh == document["choices"][0]["grid_wh"]
    assert grid_wh > planned_wh + 50  # else the sentence would have nothing to part
    expected = f"the grid {grid_wh / 1000:.1f} kWh ({planned_wh / 1000:.1f} kWh in the hours of this plan, the rest"
    assert expected in document["reasons"][1]


def test_a_home_without_a_tank_is_refused(tmp_path: Path) -> None:
    tankless = HOME[: HOME.index("[tank]")] + HOME[HOME.index("[tariffs.buy]") :]
    (tmp_path / "home.toml").write_text(tankless)
    with pytest.raises(BrimfulError, match=r"expected a table \[tank\]"):
        night_of_no_tank(tmp_path)


def night_of_no_tank(folder: Path) -> None:
    from daemon.assembly.prepared_home import prepare
    from daemon.config.load import load
    from daemon.planning.tank_store import tank_of

    tank_of(prepare(load(folder / "home.toml")), 0, 0.3)


def test_what_comes_later_changes_nothing(tmp_path: Path) -> None:
    """No peeking: as of an earlier instant, a longer ledger gives the same plan."""
    short, long = tmp_path / "short", tmp_path / "long"
    documents = []
    for folder, days in ((short, 12), (long, 20)):
        folder.mkdir()
        made = lived(folder, days, hours=21)
        at_s = START.timestamp() + 12 * 86_400 + 21 * 3600
        with Ledger.open_reader(made.home.path_of(made.home.ledger.path)) as ledger:
            documents.append(plan_document(make(made, ledger, at_s), made.home, past_of(ledger, at_s)))
    assert documents[0] == documents[1]
    assert documents[0]["schema"] == "brimful.plan/1"
    assert {"made_at", "from", "to", "heat_wh", "target_level_pct", "runs", "expected_cost", "confidence"} <= set(
        documents[0]
    )
