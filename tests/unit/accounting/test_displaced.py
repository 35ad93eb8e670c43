from dataclasses import replace
from fractions import Fraction

from accounting.carbon import Factor
from accounting.displaced import Displaced, total
from accounting.series import Series
from tests.support.prices import GAS_HEAT, IMPORT, NIGHT_HEAT, utc

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


def test_the_price_of_next_night_holds_until_an_interval_starts_at_or_after_it() -> None:
    night_s = utc("2026-02-04T02:00Z")
    assert NIGHT_HEAT.next_change(NOON + 7, NOON, 1800) == night_s
    assert NIGHT_HEAT.next_change(NOON + 7, NOON, 3600) == night_s
    odd = replace(IMPORT, timezone="Asia/Kathmandu")  # +05:45: 02:00 there is 20:15 UTC
    assert replace(NIGHT_HEAT, tariff=odd).next_change(NOON, NOON, 1800) == utc("2026-02-03T20:30Z")
    assert GAS_HEAT.next_change(NOON, NOON, 1800) > NOON + 300 * 86_400
    assert Displaced("wood", Fraction(1), price=Fraction(1)).next_change(NOON, NOON, 1800) == float("inf")
