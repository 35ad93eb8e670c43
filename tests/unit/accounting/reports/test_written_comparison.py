"""What was written beforehand counts; what was not, or was changed meanwhile, does not."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from accounting.ledger.records import EventRow
from accounting.reports.written_comparison import WRITTEN, binding, news, written_of
from rules.planning.alternation import Block, blocks

ZONE = ZoneInfo("Europe/Dublin")
FIRST = date(2026, 6, 1)
ORDER = blocks(FIRST, 4, 3, 1)


def at(day: date, hours: float = 0.0) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=ZONE).timestamp() + hours * 3600


def noted(order: tuple[Block, ...], at_s: float, before: list[EventRow] | None = None) -> EventRow:
    event = news(before or [], order, 1, ZONE, at_s)
    assert event is not None
    return event


def test_what_is_written_is_read_back() -> None:
    event = noted(ORDER, at(FIRST) - 60)
    (written,) = written_of([event, EventRow(0.0, "owner.note", "note", "x", {})])
    assert (written.blocks, written.settle_days, written.at_s) == (ORDER, 1, at(FIRST) - 60)
    assert event.name == WRITTEN
    assert "4 pairs of blocks of 3 days from 2026-06-01" in event.sentence


def test_what_is_written_is_not_written_again() -> None:
    event = noted(ORDER, 0.0)
    assert news([event], ORDER, 1, ZONE, 1.0) is None
    assert news([], (), 1, ZONE, 1.0) is None
    assert news([event], ORDER, 2, ZONE, 1.0) is not None
    assert news([event], blocks(FIRST, 4, 3, 2), 1, ZONE, 1.0) is not None


def test_an_end_is_written_only_before_the_last_day() -> None:
    event = noted(ORDER, 0.0)
    assert noted((), at(ORDER[-1].first), [event]).figures["blocks"] == []
    assert news([event], (), 1, ZONE, at(ORDER[-1].until)) is None


def test_pairs_that_are_over_count_without_the_days_in_which_the_tank_settles() -> None:
    written = written_of([noted(ORDER, at(FIRST) - 60)])
    bound = binding(written, ZONE, at(ORDER[3].until))
    assert (len(bound.pairs), bound.ahead, bound.late, bound.changed) == (2, 2, 0, 0)
    on = next(block for block in ORDER[:2] if block.on)
    assert bound.pairs[0].on == (on.first + timedelta(days=1), on.first + timedelta(days=2))
    assert bound.block_days == 3


def test_a_pair_that_had_begun_does_not_count() -> None:
    written = written_of([noted(ORDER, at(FIRST, 1.0))])
    bound = binding(written, ZONE, at(date(2027, 1, 1)))
    assert (len(bound.pairs), bound.late) == (3, 1)


def test_an_order_written_while_a_pair_is_under_way_undoes_that_pair_alone() -> None:
    first = noted(ORDER, at(FIRST) - 60)
    within_second = at(ORDER[2].first, 30.0)
    later = noted(blocks(date(2026, 7, 1), 4, 3, 9), within_second, [first])
    bound = binding(written_of([first, later]), ZONE, at(date(2027, 1, 1)))
    assert (len(bound.pairs), bound.changed, bound.late) == (1 + 4, 1, 0)


def test_days_are_local() -> None:
    assert at(FIRST) == datetime(2026, 5, 31, 23, tzinfo=UTC).timestamp()
