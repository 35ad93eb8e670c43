"""A supplier's figures beside the logger's: each cause of a difference is found where it is, and nowhere else."""

from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction
from math import cos
from zoneinfo import ZoneInfo

import pytest

from accounting.reports.bill_patterns import amounts, bill_scale, estimated, expected_amount, left_out
from accounting.reports.bills import BillRow, Own, bill_rows, monthly, own_figures, suggestions
from accounting.reports.supplier import Bill, Layout, is_bills, read_bills, read_intervals
from rules.model.errors import BrimfulError
from tests.support.prices import IMPORT

ZONE = ZoneInfo("Europe/Dublin")
STEP_S = 1800
MARCH_S = int(datetime(2026, 3, 15, tzinfo=UTC).timestamp())  # the clocks change on the 29th
DAYS = 28


def house(at_s: int) -> int:
    """Wh in a half hour of an invented house, different each time."""
    place = at_s // STEP_S
    return 200 + round(150 * cos(place / 3.1)) + place * 7919 % 211


TRUE = {at_s: house(at_s) for at_s in range(MARCH_S, MARCH_S + DAYS * 86_400, STEP_S)}
OWN = {at_s: Own(wh, STEP_S) for at_s, wh in TRUE.items()}


def kinds(supplier: dict[int, int], own: dict[int, Own] = OWN) -> list[str]:
    return [one.kind for one in suggestions(supplier, own, ZONE, STEP_S)]


def moved(by: int, first_s: int = MARCH_S) -> dict[int, int]:
    return {at_s: house(at_s - by * STEP_S) if at_s >= first_s else house(at_s) for at_s in TRUE}


def test_figures_that_agree_suggest_nothing() -> None:
    assert kinds(TRUE) == []
    assert kinds({at_s: wh + at_s // STEP_S % 3 - 1 for at_s, wh in TRUE.items()}) == []


def test_figures_of_another_house_suggest_nothing_about_clock_or_scale() -> None:
    """They differ by no one ratio and by no one shift."""
    other = {at_s: wh * (1 + at_s // 86_400 % 3) for at_s, wh in TRUE.items()}
    assert kinds(other) == []
    for times in (29, 31, 37, 41):
        shuffled = {at_s: house(at_s * times) for at_s in TRUE}
        assert kinds(shuffled) == []


@pytest.mark.parametrize(("by", "told"), [(2, "60 min late"), (-2, "60 min early"), (1, "30 min late")])
def test_a_clock_that_is_off(by: int, told: str) -> None:
    (found,) = suggestions(moved(by), OWN, ZONE, STEP_S)
    assert found.kind == "clock"
    assert told in found.sentence


def test_local_times_taken_for_utc_are_off_in_summer_alone() -> None:
    change_s = int(datetime(2026, 3, 29, 1, tzinfo=UTC).timestamp())
    (found,) = suggestions(moved(2, change_s), OWN, ZONE, STEP_S)
    assert found.kind == "daylight-saving"
    assert "60 min late in summer and on time in winter" in found.sentence


@pytest.mark.parametrize(
    ("times", "why"), [(1000, "Wh taken for kWh"), (10, "a decimal place"), (3, "one phase"), (1.04, "calibration")]
)
def test_a_constant_ratio(times: float, why: str) -> None:
    (found,) = suggestions({at_s: round(wh * times) for at_s, wh in TRUE.items()}, OWN, ZONE, STEP_S)
    assert found.kind == "scale"
    assert why in found.sentence


def test_a_ratio_and_a_clock_together() -> None:
    assert kinds({at_s: wh * 10 for at_s, wh in moved(2).items()}) == ["scale", "clock"]


def test_days_that_are_missing_on_either_side() -> None:
    lacking = {at_s: wh for at_s, wh in TRUE.items() if not MARCH_S + 86_400 <= at_s < MARCH_S + 2 * 86_400}
    (found,) = suggestions(lacking, OWN, ZONE, STEP_S)
    assert found.sentence == "the supplier lacks all or part of 2026-03-16"
    unmeasured = {at_s: Own(one.wh, 600 if at_s < MARCH_S + 7200 else STEP_S) for at_s, one in OWN.items()}
    (found,) = suggestions(TRUE, unmeasured, ZONE, STEP_S)
    assert found.sentence == "the logger lacks all or part of 2026-03-15"


def test_a_flat_day_is_an_estimate_spread_out() -> None:
    start_s = int(datetime(2026, 3, 20, tzinfo=UTC).timestamp())
    even = {at_s: 250 if start_s <= at_s < start_s + 86_400 else wh for at_s, wh in TRUE.items()}
    (found,) = suggestions(even, OWN, ZONE, STEP_S)
    assert found.kind == "flat"
    assert "2026-03-20" in found.sentence


def row(month: int, supplier_kwh: int, own_kwh: int, coverage: float = 1.0) -> BillRow:
    start_s, end_s = (int(datetime(2026, m, 1, tzinfo=ZONE).timestamp()) for m in (month, month + 1))
    return BillRow(start_s, end_s, supplier_kwh * 1000, own_kwh * 1000, coverage)


def test_an_estimated_read_comes_back_in_the_next_bill_or_is_round() -> None:
    assert estimated([row(1, 251, 250), row(2, 232, 230)], ZONE) == []
    (found,) = estimated([row(1, 291, 250), row(2, 187, 230)], ZONE)
    assert "+41.0 kWh off on the bill from 2026-01-01, made up for in the next (-43.0)" in found.sentence
    (found,) = estimated([row(1, 300, 250)], ZONE)
    assert "300 kWh from 2026-01-01 is a round figure and +50.0 kWh off" in found.sentence
    assert estimated([row(1, 250, 250), row(2, 300, 50, 0.2)], ZONE) == []


def test_a_round_figure_alone_is_no_estimate() -> None:
    """Of bills in whole kWh one in ten ends with 0; only a rounder one that is far off says anything."""
    clean = [
        row(month, 210 + 10 * month, round((210 + 10 * month) * (0.96, 0.975)[month % 2])) for month in range(1, 9)
    ]
    assert estimated(clean, ZONE) == []
    assert estimated([row(1, 300, 291)], ZONE) == []
    (found,) = estimated([row(1, 217, 250), row(2, 217, 240)], ZONE)
    assert "217 kWh from 2026-01-01 and again in the next bill" in found.sentence


def test_bills_that_are_all_too_high_by_one_ratio() -> None:
    bills = [row(month, round(own * 1.03), own) for month, own in ((1, 312), (2, 250), (3, 187), (4, 141))]
    ratio, (found,) = bill_scale(bills)
    assert ratio == pytest.approx(1.03, abs=0.002)
    assert "times the logger's figures on 4 of 4 bills: a meter's or clamp's calibration?" in found.sentence
    assert estimated(bills, ZONE, ratio) == []
    assert bill_scale([row(month, 250, 250 + month) for month in range(1, 5)]) == (1.0, [])
    assert bill_scale(bills[:2]) == (1.0, [])


def test_days_of_zeros_are_readings_that_are_missing() -> None:
    start_s = int(datetime(2026, 3, 20, tzinfo=UTC).timestamp())
    lost = {at_s: 0 if start_s <= at_s < start_s + 2 * 86_400 else wh for at_s, wh in TRUE.items()}
    (found,) = suggestions(lost, OWN, ZONE, STEP_S)
    assert found.kind == "zeros"
    assert "0 all day on 2026-03-20, 2026-03-21, the logger" in found.sentence


def told_bills(*spans: str, last_day: bool = False) -> list[Bill]:
    return read_bills(["from,to,kWh", *(f"{span},100" for span in spans)], "bills.csv", ZONE, last_day)


def test_a_to_that_is_the_last_day_is_noticed() -> None:
    spans = ("2026-01-01,2026-01-31", "2026-02-01,2026-02-28", "2026-03-01,2026-03-31")
    (found,) = left_out(told_bills(*spans), ZONE)
    assert found.kind == "last-day"
    assert "no bill covers 2026-01-31, 2026-02-28" in found.sentence
    assert left_out(told_bills(*spans, last_day=True), ZONE) == []
    (found,) = left_out(told_bills(spans[0]), ZONE)
    assert "ends before 2026-01-31" in found.sentence
    assert told_bills("2026-01-05,2026-01-05", last_day=True)[0].end_s - told_bills(spans[0])[0].start_s == 5 * 86_400


def test_days_that_no_bill_has_are_said() -> None:
    spans = ("2026-01-01,2026-02-01", "2026-02-02,2026-03-01", "2026-03-05,2026-04-01", "2026-04-01,2026-05-01")
    assert [one.sentence for one in left_out(told_bills(*spans), ZONE)] == [
        "no bill covers 2026-02-01: what was used then is in none",
        "no bill covers 2026-03-01 to 2026-03-04: what was used then is in none",
    ]
    assert left_out(told_bills("2026-01-01,2026-02-01", "2026-02-01,2026-03-01"), ZONE) == []


def test_an_amount_is_held_against_the_tariff() -> None:
    """Night and day at 0.0921 and 0.3170 a kWh, 0.72 a day: all by night is not all by day."""
    start_s, end_s = (int(datetime(2026, 3, day, tzinfo=ZONE).timestamp()) for day in (16, 18))
    nights = {at_s: Own(1000, STEP_S) for at_s in range(start_s, end_s, STEP_S) if 2 <= at_s % 86_400 / 3600 < 5}
    bill = Bill(start_s, end_s, 12_000, Decimal("2.55"))
    by_night = expected_amount(bill, nights, IMPORT, STEP_S, ZONE)
    assert by_night == 12 * Fraction("0.0921") + 2 * Fraction("0.72")
    assert amounts([bill], [by_night], ZONE, "EUR") == []
    mean = (3 * Fraction("0.0921") + 21 * Fraction("0.3170")) / 24
    assert expected_amount(bill, {}, IMPORT, STEP_S, ZONE) == 12 * mean + 2 * Fraction("0.72")
    (found,) = amounts([bill], [by_night + 1], ZONE, "EUR")
    assert "the bill from 2026-03-16 is 2.55 EUR, by the tariff 3.55" in found.sentence
    assert expected_amount(Bill(0, 86_400, 1000), {}, IMPORT, STEP_S, ZONE) is None
    assert expected_amount(bill, nights, None, STEP_S, ZONE) is None


def test_bills_and_months_beside_the_logger() -> None:
    start_s = int(datetime(2026, 3, 15, tzinfo=ZONE).timestamp())
    end_s = int(datetime(2026, 4, 1, tzinfo=ZONE).timestamp())
    bill = Bill(start_s, end_s, 150_000)
    (found,) = bill_rows([bill], OWN, STEP_S)
    inside = sum(wh for at_s, wh in TRUE.items() if start_s <= at_s < end_s)
    assert (found.own_wh, found.difference_wh, found.coverage) == (inside, 150_000 - inside, 1.0)
    rows = monthly(TRUE, OWN, ZONE, STEP_S)
    assert [one.difference_wh for one in rows] == [0, 0]
    assert sum(one.own_wh for one in rows) == sum(TRUE.values())
    (found,) = bill_rows([Bill(end_s - 30 * 86_400, end_s, 1)], OWN, STEP_S)
    assert 0.5 < found.coverage < 0.6


def test_the_loggers_figures_are_the_counters_steps_or_the_powers() -> None:
    minutes = range(MARCH_S, MARCH_S + 7200 + 60, 60)
    counted = [(at_s, {"import_wh": 1000.0 + (at_s - MARCH_S) // 6}) for at_s in minutes]
    own = own_figures(counted, "import", STEP_S, counter=True, stale_after_s=90)
    assert [own[MARCH_S + place * STEP_S] for place in range(4)] == [Own(300, STEP_S)] * 4
    power = [(at_s, {"grid_w": 600.0 if at_s < MARCH_S + STEP_S else -900.0}) for at_s in minutes]
    taken = own_figures(power, "import", STEP_S, counter=False, stale_after_s=90)
    sold = own_figures(power, "export", STEP_S, counter=False, stale_after_s=90)
    assert [taken[MARCH_S + place * STEP_S].wh for place in range(4)] == [300, 0, 0, 0]
    assert [sold[MARCH_S + place * STEP_S].wh for place in range(4)] == [0, 450, 450, 450]


def test_the_hour_that_comes_twice_is_told_by_its_order() -> None:
    clocks = ("00:30", "01:00", "01:30", "01:00", "01:30", "02:00")
    text = "time,kWh\n" + "".join(f"2026-10-25 {clock},0.{place}\n" for place, clock in enumerate(clocks, 1))
    found = read_intervals(text.splitlines(), "smart.csv", Layout(ZONE), STEP_S)
    start_s = int(datetime(2026, 10, 24, 23, 30, tzinfo=UTC).timestamp())
    assert found == {start_s + place * STEP_S: 100 * (place + 1) for place in range(6)}


def test_columns_units_and_ends_are_as_told() -> None:
    text = "serial,reading,until\nA1,250,2026-03-15T00:30Z\nA1,,2026-03-15T01:00Z\n"
    layout = Layout(ZONE, time="until", value="Reading", unit="Wh", at="end")
    assert read_intervals(text.splitlines(), "smart.csv", layout, STEP_S) == {MARCH_S: 250}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time,kWh\nyesterday,1\n", "smart.csv, line 2: expected a time, got 'yesterday'"),
        ("time,kWh\n2026-03-29 01:30,1\n", "expected a time that exists in Europe/Dublin"),
        ("time,kWh\n2026-03-15T00:10Z,1\n", "expected a time on a boundary of 30 min"),
        ("time,kWh\n2026-03-15T00:00Z,1\n2026-03-15T00:00Z,1\n", "line 3: expected each time once"),
        ("time,kWh\n2026-03-15T00:00Z,nan\n", "expected a number, got 'nan'"),
        ("time,kWh\n2026-03-15T00:00Z,1,5\n", "expected 2 cells, got 3"),
        ("time,kWh\n2026-03-15T00:00Z,-1\n", "expected 0 to 10000000 kWh, got -1"),
        ("time,kWh\n2026-03-15T00:00Z,1e999999999\n", "expected 0 to"),
        ("time;kWh\n", "expected at least two columns, got 1; separated by commas"),
        ("time,kWh\n", "expected rows of time and value, got none"),
        ("", "expected at least two columns"),
    ],
)
def test_what_cannot_be_read_is_said(text: str, said: str) -> None:
    with pytest.raises(BrimfulError) as refused:
        read_intervals(text.splitlines(), "smart.csv", Layout(ZONE), STEP_S)
    assert said in str(refused.value)


def test_a_column_that_is_not_there() -> None:
    with pytest.raises(BrimfulError, match="expected a column kwh, got time, energy"):
        read_intervals(["time,energy"], "smart.csv", Layout(ZONE, value="kwh"), STEP_S)


def test_bills_are_told_by_their_columns() -> None:
    assert is_bills("From,To,kWh,Amount")
    assert not is_bills("time,kWh")
    lines = ["from,to,kWh,amount", "2026-03-01,2026-04-01,120.5,31.20", "2026-04-01,2026-05-01,90,"]
    first, second = read_bills(lines, "bills.csv", ZONE)
    assert (first.wh, str(first.amount), second.amount) == (120_500, "31.20", None)
    assert first.end_s == second.start_s == int(datetime(2026, 4, 1, tzinfo=ZONE).timestamp())


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("2026-03-01,2026-03-01,1", "expected a day after 2026-03-01"),
        ("2026-02-01,2026-02-20,1", "expected a bill that begins when the one before it ends"),
        ("1 March,2026-03-01,1", "expected a date like"),
    ],
)
def test_bills_that_cannot_be(line: str, said: str) -> None:
    with pytest.raises(BrimfulError, match=said):
        read_bills(["from,to,kWh", "2026-01-01,2026-03-01,5", line], "bills.csv", ZONE)
