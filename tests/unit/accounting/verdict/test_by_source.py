"""What was avoided, by displaced source."""

from fractions import Fraction

import pytest

from accounting.ledger.totals import Assumed
from accounting.reports.value import ValueRow
from accounting.verdict.by_source import NOT_DIVIDED, by_source


def test_money_adds_up_and_energy_goes_by_the_kept_shares() -> None:
    rows = [
        ValueRow(start_s=0, end_s=10, avoided_micro=3_000_000),
        ValueRow(start_s=10, end_s=20, avoided_micro=1_000_000),
    ]
    assumed = [Assumed("1", "1/4 gas, 3/4 night", 8000, 0, 0, 0), Assumed("1", None, 2000, 0, 0, 0)]
    gas, night = by_source(
        rows,
        assumed,
        lambda start_s, end_s: {"gas": 0.8, "night": 0.2} if start_s else {"gas": 0.5, "night": 0.5},
        0.5,
        {"gas": Fraction(1)},
    )
    assert (gas.source, night.source) == ("gas", "night")
    assert gas.avoided == pytest.approx(2.3)
    assert gas.avoided + night.avoided == pytest.approx(4.0)
    assert gas.heat_kwh == pytest.approx(0.5 * (2 + 2))
    assert night.heat_kwh == pytest.approx(0.5 * 6)


def test_what_cannot_be_divided_is_a_part_of_its_own() -> None:
    rows = [
        ValueRow(start_s=0, end_s=10, avoided_micro=3_000_000),
        ValueRow(start_s=10, end_s=20, avoided_micro=1_000_000),
    ]
    assumed = [Assumed("1", "1 gas", 8000, 0, 0, 0)]
    gas, rest = by_source(rows, assumed, lambda start_s, _: {"gas": 0.0 if start_s else 1.0}, 1.0, {})
    assert (gas.source, gas.avoided, gas.heat_kwh) == ("gas", 3.0, 8.0)
    assert (rest.source, rest.avoided, rest.heat_kwh) == (NOT_DIVIDED, 1.0, 0.0)


def test_what_nothing_displaces_has_no_source() -> None:
    assert by_source([], [Assumed("1", "", 8000, 0, 0, 0)], lambda _s, _e: {}, 1.0, {}) == ()
