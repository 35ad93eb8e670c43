"""The export price at which diverting breaks even: of what would have been sold, and of nothing else."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from accounting.model.entry import Entry, Posting
from accounting.model.figures import Figures
from accounting.reports.value import ValueReport, ValueRow
from accounting.verdict.against_export import AgainstExport, against_export
from tests.support.ledgers import entry

ZONE = ZoneInfo("UTC")


def answer(**figures: int) -> AgainstExport:
    row = ValueRow(start_s=0, end_s=31 * 86_400, **figures)
    found = against_export(ValueReport("month", ZONE, (row,), row))
    assert isinstance(found, AgainstExport)
    return found


def test_what_the_grid_gave_and_the_battery_forwent_has_no_export_price() -> None:
    found = answer(
        diverted_wh=10_000,
        grid_wh=2_000,
        forgone_wh=3_000,
        sellable_wh=5_000,
        given_up_micro=5 * 60_000 + 700_000,
        forgone_micro=700_000,
        bought_micro=500_000,
        avoided_micro=1_600_000,
    )
    assert found.export_price == pytest.approx(0.06)
    assert found.break_even_export_price == pytest.approx((1.6 - 0.7 - 0.5) / 5)
    assert (found.given_up, found.given_up_bought) == (pytest.approx(1.5), pytest.approx(0.5))
    assert found.given_up_forgone == pytest.approx(0.7)
    assert found.net == pytest.approx(found.avoided - found.given_up)
    (month,) = found.months
    at_break_even = month.avoided - month.unsold - found.break_even_export_price * month.sellable_kwh
    assert at_break_even == pytest.approx(0)


def of_entries(*entries: Entry) -> AgainstExport:
    return answer(**Figures.total(Figures.of(one) for one in entries).by_name())


def test_sun_that_an_export_limit_would_have_curtailed_was_not_for_sale() -> None:
    half = replace(
        entry(0, 100_000),
        curtailed_wh=50_000,
        given_up_micro=7_500_000,
        avoided_micro=10_000_000,
        export_price_micro=150_000,
        heat_value_micro=100_000,
    )
    found = of_entries(half)
    assert found.export_price == pytest.approx(0.15)
    assert found.break_even_export_price == pytest.approx(0.20)


@pytest.mark.parametrize("side", ["export_price_micro", "heat_value_micro"])
def test_what_has_no_price_is_left_out_once(side: str) -> None:
    """Grid, battery and forgone energy of an entry without a price leaves the sun of the others as it is."""
    bought = (Posting("sun", -200), Posting("battery_forgone", -100), Posting("grid", -700), Posting("tank", 1_000))
    lacking = replace(
        entry(1, 1_000),
        grid_wh=700,
        forgone_wh=100,
        given_up_micro=0,
        avoided_micro=0,
        unpriced_wh=1_000,
        postings=bought,
        **{side: None},
    )
    found = of_entries(entry(0, 2_000), lacking)
    assert found.export_price == pytest.approx(0.055)
    assert found.break_even_export_price == pytest.approx(0.2)


def test_where_nothing_could_be_sold_there_is_no_such_price() -> None:
    found = answer(diverted_wh=2_000, grid_wh=2_000, bought_micro=500_000)
    assert (found.export_price, found.break_even_export_price) == (None, None)
