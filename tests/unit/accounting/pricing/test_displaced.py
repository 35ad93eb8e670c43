from dataclasses import replace
from datetime import date, time
from fractions import Fraction

import pytest

from accounting.pricing.bands import Band, Day, Period
from accounting.pricing.carbon import Factor
from accounting.pricing.displaced import Displaced, total, uneven
from accounting.pricing.series import Series
from accounting.pricing.tariffs import Tariff
from tests.support.prices import GAS_HEAT, IMPORT, NIGHT_HEAT, ZONE, utc

NOON = utc("2026-02-03T12:00Z")
NIGHT_PRICE = Fraction("0.0921")


def test_heat_costs_what_its_source_costs_at_its_efficiency() -> None:
    assert GAS_HEAT.heat_price(NOON, NOON + 1800) == Fraction("0.14875")
    assert GAS_HEAT.heat_kg(NOON, NOON + 1800) == Fraction("0.1823") / Fraction("0.8")


def test_a_price_may_stand_for_a_tariff() -> None:
    assert Displaced("wood", Fraction(1), Fraction("0.5"), price=Fraction("0.06")).heat_price(0, 1800) == Fraction(
        "0.12"
    )


def test_what_would_have_run_tonight_is_priced_at_tonights_start() -> None:
    assert NIGHT_HEAT.heat_price(NOON, NOON + 1800) == NIGHT_PRICE
    assert replace(NIGHT_HEAT, band=None).heat_price(NOON, NOON + 1800) == Fraction("0.3170")


def test_the_next_start_is_strictly_after_the_intervals_start() -> None:
    start_s = utc("2026-02-03T02:00Z")
    # In the night's first interval the next night is tomorrow's; of a series that tells which night it is:
    carbon = Factor("grid", Series([(start_s, Fraction(1)), (start_s + 86_400, Fraction(2))]), "average", "x", 2026)
    tonight = replace(NIGHT_HEAT, carbon=carbon)
    assert tonight.heat_kg(start_s - 1800, start_s) == 1
    assert tonight.heat_kg(start_s, start_s + 1800) == 2


def test_where_no_such_band_comes_or_nothing_tells_there_is_no_price() -> None:
    assert replace(NIGHT_HEAT, band="cheap").heat_price(NOON, NOON + 1800) is None
    assert replace(NIGHT_HEAT, band="cheap").heat_kg(NOON, NOON + 1800) is None
    assert replace(NIGHT_HEAT, carbon=None).heat_kg(NOON, NOON + 1800) is None
    assert Displaced("air", Fraction(1)).heat_price(NOON, NOON + 1800) is None


def test_a_total_needs_every_part() -> None:
    assert total([(Fraction("0.6"), Fraction(1)), (Fraction("0.4"), Fraction(2))]) == Fraction("1.4")
    assert total([(Fraction("0.6"), Fraction(1)), (Fraction("0.4"), None)]) is None
    assert total([]) is None


def test_what_has_no_share_need_not_be_known() -> None:
    assert total([(Fraction(1), Fraction(1)), (Fraction(0), None)]) == 1
    assert total([(Fraction(0), Fraction(5))]) == 0


def only(share: str, start: time | None = None, end: time | None = None, months: range = range(1, 13)) -> Tariff:
    band = Band("only", Fraction(share), start, end, months=frozenset(months))
    return Tariff("import", (Period(date.min, None, (band, Band("not", Fraction(0)))),), ZONE)


def test_a_share_holds_in_its_season_and_hours_by_the_clock_on_the_wall() -> None:
    winter = replace(GAS_HEAT, shares=only("0.4", months=range(1, 4)))
    assert winter.share_over(NOON, NOON + 1800) == Fraction("0.4")
    assert winter.share_over(utc("2026-04-01T00:00+01:00"), utc("2026-04-01T00:30+01:00")) == 0
    morning = replace(GAS_HEAT, shares=only("0.4", time(6), time(12, 10)))
    assert morning.share_over(NOON, NOON + 1800) == Fraction("0.4") / 3
    assert GAS_HEAT.share_over(NOON, NOON + 1800) == Fraction("0.4")


def test_the_price_is_that_of_the_time_in_which_there_is_a_share() -> None:
    day_end = utc("2026-02-03T02:00Z")  # of two half hours of a tariff, one counts
    price = Tariff("fuel", IMPORT.periods, ZONE)
    source = Displaced("kettle", Fraction(1), tariff=price, shares=only("1", time(2), time(3)))
    assert source.heat_price(day_end - 1800, day_end + 1800) == NIGHT_PRICE
    assert source.share_over(day_end - 1800, day_end + 1800) == Fraction(1, 2)
    assert source.heat_price(NOON, NOON + 1800) is None
    flat = replace(source, tariff=None, price=Fraction(1))
    assert flat.next_change(NOON, NOON, 1800) == utc("2026-02-04T02:00Z"), "a share that comes is a change"
    unknown = Series([(0, None), (day_end, Fraction(7)), (day_end + 3600, None), (day_end + 7200, None)])
    assert replace(source, tariff=unknown).heat_price(day_end - 1800, day_end + 1800) == 7
    rows = Series([(0, Fraction(1)), (day_end, Fraction(2)), (day_end + 1800, Fraction(9))])
    factor = Factor("grid", rows, "both", "invented", 2026)
    assert replace(source, carbon=factor).heat_kg(day_end - 1800, day_end + 1800) == 2


@pytest.mark.parametrize("cut", [1, 600, 900, 1799])
def test_cutting_the_time_changes_no_mean(cut: int) -> None:
    source = replace(GAS_HEAT, tariff=IMPORT, shares=only("0.4", time(1, 50), time(2, 20)))
    start_s = utc("2026-02-03T01:45Z")

    def part(from_s: int, to_s: int) -> Fraction:
        return source.share_over(from_s, to_s) * (source.heat_price(from_s, to_s) or 0) * (to_s - from_s)

    whole = part(start_s, start_s + 1800)
    assert part(start_s, start_s + cut) + part(start_s + cut, start_s + 1800) == whole != 0


def test_the_marginal_carbon_is_its_own_factor() -> None:
    both = replace(GAS_HEAT, carbon_marginal=Factor("gas", Fraction("0.4"), "marginal", "", 0))
    assert both.heat_kg(NOON, NOON + 1800, marginal=True) == Fraction("0.5")
    assert both.heat_kg(NOON, NOON + 1800) == GAS_HEAT.heat_kg(NOON, NOON + 1800)
    assert GAS_HEAT.heat_kg(NOON, NOON + 1800, marginal=True) is None


def shares(*bands: tuple[str, time | None, time | None, frozenset[str]]) -> list[Band]:
    return [Band(str(n), Fraction(share), start, end, days) for n, (share, start, end, days) in enumerate(bands)]


def test_shares_add_up_on_every_kind_of_day_at_every_hour() -> None:
    week, end = frozenset({"mon", "tue", "wed", "thu", "fri"}), frozenset({"sat", "sun"})
    every = week | end | {"holiday"}
    assert uneven(shares(("0.4", None, None, every), ("0.6", None, None, every)), True) is None
    assert uneven(shares(("1", None, None, week), ("1", None, None, end)), False) is None
    assert uneven(shares(("1", None, None, week), ("1", None, None, end)), True) == (0, Day("holiday", 1), 0)
    assert uneven(shares(("1", time(6), time(22), every), ("1", time(22), time(6), every)), True) is None
    overlap = shares(("1", time(6), time(22), every), ("0.5", time(21), time(6), every), ("0.5", None, None, every))
    assert uneven(overlap, False) == (Fraction("1.5"), Day("mon", 1), 6 * 3600)


def test_the_price_of_next_night_holds_until_an_interval_starts_at_or_after_it() -> None:
    night_s = utc("2026-02-04T02:00Z")
    assert NIGHT_HEAT.next_change(NOON + 7, NOON, 1800) == night_s
    assert NIGHT_HEAT.next_change(NOON + 7, NOON, 3600) == night_s
    odd = replace(IMPORT, timezone="Asia/Kathmandu")  # +05:45: 02:00 there is 20:15 UTC
    assert replace(NIGHT_HEAT, tariff=odd).next_change(NOON, NOON, 1800) == utc("2026-02-03T20:30Z")
    assert GAS_HEAT.next_change(NOON, NOON, 1800) > NOON + 300 * 86_400
    assert Displaced("wood", Fraction(1), price=Fraction(1)).next_change(NOON, NOON, 1800) == float("inf")
