"""A fair comparison as it was written down beforehand: an event of the ledger that is never dropped.

An order of blocks counts from when it is written. So a pair of blocks counts only if it was written before it began and
no other order was written before it ended. Somebody who looks at the figures and then changes the order cannot change a
pair that has begun.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

from accounting.ledger.records import OWNERS, EventRow
from accounting.model.periods import midnight_s
from rules.planning.alternation import Block

WRITTEN = f"{OWNERS}alternate"
"""The event's name."""


@dataclass(frozen=True, slots=True)
class Written:
    """An order of blocks. at_s: when it was written, UTC seconds; settle_days: days at each block's start that do not
    count; blocks: in order of time, none where the comparison was ended."""

    at_s: float
    settle_days: int
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Pair:
    """The days of a pair that count: those with diversion, and those without."""

    on: tuple[date, ...]
    off: tuple[date, ...]


@dataclass(frozen=True, slots=True)
class Binding:
    """The pairs that count, in order of time. late: how many began before they were written; changed: how many had
    another order written before they ended; ahead: how many are not over yet;
    block_days: length of a block of the latest order."""

    pairs: tuple[Pair, ...]
    late: int
    changed: int
    ahead: int
    block_days: int


def news(
    events: Sequence[EventRow], blocks: Sequence[Block], settle_days: int, zone: ZoneInfo, at_s: float
) -> EventRow | None:
    """What has to be written at a UTC second so that the ledger has the order of blocks; None where it has it.

    events: those written so far, by time. No blocks: a comparison that was under way is ended.
    """
    written = written_of(events)
    last = written[-1] if written else Written(0.0, settle_days, ())
    if last.blocks == tuple(blocks) and (last.settle_days == settle_days or not blocks):
        return None
    if not blocks and midnight_s(last.blocks[-1].until, zone) <= at_s:
        return None  # it is over, and nothing of it ends early
    figures = {
        "settle_days": settle_days,
        "blocks": [[block.pair, block.on, block.first.isoformat(), block.until.isoformat()] for block in blocks],
    }
    return EventRow(at_s, WRITTEN, "note", _sentence(blocks), figures)


def _sentence(blocks: Sequence[Block]) -> str:
    if not blocks:
        return "the fair comparison is ended"
    pairs = blocks[-1].pair
    days = (blocks[0].until - blocks[0].first).days
    return f"fair comparison written down: {pairs} pairs of blocks of {days} days from {blocks[0].first.isoformat()}"


def written_of(events: Sequence[EventRow]) -> list[Written]:
    """The orders written, by time. events: any of the ledger's."""
    return [
        Written(
            event.at_s,
            int(event.figures["settle_days"]),
            tuple(
                Block(int(pair), bool(on), date.fromisoformat(first), date.fromisoformat(until))
                for pair, on, first, until in event.figures["blocks"]
            ),
        )
        for event in events
        if event.name == WRITTEN
    ]


def binding(written: Sequence[Written], zone: ZoneInfo, known_until_s: float) -> Binding:
    """The pairs that count at a UTC second. zone: where the days begin."""
    pairs: list[Pair] = []
    late = changed = ahead = 0
    for place, order in enumerate(written):
        replaced_s = written[place + 1].at_s if place + 1 < len(written) else float("inf")
        for first, second in zip(order.blocks[::2], order.blocks[1::2], strict=True):
            start_s, end_s = midnight_s(first.first, zone), midnight_s(second.until, zone)
            if replaced_s <= start_s:
                continue  # it never began
            if order.at_s > start_s:
                late += 1
            elif replaced_s < end_s:
                changed += 1
            elif known_until_s < end_s:
                ahead += 1
            else:
                on, off = (first, second) if first.on else (second, first)
                pairs.append(Pair(_counted(on, order.settle_days), _counted(off, order.settle_days)))
    last = next((order for order in reversed(written) if order.blocks), None)
    block_days = 0 if last is None else (last.blocks[0].until - last.blocks[0].first).days
    return Binding(tuple(pairs), late, changed, ahead, block_days)


def _counted(block: Block, settle_days: int) -> tuple[date, ...]:
    first = block.first + timedelta(days=settle_days)
    return tuple(first + timedelta(days=place) for place in range((block.until - first).days))
