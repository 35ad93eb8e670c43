"""Totals by local period, with the interval in progress and the coverage."""

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import pytest

from accounting.ledger import Batch, EventRow, Ledger, LedgerWriter
from accounting.model.entry import Entry, Posting
from accounting.model.periods import BY, By
from accounting.reports.used_share import Used, by_share
from accounting.reports.value import ValueReport, ValueRow, value_report
from accounting.reports.value_statement import as_csv, as_json
from accounting.valuation.historical_shares import month_of
from rules.model.errors import BrimfulError
from tests.support.ledgers import HALF_HOUR_S, QUAY, START_S, entry, new_ledger

HOUR_S = 3600
DAY_S = 24 * HOUR_S


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[LedgerWriter]:
    with new_ledger(tmp_path) as ledger:
        yield ledger


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp())


def entry_at(text: str, wh: int = 100) -> Entry:
    return replace(entry(0, wh), start_s=at(text))


def starts(report: ValueReport) -> list[str]:
    return [datetime.fromtimestamp(row.start_s, report.zone).isoformat() for row in report.rows]


def test_an_empty_ledger_gives_an_empty_report(ledger: LedgerWriter) -> None:
    report = value_report(ledger, "month")
    assert report.rows == ()
    assert (report.total.diverted_wh, report.total.coverage) == (0, 0.0)


def test_energy_without_a_price_on_either_side_is_summed_apart(ledger: LedgerWriter) -> None:
    entries = (
        entry(0, 100),
        replace(entry(1, 20), export_price_micro=None),
        replace(entry(2, 3), heat_value_micro=None),
        replace(entry(3, 400), export_price_micro=None, heat_value_micro=None),
    )
    open_entries = (replace(entry(4, 5000), heat_value_micro=None), entry(5, 60000))
    ledger.commit(Batch(entries[-1].end_s, entries, open_entries))
    total = value_report(ledger, "day").total
    assert total.unpriced_wh == 5423
    # Money on one side alone, as the first ledgers hold it, is in no amount: what is left is of 100 and of 60,000 Wh.
    assert (total.given_up_micro, total.avoided_micro) == (60_100 * 55, 60_100 * 200)
    with ledger.still():
        assert not ledger.integrity()
    ledger.commit(Batch(entries[-1].end_s, (replace(entry(3, 400), reason="priced since"),), open_entries))
    assert value_report(ledger, "day").total.unpriced_wh == 5023


def test_totals_are_the_sums_of_the_entries(ledger: LedgerWriter) -> None:
    entries = tuple(entry(place, 100 + place, estimated_wh=place, measured_s=1800 - place) for place in range(100))
    ledger.commit(Batch(entries[-1].end_s, entries))
    for by in ("interval", "day", "week", "month", "year"):
        report = value_report(ledger, by)
        for row in (report.total, *report.rows):
            inside = [one for one in entries if row.start_s <= one.start_s < row.end_s]
            assert row.diverted_wh == sum(one.diverted_wh for one in inside)
            assert row.estimated_wh == sum(one.estimated_wh for one in inside)
            assert row.given_up_micro == sum(one.given_up_micro for one in inside)
            assert row.net_micro == sum(one.net_micro for one in inside)
            assert row.net_mg == sum(one.avoided_mg - one.given_up_mg for one in inside)
            assert row.measured_s == sum(one.measured_s for one in inside)
    assert len(value_report(ledger, "interval").rows) == 100


def set_aside_event(from_s: float, to_s: float, wh: int, heater: str = "main", written_s: float = 0.0) -> EventRow:
    figures = {"heater": heater, "from_s": from_s, "to_s": to_s, "wh": wh}
    return EventRow(written_s or to_s + 60, f"quarantine.{heater}", "quarantine", f"{heater}: too much", figures)


def test_what_is_set_aside_stands_in_its_period_and_in_every_output(ledger: LedgerWriter) -> None:
    entries = tuple(entry(place) for place in range(96))
    second_day_s = START_S + 46 * HALF_HOUR_S  # Dublin is an hour ahead
    events = (
        set_aside_event(second_day_s - 10, second_day_s, 1000),  # ends with the day
        set_aside_event(second_day_s, second_day_s + 10, 250, written_s=entries[-1].end_s),
        set_aside_event(second_day_s, second_day_s + 10, -50),  # withdrawn in part after a late reading
        set_aside_event(second_day_s, second_day_s + 10, 7000, heater="boiler"),  # no heater
        set_aside_event(second_day_s, second_day_s + 10, 0),  # says something, sets nothing aside
    )
    ledger.commit(Batch(entries[-1].end_s, entries, events=events))
    report = value_report(ledger, "day")
    assert [row.set_aside_wh for row in report.rows] == [1000, 200, 0]
    assert (report.total.set_aside_wh, dict(report.set_aside)) == (1200, {"main": 1200})
    answer = told(report)
    assert answer["total"]["set_aside_kwh"] == 1.2
    assert answer["set_aside_by_heater"] == {"main": 1.2}
    assert [row["set_aside_kwh"] for row in csv.DictReader(io.StringIO(as_csv(report)))] == ["1.000", "0.200", "0.000"]
    assert value_report(ledger, "day", second_day_s).total.set_aside_wh == 200
    assert value_report(ledger, "day", as_of_s=second_day_s + 65).total.set_aside_wh == 1000


def test_what_is_set_aside_before_anything_is_booked_is_shown_too(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S + 100, events=(set_aside_event(START_S, START_S + 10, 5000),)))
    report = value_report(ledger, "interval")
    assert [(row.start_s, row.set_aside_wh) for row in report.rows] == [(START_S, 5000)]


def test_only_the_newest_version_counts(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, tuple(entry(place) for place in range(96))))
    for wh in (900, 800):
        ledger.commit(Batch(START_S, (entry(3, wh), entry(60, wh))))
    # Dublin is an hour ahead: place 46 starts the second day.
    assert [row.diverted_wh for row in value_report(ledger, "day").rows] == [700 * 45 + 800, 700 * 47 + 800, 1400]
    assert value_report(ledger, "year").total.diverted_wh == 700 * 94 + 1600
    report = value_report(ledger, "interval", START_S + 3 * HALF_HOUR_S, START_S + 5 * HALF_HOUR_S)
    assert [row.diverted_wh for row in report.rows] == [800, 700]


def test_the_interval_in_progress_is_in_every_total_and_marked(ledger: LedgerWriter) -> None:
    now_s = START_S + HALF_HOUR_S + 600
    ledger.commit(Batch(now_s, (entry(0),), (entry(1, 50, estimated_wh=5, measured_s=600),)))
    for by in ("interval", "day"):
        report = value_report(ledger, by)
        assert report.total.diverted_wh == 750
        assert (report.total.open_wh, report.total.estimated_wh) == (50, 5)
        assert report.total.net_micro == 750 * 145
        assert report.rows[-1].open_wh == 50
        assert report.total.end_s == START_S + 2 * HALF_HOUR_S
        assert report.total.coverage == 1.0, "only the elapsed part of it is due"
    assert [row.open_wh for row in value_report(ledger, "interval").rows] == [0, 50]
    assert value_report(ledger, "day", to_s=START_S + HALF_HOUR_S).total.open_wh == 0


def test_a_ledger_with_nothing_settled_yet_shows_the_interval_in_progress(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S + 900, open_entries=(entry(0, 50, measured_s=450),)))
    total = value_report(ledger, "day").total
    assert (total.start_s, total.end_s, total.diverted_wh, total.coverage) == (START_S, START_S + 1800, 50, 0.5)


def test_days_of_23_and_25_hours(ledger: LedgerWriter) -> None:
    """Europe/Dublin 2026: clocks go forward on 29 March and back on 25 October, at 01:00 UTC (zoneinfo)."""
    for first, hours in (("2026-03-28T00:00", (24, 23, 24)), ("2026-10-23T23:00", (24, 25, 24))):
        start_s = at(first)
        entries = [replace(entry(0, 100), start_s=start_s + place * HALF_HOUR_S) for place in range(2 * sum(hours))]
        ledger.commit(Batch(entries[-1].end_s, tuple(entries)))
        report = value_report(ledger, "day", start_s, entries[-1].end_s)
        assert tuple((row.end_s - row.start_s) // HOUR_S for row in report.rows) == hours
        assert [row.diverted_wh for row in report.rows] == [200 * count for count in hours]
        assert all(row.coverage == 1.0 for row in report.rows)
        assert all(text[11:16] == "00:00" for text in starts(report))


def test_weeks_begin_on_monday_months_and_years_on_the_first(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(at("2026-02-03T00:00"), (entry_at("2025-12-30T12:00"), entry_at("2026-02-02T12:00"))))
    weeks = starts(value_report(ledger, "week"))
    assert weeks[1:] == [f"2026-{day}T00:00:00+00:00" for day in ("01-05", "01-12", "01-19", "01-26", "02-02")]
    assert starts(value_report(ledger, "month"))[1:] == ["2026-01-01T00:00:00+00:00", "2026-02-01T00:00:00+00:00"]
    assert starts(value_report(ledger, "year"))[1:] == ["2026-01-01T00:00:00+00:00"]


def test_periods_without_entries_are_listed_and_not_covered(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(at("2026-01-03T12:30"), (entry_at("2026-01-01T12:00"), entry_at("2026-01-03T12:00"))))
    report = value_report(ledger, "day")
    assert [(row.diverted_wh, row.due_s > 0, row.coverage > 0) for row in report.rows] == [
        (100, True, True),
        (0, True, False),
        (100, True, True),
    ]
    assert report.total.coverage == HALF_HOUR_S * 2 / (48.5 * HOUR_S)


def test_rows_are_clipped_to_the_span_asked_for(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, tuple(entry(place) for place in range(96))))
    from_s, to_s = START_S + 10 * HALF_HOUR_S, START_S + 60 * HALF_HOUR_S
    report = value_report(ledger, "month", from_s, to_s)
    assert [(row.start_s, row.end_s, row.diverted_wh) for row in report.rows] == [(from_s, to_s, 50 * 700)]
    assert report.total.coverage == 1.0
    assert value_report(ledger, "day", to_s, from_s).rows == ()


def test_what_lies_ahead_is_not_due(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S + DAY_S, tuple(entry(place) for place in range(48))))
    report = value_report(ledger, "month", START_S, START_S + 90 * DAY_S)
    assert [row.coverage for row in report.rows] == [1.0, 0.0, 0.0]
    assert report.total.coverage == 1.0


def test_silence_up_to_now_is_due(ledger: LedgerWriter) -> None:
    """The daemon ran on for a day in which no reading came."""
    ledger.commit(Batch(START_S + 2 * DAY_S, tuple(entry(place) for place in range(48))))
    assert value_report(ledger, "year", START_S, START_S + 3 * DAY_S).total.coverage == 0.5


def test_each_heater_counts_from_its_first_interval_and_to_its_last_if_no_longer_used(tmp_path: Path) -> None:
    def share(heaters: tuple[str, ...]) -> float:
        with new_ledger(tmp_path, replace(QUAY, heaters=heaters)) as ledger:
            return value_report(ledger, "year").total.coverage

    with new_ledger(tmp_path, replace(QUAY, heaters=("old", "new"))) as ledger:
        old = tuple(entry(place, heater="old") for place in range(48))
        new = tuple(entry(place, heater="new") for place in range(24, 96))
        ledger.commit(Batch(START_S + 2 * DAY_S, (*old, *new)))
    assert share(("new",)) == 1.0
    assert share(("old", "new")) == 120 / (96 + 72)


def test_an_interval_belongs_to_the_period_in_which_it_starts(tmp_path: Path) -> None:
    """Hours by UTC in a zone half an hour off: Asia/Kolkata's midnight is 18:30 UTC."""
    with new_ledger(tmp_path, replace(QUAY, interval_minutes=60, timezone="Asia/Kolkata")) as ledger:
        entries = tuple(entry(place, 100, measured_s=3600, step_s=3600) for place in range(48))
        ledger.commit(Batch(entries[-1].end_s, entries))
        rows = value_report(ledger, "day").rows
    assert [row.diverted_wh for row in rows] == [1900, 2400, 500]
    assert [row.coverage for row in rows] == [1.0, 1.0, 1.0]


def test_the_zone_can_be_chosen(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S, tuple(entry(place) for place in range(48))))
    assert len(value_report(ledger, "day", timezone="UTC").rows) == 1
    assert len(value_report(ledger, "day").rows) == 2


def test_a_report_is_of_one_state_of_the_ledger(ledger: LedgerWriter) -> None:
    """The writer settles the open interval between the report's questions; it must not be counted twice or left out."""
    ledger.commit(Batch(START_S + 600, open_entries=(entry(0, 50),)))

    class Meddled(Ledger):
        def sums(self, spans, as_of_s=None):  # type: ignore[no-untyped-def]
            totals = super().sums(spans, as_of_s)
            ledger.commit(Batch(START_S + 1800, (entry(0, 50),), ()))
            return totals

    with Ledger.open_reader(ledger.path) as reader:
        meddled = Meddled(reader.path, reader._db)
        total = value_report(meddled, "day").total
        assert (total.diverted_wh, total.open_wh) == (50, 50)
        total = value_report(reader, "day").total
        assert (total.diverted_wh, total.open_wh) == (50, 0)


def told(report: ValueReport) -> dict[str, object]:
    return as_json(
        report, home="Quay Cottage", currency="EUR", used=Used(Fraction(1)), displaces=[{"source": "gas", "share": 1.0}]
    )


def test_json_follows_the_contract_and_shows_just_the_digits(ledger: LedgerWriter) -> None:
    odd = replace(entry(0, 1), given_up_micro=100_001, avoided_micro=400_004, given_up_mg=7, avoided_mg=3)
    ledger.commit(Batch(START_S + 1800 + 900, (odd,), (entry(1, 2, measured_s=300),)))
    text = json.dumps(told(value_report(ledger, "interval")))
    assert '"net": 0.300003' in text
    assert '"diverted_kwh": 0.001' in text
    assert "e-06" in text or "0.000004" in text
    report = json.loads(text)
    figures = {"diverted_kwh", "given_up", "avoided", "net", "avoided_kg", "given_up_kg", "net_kg"}
    row_keys = {"start", "end", "coverage", "coverage_energy", "estimated_kwh", "open_kwh"} | figures
    row_keys |= {"unpriced_kwh", "set_aside_kwh"}
    told_keys = {"schema", "home", "currency", "by", "timezone", "used", "displaces", "unpriced_kwh", "rows", "total"}
    told_keys |= {"used_basis", "carbon_basis", "set_aside_by_heater"}
    assert report.keys() == told_keys
    assert report["schema"] == "brimful.value/1"
    assert all(row.keys() == row_keys for row in (*report["rows"], report["total"]))
    assert report["rows"][0]["start"] == "2026-06-01T01:00:00+01:00"
    assert report["rows"][1]["coverage"] == round(1 / 3, 6)
    assert report["rows"][1]["open_kwh"] == 0.002


def test_no_float_tail_in_any_figure() -> None:
    for micro in (300_003, 700_007, 1_100_011, 2_675_000, 123_456_789_123_456):
        row = ValueRow(start_s=0, end_s=1800, diverted_wh=micro, avoided_micro=micro)
        report = value_report_of(row)
        figures = told(report)["total"]
        assert isinstance(figures, dict)
        assert json.dumps(figures["avoided"]) == f"{micro // 10**6}.{micro % 10**6:06d}".rstrip("0")
        assert json.dumps(figures["diverted_kwh"]) in (f"{micro / 1000:.3f}".rstrip("0"), f"{micro // 1000}.0")


def value_report_of(row: ValueRow) -> ValueReport:
    from zoneinfo import ZoneInfo

    return ValueReport("year", ZoneInfo("Europe/Dublin"), (row,), row)


def test_csv_writes_every_decimal_and_no_exponent() -> None:
    row = ValueRow(
        start_s=START_S,
        end_s=START_S + 1800,
        diverted_wh=1234,
        estimated_wh=1,
        given_up_micro=1,
        avoided_micro=-3,
        given_up_mg=5,
        avoided_mg=2,
        measured_s=900,
        due_s=1800,
    )
    (read,) = csv.DictReader(io.StringIO(as_csv(value_report_of(row))))
    assert read["start"] == "2026-06-01T01:00:00+01:00"
    assert (read["diverted_kwh"], read["estimated_kwh"], read["open_kwh"]) == ("1.234", "0.001", "0.000")
    assert (read["given_up"], read["avoided"], read["net"]) == ("0.000001", "-0.000003", "-0.000004")
    assert (read["given_up_kg"], read["avoided_kg"], read["net_kg"]) == ("0.000005", "0.000002", "-0.000003")
    assert read["coverage"] == "0.500000"


def test_what_was_bought_and_marginal_carbon_have_columns_where_there_is_any(ledger: LedgerWriter) -> None:
    ledger.commit(Batch(START_S + 1800, (entry(0),)))
    plain = told(value_report(ledger, "day"))["total"]
    assert isinstance(plain, dict)
    assert not {key for key in plain if "marginal" in key or "bought" in key or "grid" in key}
    assert "bought" not in as_csv(value_report(ledger, "day"))
    mixed = replace(
        entry(1),
        grid_wh=100,
        bought_micro=9_210,
        bought_mg=25_500,
        given_up_marginal_mg=300_000,
        avoided_marginal_mg=127_400,
        bought_marginal_mg=50_000,
        postings=(Posting("sun", -600), Posting("grid:night", -100), Posting("tank", 700)),
    )
    ledger.commit(Batch(START_S + 3600, (mixed,)))
    report = value_report(ledger, "day")
    total = told(report)["total"]
    assert isinstance(total, dict)
    assert (total["grid_kwh"], total["battery_kwh"], total["bought"], total["bought_kg"]) == (0.1, 0, 0.00921, 0.0255)
    assert total["net"] == round(total["avoided"] - total["given_up"] - total["bought"], 6)
    assert (total["marginal_kwh"], total["net_marginal_kg"]) == (0.7, -0.2226)
    (row,) = csv.DictReader(io.StringIO(as_csv(report)))
    assert (row["bought"], row["net_marginal_kg"]) == ("0.009210", "-0.222600")


def test_another_share_used_changes_what_is_avoided_and_nothing_else(ledger: LedgerWriter) -> None:
    entries = (
        replace(entry(0, 100), used="1/2"),
        replace(entry(1, 100), used="1/2"),
        replace(entry(2, 200), used="1", avoided_marginal_mg=600, given_up_marginal_mg=7, bought_marginal_mg=0),
        entry(3, 300),
    )
    ledger.commit(Batch(START_S + 4 * HALF_HOUR_S, entries, (replace(entry(4, 50), used="1/3"),)))
    ledger.commit(Batch(START_S + 4 * HALF_HOUR_S, (replace(entry(1, 110), used="1/2"),)))
    report = value_report(ledger, "day")
    # At 200 millionths a Wh: (100 + 110) × 2, 200, 300 / 0.8 as the home states now, and 50 × 3 that are open.
    whole = (210 * 2 + 200 + Fraction(300) / Fraction(4, 5) + 150) * 200
    june = month_of(START_S, report.zone)
    for share in (Fraction(1), Fraction(2, 3), Fraction(0)):
        made, used = by_share(ledger, report, {june: share}, "measured", Fraction(4, 5))
        total = made.total
        assert (used.share, total.used) == (share, share)
        assert total.avoided_micro == round(whole * share)
        assert total.avoided_marginal_mg == 600 * share
        assert total.given_up_micro == report.total.given_up_micro
        assert total.diverted_wh == report.total.diverted_wh
    ledger.commit(Batch(START_S + 4 * HALF_HOUR_S, (replace(entry(1, 110), used="0"),)))
    with pytest.raises(BrimfulError, match="got some with 0"):
        by_share(ledger, report, {june: Fraction(1)}, "measured", Fraction(1))


def test_each_row_has_the_share_of_its_month_and_rows_of_any_length_add_up(ledger: LedgerWriter) -> None:
    """A row is what it is when it is asked for alone, and whatever the rows, their sum is the same to the millionth."""
    entries = tuple(replace(entry(place, 7 + place % 11), used="1") for place in range(0, 62 * 48, 5))
    ledger.commit(Batch(entries[-1].end_s, entries, (replace(entry(62 * 48, 13), used="1"),)))
    june = month_of(START_S, value_report(ledger, "day").zone)
    shares = {june: Fraction(7, 9), june + 1: Fraction(5, 13)}

    def asked(by: By, from_s: int | None = None, to_s: int | None = None) -> ValueReport:
        return by_share(ledger, value_report(ledger, by, from_s, to_s), shares, "measured", Fraction(1))[0]

    months = asked("month")
    assert [row.used for row in months.rows[:2]] == [Fraction(7, 9), Fraction(5, 13)]
    assert months.rows[2].used == 1, "no share is known of August"
    for by in BY:
        report = asked(by)
        assert sum(row.avoided_micro for row in report.rows) == report.total.avoided_micro
        assert report.total.avoided_micro == months.total.avoided_micro
        for row in report.rows[:: max(1, len(report.rows) // 7)]:
            alone = asked("year", row.start_s, row.end_s)
            assert (alone.total.avoided_micro, alone.total.used) == (row.avoided_micro, row.used)


def test_coverage_is_told_by_time_and_by_energy(ledger: LedgerWriter) -> None:
    """A gap that is bridged by the counter: half of the time is known, and a tenth of the energy."""
    ledger.commit(Batch(START_S + 3600, (entry(0, 100), entry(1, 900, estimated_wh=900, measured_s=0))))
    total = value_report(ledger, "day").total
    assert (total.coverage, total.coverage_energy) == (0.5, 0.1)
    idle = ValueRow(start_s=0, end_s=1800, measured_s=900, due_s=1800)
    assert idle.coverage_energy == 0.5, "of no energy, as of the time"


def test_what_the_battery_forgoes_has_columns_where_there_is_any(ledger: LedgerWriter) -> None:
    forgone = replace(
        entry(0),
        forgone_wh=200,
        forgone_micro=50_000,
        unheard_wh=30,
        postings=(Posting("sun", -500), Posting("battery_forgone", -200), Posting("tank", 700)),
    )
    ledger.commit(Batch(START_S + 1800, (forgone,)))
    report = value_report(ledger, "day")
    total = told(report)["total"]
    assert isinstance(total, dict)
    assert (total["battery_forgone_kwh"], total["battery_forgone"], total["battery_unheard_kwh"]) == (0.2, 0.05, 0.03)
    (row,) = csv.DictReader(io.StringIO(as_csv(report)))
    assert (row["battery_forgone"], row["unpriced_kwh"], row["coverage_energy"]) == ("0.050000", "0.000", "1.000000")
    assert not ledger.integrity()
