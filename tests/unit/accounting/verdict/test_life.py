"""The year, the life, what matters most and what to do: from months of which everything is known."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from accounting.verdict.advice import advise
from accounting.verdict.against_export import AgainstExport, Month, losing_months
from accounting.verdict.climate import month_shares
from accounting.verdict.finance import irr, npv, payback_years, spv, upv
from accounting.verdict.judgement import Evidence, Rates, judge
from accounting.verdict.life import Assumptions, Hardware, expected_npv, life, paybacks
from accounting.verdict.ranges import Range
from accounting.verdict.sensitivity import sensitivity
from accounting.verdict.year import Figures, Sample, Year, draw_years, usual_year

LATITUDE = 51.5
PLAIN = Assumptions((Hardware("diverter", 400.0, 100.0, 20.0),), years=10, discount=0.035)


def samples(net: float = 10.0, months: tuple[int, ...] = tuple(range(1, 13)), known: float = 1.0) -> list[Sample]:
    figures = Figures(kwh=100.0 * known, electricity=net * known, avoided_kg=20.0 * known)
    return [Sample(month, known, figures) for month in months]


def year(*args: object) -> Year:
    found = usual_year(samples(*args), LATITUDE)  # type: ignore[arg-type]
    assert isinstance(found, Year)
    return found


def test_a_whole_year_stands_for_itself() -> None:
    assert year().total.net == pytest.approx(120)
    assert year().modelled_share == 0


def test_two_years_of_a_month_count_by_their_mean() -> None:
    found = usual_year([*samples(10.0), *samples(14.0)], LATITUDE)
    assert isinstance(found, Year)
    assert found.total.net == pytest.approx(144)


def test_missing_months_follow_the_sun() -> None:
    found = year(10.0, (6,))
    shares = month_shares(LATITUDE)
    assert found.months[5].measured
    december = found.months[11]
    assert not december.measured
    assert december.figures.net == pytest.approx(10.0 * shares[11] / shares[5])
    assert found.modelled_share == pytest.approx(1 - shares[5])


def test_a_month_that_lacks_a_day_counts_as_whole() -> None:
    found = year(10.0, (5, 6), 0.95)
    assert found.months[4].measured
    assert found.months[4].figures.net == pytest.approx(10.0)


def test_half_a_month_counts_as_half_and_is_not_measured() -> None:
    found = year(10.0, (5, 6), 0.5)
    assert found.modelled_share == pytest.approx(1)
    assert found.months[4].figures.net + found.months[5].figures.net == pytest.approx(20)


def test_less_than_a_month_is_no_year() -> None:
    assert "a month of books" in str(usual_year(samples(10.0, (6,), 0.4), LATITUDE))
    assert isinstance(usual_year([], LATITUDE), str)


def test_draws_are_the_same_for_the_same_seed_and_scatter_more_where_modelled() -> None:
    measured, modelled = (draw_years(each, 400, 1, 3).net for each in (year(), year(10.0, (6,))))
    assert np.array_equal(measured, draw_years(year(), 400, 1, 3).net)
    assert not np.array_equal(measured, draw_years(year(), 400, 1, 4).net)
    assert measured.mean() == pytest.approx(120, rel=0.02)
    assert modelled.std() / modelled.mean() > 2 * measured.std() / measured.mean()


def test_the_expected_value_is_the_annuity() -> None:
    """NIST Handbook 135: UPV × yearly saving − what was spent."""
    assert expected_npv(year(), PLAIN) == pytest.approx(120 * upv(0.035, 10) - 500)


def test_the_middle_of_the_draws_is_near_what_is_expected() -> None:
    found = life(year(), PLAIN)
    flows = [-500.0, *[120.0] * 10]
    assert found.spent == 500
    assert found.npv.p50 == pytest.approx(npv(0.035, flows), rel=0.1)
    assert found.irr.p50 == pytest.approx(irr(flows), rel=0.05)
    assert found.sir.p50 == pytest.approx(120 * upv(0.035, 10) / 500, rel=0.05)
    assert found.simple_payback_years.p50 == pytest.approx(500 / 120, rel=0.05)
    assert found.payback_years.p50 is not None
    assert found.payback_years.p50 > 500 / 120
    assert found.npv.p10 < found.npv.p50 < found.npv.p90  # type: ignore[operator]
    assert found.never_pays == 0
    assert found.keep_per_year.p50 == pytest.approx(120, rel=0.05)
    assert found.by_year[0].p50 == -500
    assert found == life(year(), PLAIN)


def test_what_loses_never_pays_and_is_not_worth_keeping() -> None:
    found = life(year(-3.0), PLAIN)
    assert found.never_pays == 1
    assert (found.payback_years.p10, found.irr.p50, found.airr.p50) == (None, None, None)
    assert found.keep_per_year.p90 is not None
    assert found.keep_per_year.p90 < 0


@pytest.mark.parametrize("rate", [0.0, 0.05])
def test_pay_backs_at_once_are_those_one_by_one(rate: float) -> None:
    rng = np.random.default_rng(7)
    whole = np.column_stack([-rng.uniform(0, 500, 200), rng.normal(60, 90, (200, 9))])
    whole[0, 0] = 0.0
    found = paybacks(whole, rate)
    expected = [payback_years(row, rate) for row in whole]
    assert None in expected
    assert [each is None for each in found] == [each is None for each in expected]
    assert [each for each in found if each is not None] == pytest.approx(
        [each for each in expected if each is not None]
    )


def test_sunk_cost_is_apart() -> None:
    """What brings a little a year is worth keeping though it never pays for another."""
    found = life(year(1.0), PLAIN)
    assert found.never_pays == 1
    assert found.keep_per_year.p10 is not None
    assert found.keep_per_year.p10 > 0


def test_standby_replacements_and_growth_count() -> None:
    standby = replace(PLAIN, hardware=(Hardware("diverter", 400, 100, 20, standby_w=5.0),), import_price=0.3)
    assert standby.standby_per_year == pytest.approx(5 * 8.766 * 0.3)
    assert expected_npv(year(), standby) == pytest.approx(
        expected_npv(year(), PLAIN) - standby.standby_per_year * upv(0.035, 10)
    )
    short = replace(PLAIN, hardware=(Hardware("diverter", 400, 100, 4, replaced=((2.0, 50.0),)),))
    assert list(short.replacements()) == [0, 50, 0, 400, 0, 0, 0, 400, 0, 0]
    again = 50 * spv(0.035, 2) + 400 * (spv(0.035, 4) + spv(0.035, 8))
    assert life(year(), PLAIN).npv.p50 - life(year(), short).npv.p50 == pytest.approx(again)  # type: ignore[operator]
    grown = replace(PLAIN, growth={"electricity": 0.03})
    assert expected_npv(year(), grown) > expected_npv(year(), PLAIN)


def test_what_matters_most_comes_first() -> None:
    figures = Figures(kwh=100, electricity=4, gas=8, given_up=3, avoided_kg=20)
    found = usual_year([Sample(month, 1.0, figures) for month in range(1, 13)], LATITUDE)
    assert isinstance(found, Year)
    moved = sensitivity(found, PLAIN, used=0.9, efficiency=0.85)
    widths = [each.width for each in moved]
    assert widths == sorted(widths, reverse=True)
    by_name = {each.what: each for each in moved}
    price = by_name["export price"]
    assert price.npv_low - price.npv_high == pytest.approx(0.6 * 36 * upv(0.035, 10))
    assert by_name["boiler efficiency"].npv_low > by_name["boiler efficiency"].npv_high
    assert "standby use" not in by_name
    assert by_name["share of the heat that is used"].high == "100 %"


def months(net_in_june: float) -> tuple[Month, ...]:
    return tuple(
        Month(date(2025, number, 1), 1.0, 100.0, 5.0, 5.0 + net, net, 3.0, 1.0, 100.0, 0.0)
        for number in range(1, 13)
        for net in (net_in_june if number == 6 else 4.0,)
    )


def books(net_in_june: float) -> AgainstExport:
    each = months(net_in_june)
    net = sum(month.net for month in each)
    return AgainstExport(date(2025, 1, 1), date(2026, 1, 1), 1200, 60, 60 + net, net, 36, each, 0.1, 0.05, 1.0, 0, 0)


def test_only_what_the_books_show_is_advised() -> None:
    assert losing_months(months(-6.0)) == (6,)
    assert losing_months((*months(-6.0), *months(2.0))) == ()  # one June lost, the other did not
    (found,) = advise(books(-6.0), PLAIN, carbon_known=True)
    assert found.say.startswith("Do not divert in June: selling the sun brought more.")
    assert "It costs carbon" in found.say
    assert (found.per_year, found.kg_per_year) == (6.0, -3.0)
    assert "export price falls below -0.0100" in found.flips_if
    assert advise(books(4.0), PLAIN, carbon_known=True) == ()


def test_standby_that_eats_a_months_net_is_advised_against() -> None:
    hungry = replace(PLAIN, hardware=(Hardware("diverter", 400, standby_w=40.0),), import_price=0.1, grid_kg=0.2)
    (found,) = advise(books(1.0), hungry, carbon_known=True)
    assert found.say.startswith("Switch the hardware itself off in June")
    assert found.per_year == pytest.approx(40 * 8.766 * 0.1 / 12 - 1.0)
    assert found.kg_per_year == pytest.approx(40 * 8.766 * 0.2 / 12 - 3.0)
    assert advise(books(3.0), hungry, carbon_known=True) == ()


def evidence(**changes: object) -> Evidence:
    whole = Evidence(
        against_export=books(4.0),
        comparison="no comparison was made",
        before_after="there is no history",
        samples=samples(4.0),
        rates=Rates(electricity=0.3, export=0.05, grid_kg=0.2),
        assumed=PLAIN,
        latitude=LATITUDE,
        carbon_known=True,
    )
    return replace(whole, **changes)  # type: ignore[arg-type]


def test_every_part_is_there_or_says_why_not() -> None:
    found = judge(evidence())
    assert found.why_not == {"before_after": "there is no history", "fair_comparison": "no comparison was made"}
    assert found.year is not None
    assert found.year.net.value == pytest.approx(48)
    assert found.year.net.low < 48 < found.year.net.high
    parts = ("against_export", "before_after", "fair_comparison", "year", "life", "sensitivity", "advice", "carbon")
    bare = judge(evidence(against_export="no books", samples=[], assumed="no hardware"))
    assert all(getattr(bare, name) is None for name in parts)
    assert set(bare.why_not) == set(parts)
    assert "either would answer it" in bare.why_not["year"]


def test_standby_that_has_no_price_or_is_not_stated_is_said_to_be_missing() -> None:
    def said(assumed: Assumptions) -> str:
        return " ".join(judge(evidence(assumed=assumed)).notes)

    hungry = replace(PLAIN, hardware=(Hardware("diverter", 400, standby_w=2.0),), import_price=0.3)
    assert "standby" not in said(hungry)
    assert "standby, 18 kWh a year, counts as no cost" in said(replace(hungry, import_price=None))
    plain, silent = Hardware("diverter", 400, standby_w=2.0), Hardware("relay", 30)
    lacking = said(replace(hungry, hardware=(plain, silent, Hardware("cable", 9, standby_w=0.0))))
    assert "[[hardware]] states no standby_w for relay: what it draws itself is in no figure." in lacking
    assert "standby" not in said(replace(PLAIN, hardware=(Hardware("cable", 9, standby_w=0.0),)))
    assert "states no standby_w for diverter" in said(PLAIN)


def test_without_an_export_price_a_history_gives_no_year() -> None:
    """Nothing given up would flatter: what the sun would have brought as sold is not known."""
    compared = SimpleNamespace(money=Range(100.0, 80.0, 120.0))
    found = judge(evidence(against_export="no books", before_after=compared, rates=Rates(electricity=0.3)))
    assert (found.year, found.life) == (None, None)
    assert "no export price is known" in found.why_not["year"]


def test_carbon_turns_only_where_money_and_carbon_disagree() -> None:
    found = judge(evidence()).carbon
    assert found is not None
    assert (found.kg_year, found.price_at_which_it_turns_per_t) == (pytest.approx(240), None)
    losing = judge(evidence(samples=samples(-4.0))).carbon
    assert losing is not None
    assert losing.price_at_which_it_turns_per_t == pytest.approx(48 / 240 * 1000)
    assert "it pays above that" in losing.turns
    embodied = replace(PLAIN, hardware=(Hardware("diverter", 400, embodied_kg=60.0),))
    made = judge(evidence(assumed=embodied)).carbon
    assert made is not None
    assert made.payback_years == pytest.approx(0.25)
    assert judge(evidence(carbon_known=False)).carbon is None
