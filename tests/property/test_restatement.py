"""Bookings, late readings and restatements in any order: what a statement said at a time, it says for ever."""

from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from accounting.books.restatement import Restating, TakingBack, unfinished
from accounting.ledger import Batch
from accounting.pricing.tariffs import Tariff
from accounting.reports.value import value_report
from accounting.valuation.settings import BooksSettings
from accounting.valuation.valuer import Energy, Valuer
from tests.support.ledgers import HALF_HOUR_S, START_S, new_ledger
from tests.support.prices import ZONE, flat
from tests.support.prices import settings as books

DAYS = 3
PLACES = DAYS * 48
ASKED_S = 40 * 86_400
PRICES = [replace(books(), export=Tariff("export", (flat(price),), ZONE)) for price in ("0.05", "0.06", "0.31")]

book = st.tuples(st.just("book"), st.integers(0, PLACES - 1), st.integers(0, 1400))
restate = st.tuples(st.just("restate"), st.integers(0, 2), st.integers(1, DAYS + 1))
steps = st.lists(st.one_of(book, book, restate, st.just(("die", 0, 0))), min_size=1, max_size=25)


@settings(deadline=None)
@given(steps)
def test_what_was_said_is_said_again(steps: list[tuple[str, int, int]]) -> None:
    """A restatement goes on by some of its days at a time, so that others come in between, or it is cut short."""
    with TemporaryDirectory() as folder, new_ledger(Path(folder)) as ledger:
        now_s = START_S + ASKED_S
        work: Restating | TakingBack | None = None
        valuer = Valuer(PRICES[0])
        said = []
        for what, first, second in steps:
            now_s += 60
            if what == "book":
                entry = valuer.entry(Energy(START_S + first * HALF_HOUR_S, "main", second, 0, 1800), "settled")
                ledger.commit(Batch(now_s, (entry,)))
            elif what == "die":
                work = unfinished(ledger)
            else:
                if work is None:
                    valuer = Valuer(PRICES[first])
                    work = Restating(ledger, valuer, "a word", START_S, START_S + DAYS * 86_400)
                for _ in range(second):
                    if work is not None and work.step(now_s):
                        work = None
            said.append((now_s, value_report(ledger, "day").rows))
        for at_s, rows in said:
            then = value_report(ledger, "day", as_of_s=at_s).rows
            assert [replace(row, due_s=0) for row in then] == [replace(row, due_s=0) for row in rows if row.start_s]
        assert ledger.integrity() == []


energies = st.lists(st.integers(0, 1400), min_size=1, max_size=96)


@given(energies, st.integers(1, 5), st.integers(0, 10**6))
def test_a_tariff_period_split_at_any_day_changes_no_total(energies: list[int], day: int, price: int) -> None:
    def by(*cuts: date) -> BooksSettings:
        told = Fraction(price, 10**6)
        dates = (date(2026, 1, 1), *cuts)
        periods = [
            replace(flat(str(told)), first=first, until=until)
            for first, until in zip(dates, (*cuts, None), strict=True)
        ]
        return replace(books(), export=Tariff("export", tuple(periods), ZONE))

    whole, split = Valuer(by()), Valuer(by(date(2026, 6, day)))
    for place, wh in enumerate(energies):
        entry = whole.entry(Energy(START_S + place * HALF_HOUR_S, "main", wh, 0, 1800), "settled")
        assert split.revalue(entry, "settled") == entry
