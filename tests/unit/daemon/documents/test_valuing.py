"""What the figures of `value` rest on: whose share of used heat, what nobody splits, what would end with a source."""

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from accounting.ledger import Batch, DecisionRow, LedgerWriter
from daemon.config.cautions import battery_unheard
from daemon.documents.value_document import value_answer
from daemon.documents.valuing import home_value, usual_basis
from rules.model.orders import Order
from tests.support.homes import SMALL, home, told
from tests.support.ledgers import HALF_HOUR_S, START_S, entry, new_ledger

TANK = "[tank]\nvolume_l = 200\n"
SURPLUS = SMALL.replace("grid_w", "surplus_w")
GAS = """
[tariffs.gas]
direction = "fuel"
[[tariffs.gas.periods]]
from = 2026-01-01
bands = [{ name = "all", price = 0.10 }]
standing_per_day = 0.31
[[displaces]]
source = "gas boiler"
share = 1
tariff = "gas"
"""


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[LedgerWriter]:
    """Ten half hours of 700 Wh."""
    with new_ledger(tmp_path) as made:
        made.commit(Batch(START_S + 10 * HALF_HOUR_S, tuple(entry(place) for place in range(10))))
        yield made


@pytest.mark.parametrize(
    ("text", "basis"),
    [
        (SMALL, "stated"),
        (SMALL + TANK, "measured"),
        (SMALL + TANK + "[books]\nused = 1\n", "stated"),
        (SMALL + TANK + "[books]\nused = 0.8\n", "stated"),
        (SMALL + TANK + "[books]\nattribute = false\n", "stated"),
        (SMALL + TANK + "[books]\nattribute = true\n", "measured"),
    ],
)
def test_the_share_is_measured_where_a_stock_is_kept_and_the_file_states_none(text: str, basis: str) -> None:
    assert usual_basis(home(text)) == basis


@pytest.mark.parametrize(
    ("text", "attributes"),
    [
        (SMALL, True),
        (SURPLUS, False),
        (SMALL + "[books]\nattribute = false\n", False),
        (SMALL + "[books]\nused = 1\n", False),
        (SMALL + "[books]\nused = 0.8\n", True),
        (SMALL + "[books]\nused = 1\nattribute = true\n", True),
        (SMALL + '[signals.battery_w]\ntopic = "hut/battery"\n[books]\nused = 1\n', True),
    ],
)
def test_who_gave_the_energy_is_worked_out_wherever_a_signal_tells(text: str, attributes: bool) -> None:
    assert home(text).attributes is attributes


def decided(place: float, order: Order) -> DecisionRow:
    return DecisionRow(START_S + place * HALF_HOUR_S, "main", order, None, "override", "said")


def test_where_nothing_splits_it_what_was_taken_while_ordered_to_heat_is_bounded(ledger: LedgerWriter) -> None:
    orders = (
        decided(-3, Order.HEAT),
        decided(1.5, Order.WITHHOLD),  # the first two half hours
        decided(3.2, Order.SURPLUS),
        decided(4.1, Order.HEAT),
        decided(4.8, Order.SURPLUS),  # one
        decided(9.5, Order.HEAT),  # and the last
    )
    ledger.commit(Batch(START_S + 10 * HALF_HOUR_S, decisions=orders))
    valued = home_value(ledger, home(SURPLUS), "day")
    assert valued.heat_order_wh == 4 * 700
    (note,) = [note for note in value_answer(valued, home(SURPLUS))["notes"] if "ordered to heat" in note]
    assert note.startswith("Up to 2.800 kWh of 7.000 kWh was taken while a heater was ordered to heat")
    assert note.endswith("for neither grid_w nor battery_w is heard.")
    assert home_value(ledger, home(SMALL), "day").heat_order_wh is None, "there it is worked out"


def test_a_standing_charge_that_would_end_is_told_beside_the_net(ledger: LedgerWriter) -> None:
    """Two days of Dublin's time: 31 May to 1 June, from midnight of the one to noon of the other."""
    without = home_value(ledger, home(SMALL + GAS), "day", START_S, START_S + 86_400)
    assert without.standing == ()
    told_so = home(SMALL + GAS + "gives_up_standing = true\n")
    valued = home_value(ledger, told_so, "day", START_S, START_S + 86_400)
    assert valued.standing == (("gas boiler", Fraction("0.31")),)
    answer = value_answer(valued, told_so)
    assert answer["standing"] == [{"source": "gas boiler", "amount": 0.31}]
    assert any(
        "its standing charge, 0.31 EUR for this time, would end too; it is not in net" in n for n in answer["notes"]
    )
    assert valued.report.total.net_micro == without.report.total.net_micro


def test_energy_with_one_side_unpriced_is_told(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S + 10 * HALF_HOUR_S, (replace(entry(3), unpriced_wh=700, given_up_micro=0),)))
    answer = value_answer(home_value(ledger, home(SMALL), "day"), home(SMALL))
    assert answer["total"]["unpriced_kwh"] == answer["unpriced_kwh"] == 0.7
    assert any(note.startswith("0.700 kWh had a known price on one side at most") for note in answer["notes"])


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ("", ""),
        ('[signals.battery_w]\ntopic = "a"\n', "battery_level_pct is not heard"),
        ('[signals.battery_level_pct]\ntopic = "a"\n', "battery_w is not heard"),
        ("[books.battery]\ncapacity_kwh = 5\n", "battery_w and battery_level_pct are not heard"),
        ('[signals.battery_w]\ntopic = "a"\n[signals.battery_level_pct]\ntopic = "b"\n', ""),
    ],
)
def test_a_battery_that_is_not_heard_is_said(more: str, says: str) -> None:
    said = battery_unheard(home(SMALL + more))
    assert says in said
    assert bool(said) == bool(says)


def test_a_price_without_tax_needs_the_tax() -> None:
    source = '[[displaces]]\nsource = "oil"\nshare = 1\nprice = 0.10\n'
    assert told(SMALL + source + "tax_included = false\ntax_pct = 20\n") == []
    (missing,) = told(SMALL + source + "tax_included = false\n")
    assert "displaces[oil].tax_pct: expected the tax that is still to be added, %, got nothing" in missing
    (stray,) = told(SMALL + "[books.battery]\ntax_pct = 20\n")
    assert "books.battery.tax_pct: expected a price beside it, got none" in stray
