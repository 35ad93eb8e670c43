"""The heat stock over periods: closing is the next opening, each source keeps its share, and nothing is lost."""

import csv
import io
import json
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from accounting.heat.inventory import Lot, total
from accounting.ledger import Batch
from accounting.model.entry import Posting, TankEntry
from accounting.reports.heat_stock import StockReport, stock_report, walk
from accounting.reports.heat_stock_statement import as_csv, as_json
from tests.support.ledgers import HALF_HOUR_S, START_S, new_ledger
from tests.support.prices import TANK


def flow(
    place: int, opening: int, sun: int = 0, night: int = 0, drawn: int = 0, lost: int = 0, unexplained: int = 0
) -> TankEntry:
    change = sun + night - drawn - lost - unexplained
    lines = (
        Posting("sun", -sun, -sun * 55, -sun * 255),
        Posting("grid:night", -night, -night * 100, -night * 255),
        Posting("tank", change),
        Posting("drawn", drawn),
        Posting("lost", lost),
        Posting("unexplained", unexplained),
    )
    start_s = START_S + place * HALF_HOUR_S
    return TankEntry(start_s, HALF_HOUR_S, 1800 if place % 2 else 0, opening + change, place == 1, postings=lines)


def cut(*places: int) -> list[int]:
    return [START_S + place * HALF_HOUR_S for place in places]


def test_sources_leave_by_their_share_and_what_was_there_before_cost_nothing() -> None:
    """1,000 Wh from before; 3,000 of sun come: 4,000. 1,600 are drawn: 400 from before, 1,200 of the sun. 400 lost."""
    (row,) = walk([flow(0, 1000, sun=3000, drawn=1600, lost=400)], cut(0, 1), TANK)
    assert row.opening == {"before": Lot(1000)}
    assert row.received == {"sun": Lot(3000, 165_000, 765_000)}
    assert row.drawn == {"before": Lot(400), "sun": Lot(1200, 66_000, 306_000)}
    assert row.lost == {"before": Lot(100), "sun": Lot(300, 16_500, 76_500)}
    assert row.closing == {"before": Lot(500), "sun": Lot(1500, 82_500, 382_500)}
    assert row.used == Fraction(1200, 1500)


def test_a_period_opens_with_what_the_one_before_closed_with_however_time_is_cut() -> None:
    entries = [flow(0, 1000, sun=2000, drawn=700), flow(1, 2300, night=1500, lost=33), flow(2, 3767, drawn=1999)]
    entries.append(flow(3, 1768, sun=800, drawn=1, unexplained=-50))
    rows = walk(entries, cut(0, 1, 2, 3, 4), TANK)
    assert [row.opening for row in rows[1:]] == [row.closing for row in rows[:-1]]
    (whole,) = walk(entries, cut(0, 4), TANK)
    assert whole.closing == rows[-1].closing
    for name in ("received", "drawn", "lost"):
        parts = [lot for row in rows for lot in getattr(row, name).values()]
        assert total(parts) == total(getattr(whole, name).values())
    (late,) = walk(entries, cut(2, 4), TANK)
    assert (late.opening, late.closing) == (rows[1].closing, rows[-1].closing)
    assert rows[3].received["unexplained"] == Lot(50)
    assert [row.known_s for row in rows] == [1800] * 4
    assert [row.measured_s for row in rows] == [0, 1800, 0, 1800]
    assert [row.metered_s for row in rows] == [0, 1800, 0, 0]


def test_a_stock_that_jumps_between_entries_is_unexplained() -> None:
    up, down = (walk([flow(0, 1000), flow(1, opening)], cut(0, 2), TANK)[0] for opening in (1300, 600))
    assert (up.received, total(up.closing.values()).wh) == ({"unexplained": Lot(300)}, 1300)
    assert (down.unexplained, total(down.closing.values()).wh) == ({"before": Lot(400)}, 600)


def test_heat_that_comes_within_an_interval_is_there_for_what_goes_in_it() -> None:
    (row,) = walk([flow(0, 0, drawn=100, unexplained=-100)], cut(0, 1), TANK)
    assert (row.drawn, row.closing) == ({"unexplained": Lot(100)}, {})


def test_a_warm_room_is_a_source_without_cost() -> None:
    (row,) = walk([flow(0, 0, lost=-10)], cut(0, 1), TANK)
    assert row.received == {"surroundings": Lot(10)}


def test_the_additional_loss_is_against_a_tank_without_the_diverted_heat() -> None:
    """TANK loses 2 W/K to 20 °C and holds 232.6 Wh/K: 40 °C are 30 K × 232.6 = 6,978 Wh above 10 °C.

    Two half hours at 6,978 Wh lose 20 Wh each. Without the 3,489 Wh of sun that came first, the tank would have stood
    at 25 °C: 2 × 5 × 0.5 = 5 Wh each. So the sun's heat cost 2 × 15 Wh more.
    """
    entries = [flow(0, 3489, sun=3489, lost=20), flow(1, 6958, lost=20)]
    (row,) = walk(entries, cut(0, 2), TANK)
    assert row.additional_loss_wh == pytest.approx(30, abs=0.1)
    assert row.used_by_loss == 1 - Fraction(30, 3489)
    (night,) = walk([flow(0, 3489, night=3489, lost=20)], cut(0, 1), TANK)
    assert night.additional_loss_wh == pytest.approx(0, abs=0.1)
    assert (night.used, night.used_by_loss) == (None, None)


FLOWS = st.lists(st.tuples(*(st.integers(0, 3000) for _ in range(4)), st.integers(-300, 300)), min_size=1, max_size=20)


@examples(deadline=None, max_examples=60)
@given(FLOWS, st.integers(0, 20))
def test_every_period_balances_in_energy_money_and_carbon(flows: list[tuple[int, ...]], middle: int) -> None:
    entries, stock_wh = [], 5000
    for place, (sun, night, drawn, lost, unexplained) in enumerate(flows):
        drawn = min(drawn, max(stock_wh + sun + night - lost - max(unexplained, 0), 0))
        entries.append(flow(place, stock_wh, sun, night, drawn, lost, unexplained))
        stock_wh = entries[-1].closing_wh
    cuts = sorted({0, min(middle, len(flows)), len(flows)})
    rows = walk(entries, cut(*cuts), TANK)
    for row in rows:
        opening, received, drawn_, lost_, unexplained_, closing = (
            total(getattr(row, name).values())
            for name in ("opening", "received", "drawn", "lost", "unexplained", "closing")
        )
        assert opening + received - drawn_ - lost_ - unexplained_ == closing
    assert total(rows[-1].closing.values()).wh == stock_wh


def test_a_ledger_answers_and_only_the_newest_versions_count(tmp_path: Path) -> None:
    with new_ledger(tmp_path) as ledger:
        assert stock_report(ledger, TANK).total.known_s == 0
        first, second = flow(0, 1000, sun=2000, drawn=700), flow(1, 2300, drawn=300)
        ledger.commit(Batch(START_S, tank=(first, second)))
        ledger.commit(Batch(START_S, tank=(flow(0, 1000, sun=1900, drawn=600),)))
        report = stock_report(ledger, TANK, "interval")
        assert [total(row.drawn.values()).wh for row in (*report.rows, report.total)] == [600, 300, 900]
        assert report.total.received["sun"].wh == 1900
        assert stock_report(ledger, TANK, None, START_S, START_S + 1800).total.drawn == report.rows[0].drawn


def told(report: StockReport) -> dict[str, object]:
    return as_json(report, home="Quay Cottage", currency="EUR", loss={"ua_w_per_k": 2.0}, tolerance_wh=233)


def test_json_and_csv_say_the_same(tmp_path: Path) -> None:
    rows = walk([flow(0, 1000, sun=3000, drawn=1600, lost=400)], cut(0, 1), TANK)
    report = StockReport("day", ZoneInfo("Europe/Dublin"), tuple(rows), rows[0])
    answer = json.loads(json.dumps(told(report)))
    assert (answer["schema"], answer["tolerance_kwh"], answer["currency"]) == ("brimful.stock/1", 0.233, "EUR")
    (row,) = answer["rows"]
    assert row == answer["total"]
    assert row["start"] == "2026-06-01T01:00:00+01:00"
    sun = {"kwh": 1.2, "cost": 0.066, "kg": 0.306, "share": 0.75}
    before = {"kwh": 0.4, "cost": 0.0, "kg": 0.0, "share": 0.25}
    assert row["drawn"] == {"kwh": 1.6, "cost": 0.066, "kg": 0.306, "by_source": {"before": before, "sun": sun}}
    assert (row["used"], row["average_cost_per_kwh"], row["coverage"]) == (0.8, 0.04125, 0.0)
    lines = list(csv.DictReader(io.StringIO(as_csv(report))))
    (drawn,) = [line for line in lines if (line["account"], line["source"]) == ("drawn", "sun")]
    assert (drawn["kwh"], drawn["cost"], drawn["kg"]) == ("1.200", "0.066000", "0.306000")


@pytest.mark.parametrize("closing", [0, 700, -300])
def test_a_walk_goes_on_from_a_closing_stock_as_if_it_had_begun_at_the_beginning(closing: int) -> None:
    first = flow(0, 1000, sun=3000, drawn=4000 - closing)
    second = flow(1, closing, sun=500, night=900, drawn=200, lost=100)
    whole = walk([first, second], cut(0, 1, 2), TANK)
    (row,) = walk([second], cut(1, 2), TANK, whole[0].closing)
    for name in ("opening", "received", "drawn", "lost", "unexplained", "closing"):
        assert getattr(row, name) == getattr(whole[1], name)
    assert total(row.opening.values()).wh == closing
