"""Settled intervals valued anew: what is revised, what keeps its value, and from when the new versions count."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from accounting.books.restatement import (
    Restating,
    TakingBack,
    moved,
    moved_total,
    revise,
    revisions,
    unfinished,
    valued_by,
)
from accounting.ledger import Batch, LedgerWriter
from accounting.model.entry import Entry, Posting, TankEntry
from accounting.pricing.series import Series
from accounting.pricing.tariffs import Tariff
from accounting.reports.value import value_report
from accounting.valuation.settings import BooksSettings
from accounting.valuation.valuer import Energy, Valuer
from tests.support.ledgers import HALF_HOUR_S, START_S, new_ledger
from tests.support.prices import ZONE, flat, settings

DAYS = 3
END_S = START_S + DAYS * 86_400
EVER = 1e11
OLD = settings()
CORRECTED = replace(OLD, export=Tariff("export", (flat("0.0650"),), ZONE))


def energy(place: int, wh: int = 500) -> Energy:
    return Energy(START_S + place * HALF_HOUR_S, "main", wh, 0, 1800)


def booked(by: BooksSettings = OLD, places: range = range(DAYS * 48)) -> tuple[Entry, ...]:
    """Half hours, every second of them with energy."""
    valuer = Valuer(by)
    return tuple(valuer.entry(energy(place, 500 * (place % 2)), "settled") for place in places)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[LedgerWriter]:
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(END_S, booked()))
        yield ledger


def run(ledger: LedgerWriter, by: BooksSettings, now_s: float, former: BooksSettings | None = None) -> Restating:
    wanted = [] if former is None else [valued_by(Valuer(former))]
    work = Restating(ledger, Valuer(by), "a word", START_S, END_S, *wanted)
    while not work.step(now_s):
        pass
    return work


def test_restating_with_unchanged_inputs_writes_nothing(ledger: LedgerWriter) -> None:
    before = list(ledger._db.iterdump())
    assert run(ledger, OLD, END_S + 5).number is None
    assert list(ledger._db.iterdump()) == before


def test_a_corrected_price_with_a_pencil(ledger: LedgerWriter) -> None:
    """72 half hours of 0.5 kWh: 36 kWh × (0.0650 − 0.0550) = 0.36 more given up."""
    before = value_report(ledger, "month").total
    work = run(ledger, CORRECTED, END_S + 5)
    after = value_report(ledger, "month").total
    assert after.given_up_micro - before.given_up_micro == 360_000
    assert (after.avoided_micro, after.diverted_wh) == (before.avoided_micro, before.diverted_wh)
    (kept,) = ledger.restatements()
    assert (kept.number, kept.why, kept.done_at_s, kept.intervals) == (work.number, "a word", END_S + 5, 72)
    assert [one.reason for one in ledger.entries(START_S, START_S + 3600)] == ["settled", "restated: a word"]
    (note,) = ledger.events(0, EVER)
    assert note.sentence == "restated (a word): net moved by -0.36 EUR"
    assert ledger.integrity() == []


def test_the_difference_is_told_by_month(ledger: LedgerWriter) -> None:
    dry = [
        (one.before, one.after)
        for _, one in revisions(ledger, Valuer(CORRECTED), "", START_S, END_S)
        if one.after is not None
    ]
    work = run(ledger, CORRECTED, END_S)
    assert work.number is not None
    zone = ZoneInfo("America/New_York")  # the first of June begins in May there
    rows = moved(ledger.revisions(work.number), zone)
    assert rows == moved(dry, zone)
    assert [(row.intervals, row.given_up_micro_after - row.given_up_micro_before) for row in rows] == [
        (4, 20_000),
        (68, 340_000),
    ]
    total = moved_total(rows)
    assert (total.intervals, total.diverted_wh) == (72, 36_000)
    assert total.net_micro_after - total.net_micro_before == -360_000


def test_an_earlier_statement_is_told_to_the_cent(ledger: LedgerWriter) -> None:
    before = value_report(ledger, "day")
    run(ledger, CORRECTED, END_S + 100)
    assert value_report(ledger, "day", as_of_s=END_S + 99).rows == before.rows
    assert value_report(ledger, "day", as_of_s=END_S + 100).rows == value_report(ledger, "day").rows != before.rows
    assert value_report(ledger, "day", as_of_s=START_S).rows == ()


def test_nothing_counts_before_all_of_it_does(ledger: LedgerWriter) -> None:
    before = value_report(ledger, "day").rows
    work = Restating(ledger, Valuer(CORRECTED), "a word", START_S, END_S)
    for _ in range(DAYS):
        assert not work.step(END_S + 5)
        assert value_report(ledger, "day").rows == before
        assert ledger.integrity() == []
    assert work.step(END_S + 50)
    after = value_report(ledger, "day").rows
    assert after != before
    assert value_report(ledger, "day", as_of_s=END_S + 49).rows == before
    assert value_report(ledger, "day", as_of_s=END_S + 50).rows == after


def test_one_that_was_cut_short_is_taken_back(ledger: LedgerWriter) -> None:
    before = value_report(ledger, "day").rows
    work = Restating(ledger, Valuer(CORRECTED), "a word", START_S, END_S)
    for _ in range(2):
        work.step(END_S + 5)
    late = Valuer(CORRECTED).entry(energy(1, 600), "late reading")
    ledger.commit(Batch(END_S + 6, (late,)))
    back = unfinished(ledger)
    assert isinstance(back, TakingBack)
    with pytest.raises(ValueError, match="to be done"):
        ledger.begin_restatement(END_S, "another", START_S, END_S)
    while not back.step(END_S + 7):
        pass
    assert unfinished(ledger) is None
    (stands,) = ledger.entries(START_S + HALF_HOUR_S, START_S + 2 * HALF_HOUR_S)
    assert (stands.diverted_wh, stands.reason) == (600, "late reading")
    ledger.commit(Batch(END_S + 8, (booked()[1],)))
    assert value_report(ledger, "day").rows == before
    assert ledger.integrity() == []
    assert {one.reason for one in ledger.entries(START_S + 3 * HALF_HOUR_S, START_S + 4 * HALF_HOUR_S)} == {
        "restatement taken back"
    }


def test_one_taken_back_twice_over_is_taken_back_once(ledger: LedgerWriter) -> None:
    work = Restating(ledger, Valuer(CORRECTED), "a word", START_S, END_S)
    work.step(END_S)
    work.step(END_S)
    first = unfinished(ledger)
    assert first is not None
    first.step(END_S + 1)
    again = unfinished(ledger)
    assert again is not None
    while not again.step(END_S + 2):
        pass
    assert [len(chain) for chain in ledger.chains(START_S, START_S + 2 * HALF_HOUR_S)] == [1, 3]


def test_what_is_not_known_any_more_keeps_its_value(ledger: LedgerWriter) -> None:
    """A price file that begins on the second day now."""
    short = replace(CORRECTED, export=Series([(START_S + 86_400, Fraction("0.065"))]))
    work = run(ledger, short, END_S)
    assert work.kept == 24
    first, second, _ = value_report(ledger, "day", timezone="UTC").rows
    assert (first.given_up_micro, second.given_up_micro) == (24 * 27_500, 24 * 32_500)


def test_a_gap_that_is_filled_late_is_restated(tmp_path: Path) -> None:
    gap = replace(OLD, export=Series([(START_S, None), (START_S + 86_400, Fraction("0.055")), (END_S, None)]))
    with new_ledger(tmp_path) as ledger:
        ledger.commit(Batch(END_S, booked(gap)))
        assert ledger.unpriced_span() == (START_S + HALF_HOUR_S, START_S + 86_400)
        assert value_report(ledger, "day").total.unpriced_wh == 12_000
        run(ledger, OLD, END_S, former=gap)
        assert value_report(ledger, "day").total.unpriced_wh == 0
        assert ledger.unpriced_span() is None
        assert ledger.restatements()[0].intervals == 24


def test_by_a_changed_file_only_what_was_valued_by_it_moves(ledger: LedgerWriter) -> None:
    """Half of the intervals were booked when another source was displaced: a price that changes is not its business."""
    other = replace(OLD, used=Fraction(1, 2))
    ledger.commit(Batch(END_S, booked(other, range(24, 48))))
    work = run(ledger, CORRECTED, END_S + 1, former=OLD)
    assert ledger.restatements()[0].intervals == 60
    assert {entry.used for entry in ledger.entries(START_S + 24 * HALF_HOUR_S, START_S + 48 * HALF_HOUR_S)} == {"1/2"}
    assert work.kept == 0
    run(ledger, CORRECTED, END_S + 2)
    assert ledger.restatements()[1].intervals == 12


def test_no_energy_no_revision() -> None:
    nothing = Valuer(OLD).entry(energy(0, 0), "settled")
    assert revise(nothing, Valuer(CORRECTED), "a word") is None


def test_an_entry_of_the_first_schema_that_is_worth_the_same_is_left() -> None:
    old = Valuer(OLD).entry(energy(1), "settled")
    old = replace(old, used=None, postings=(Posting("sun", -500), Posting("tank", 500)))
    assert revise(old, Valuer(OLD), "a word") is None
    revised = revise(old, Valuer(CORRECTED), "a word")
    assert revised is not None
    assert revised.after is not None
    assert revised.after.postings[0].micro == -32_500


def test_grid_energy_whose_band_has_no_price_any_more_keeps_its_value() -> None:
    mixed = Valuer(OLD).entry(replace(energy(3), taken=(("grid:night", 100),)), "settled")
    dearer = replace(OLD, imports=Tariff("import", (flat("0.4"),), ZONE))
    assert mixed.bought_micro == 9_210
    kept = revise(mixed, Valuer(dearer), "a word")
    assert kept is not None
    assert kept.after is None, "no band of that name any more"


def test_the_tanks_cost_moves_with_the_heaters(ledger: LedgerWriter) -> None:
    sun = ledger.entries(START_S + HALF_HOUR_S, START_S + 2 * HALF_HOUR_S)[0].postings[0]
    lines = (
        sun,
        Posting("boiler", -300, -40_000, -60_000),
        Posting("tank", 800, -sun.micro + 40_000, -sun.mg + 60_000),
    )
    ledger.commit(Batch(END_S, tank=(TankEntry(START_S + HALF_HOUR_S, HALF_HOUR_S, 1800, 5000, postings=lines),)))
    run(ledger, CORRECTED, END_S)
    (tank,) = ledger.tank_entries(0, EVER)
    assert [line.micro for line in tank.postings] == [-32_500, -40_000, 72_500]
    assert [line.wh for line in tank.postings] == [-500, -300, 800]
    assert ledger.integrity() == []


def test_a_period_split_at_any_instant_changes_nothing(ledger: LedgerWriter) -> None:
    for day in (2, 3):
        split = (flat("0.0550", until=date(2026, 6, day)), flat("0.0550", first=date(2026, 6, day)))
        assert run(ledger, replace(OLD, export=Tariff("export", split, ZONE)), END_S).number is None
