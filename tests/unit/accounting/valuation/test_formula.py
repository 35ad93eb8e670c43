from fractions import Fraction

import pytest

from accounting.pricing.displaced import total
from accounting.valuation.formula import Rates, half_even, micro
from tests.support.prices import EXPORT, GAS_HEAT, GRID_FACTOR, IMPORT, NIGHT_HEAT, utc, value


def test_an_interval_worked_with_a_pencil() -> None:
    """417 Wh diverted from 12:00 to 12:30 local on 10 May 2026, by an invented house's prices (EUR/kWh).

    given up   0.417 × 0.0550                             = 0.022935
    avoided    share 0.6, night, tonight's at 02:00: 0.0921 / 1.00 = 0.0921   × 0.6 = 0.05526
               share 0.4, gas boiler:               0.1190 / 0.80 = 0.14875  × 0.4 = 0.05950
               heat value per kWh                                             0.11476
               0.417 × 0.11476 = 0.04785492                       rounded     0.047855
    net        0.047855 − 0.022935                                 =           0.024920
    carbon     given up 0.417 × 0.255 = 0.106335 kg
               avoided  0.6 × 0.255 + 0.4 × 0.1823/0.80 = 0.153 + 0.09115 = 0.24415; × 0.417 = 0.10181055 kg
    """
    start_s = utc("2026-05-10T12:00+01:00")
    end_s = start_s + 1800
    sources = (NIGHT_HEAT, GAS_HEAT)
    rates = Rates(
        export_price=EXPORT.mean_price(start_s, end_s),
        heat_price=total([(s.share, s.heat_price(start_s, end_s)) for s in sources]),
        import_price=IMPORT.mean_price(start_s, end_s),
        export_kg=GRID_FACTOR.at(start_s, end_s),
        heat_kg=total([(s.share, s.heat_kg(start_s, end_s)) for s in sources]),
    )
    assert micro(rates.heat_price) == 114_760
    assert micro(rates.import_price) == 317_000
    worth = value(417, rates)
    assert (worth.given_up_micro, worth.avoided_micro) == (22_935, 47_855)
    assert worth.avoided_micro - worth.given_up_micro == 24_920
    assert (worth.given_up_mg, worth.avoided_mg) == (106_335, 101_811)


@pytest.mark.parametrize(
    ("numerator", "expected"), [(1, 0), (3, 2), (5, 2), (7, 4), (-1, 0), (-3, -2), (-5, -2), (4, 2), (0, 0)]
)
def test_halves_go_to_the_even_neighbour(numerator: int, expected: int) -> None:
    assert half_even(numerator, 2) == expected


def test_half_even_leaves_all_but_halves_to_the_nearest() -> None:
    assert [half_even(n, 10) for n in (14, 15, 16, 24, 25, 26, -14, -15, -16)] == [1, 2, 2, 2, 2, 3, -1, -2, -2]


def test_money_is_rounded_once_half_to_even() -> None:
    # 1 Wh at 0.0005 per kWh is half a millionth; at 0.0015 one and a half.
    assert value(1, Rates(Fraction("0.0005"), Fraction(0))).given_up_micro == 0
    assert value(1, Rates(Fraction("0.0015"), Fraction(0))).given_up_micro == 2


def test_used_takes_from_what_is_avoided_and_exportable_from_what_is_given_up() -> None:
    rates = Rates(Fraction("0.05"), Fraction("0.10"), None, Fraction("0.2"), Fraction("0.3"))
    worth = value(1000, rates, used=Fraction("0.5"), exportable=Fraction("0.8"))
    assert (worth.given_up_micro, worth.avoided_micro) == (40_000, 50_000)
    assert (worth.given_up_mg, worth.avoided_mg) == (160_000, 150_000)


def test_a_negative_export_price_is_income_from_diverting() -> None:
    assert value(1000, Rates(Fraction("-0.03"), Fraction(0))).given_up_micro == -30_000


def test_money_counts_on_both_sides_or_on_neither() -> None:
    """An export period that has ended leaves the heat's price alone: the energy is unpriced, and in no net."""
    for rates in (Rates(export_price=Fraction("0.05")), Rates(heat_price=Fraction("0.10"))):
        worth = value(1000, rates)
        assert (worth.given_up_micro, worth.avoided_micro, worth.unpriced_wh) == (0, 0, 1000)
    partly = value(1000, Rates(heat_price=Fraction("0.10")), sellable_wh=300)
    assert (partly.given_up_micro, partly.avoided_micro, partly.unpriced_wh) == (0, 70_000, 300)
    assert value(1000, Rates(Fraction("0.05"), Fraction("0.10"))).unpriced_wh == 0


def test_carbon_counts_only_where_both_sides_are_told() -> None:
    one = value(1000, Rates(heat_kg=Fraction("0.3")))
    other = value(1000, Rates(export_kg=Fraction("0.3")))
    assert (one.given_up_mg, one.avoided_mg, other.given_up_mg, other.avoided_mg) == (0, 0, 0, 0)


def test_what_nothing_tells_is_worth_nothing() -> None:
    worth = value(1000, Rates())
    assert (worth.given_up_micro, worth.avoided_micro) == (0, 0)
    assert micro(None) is None
