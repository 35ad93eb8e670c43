"""The export price at which diverting breaks even: of what would have been sold, and of nothing else."""

from zoneinfo import ZoneInfo

import pytest

from accounting.reports.value import ValueReport, ValueRow
from accounting.verdict.against_export import AgainstExport, against_export

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
        given_up_micro=5 * 60_000 + 700_000,
        forgone_micro=700_000,
        bought_micro=500_000,
        avoided_micro=1_600_000,
    )
    assert found.export_price == pytest.approx(0.06)
    assert found.break_even_export_price == pytest.approx((1.6 - 0.7 - 0.5) / 5)
    assert (found.given_up, found.bought) == (pytest.approx(1.5), pytest.approx(0.5))
    assert found.net == pytest.approx(found.avoided - found.given_up)
    (month,) = found.months
    at_break_even = month.avoided - month.unsold - found.break_even_export_price * month.sellable_kwh
    assert at_break_even == pytest.approx(0)


def test_where_nothing_could_be_sold_there_is_no_such_price() -> None:
    found = answer(diverted_wh=2_000, grid_wh=2_000, bought_micro=500_000)
    assert (found.export_price, found.break_even_export_price) == (None, None)
