"""One day of the tank: what was recorded of it, and the reasons that decided each stretch of it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from accounting.ledger.records import DecisionRow
from daemon.web.page.views.stops import Stop
from rules.model.orders import Order
from rules.model.wording import say

SLOT_S = 300
"""A lane shows what lasted longest in each stretch of this length: shorter changes could be neither seen nor hit."""
GAP_S = 900
"""A longer time without any recorded reading is shown as one of which nothing is known."""

REASONS = {
    "limit": say("too hot"),
    "fresh": say("no fresh readings"),
    "full": say("tank full"),
    "override": say("override"),
    "together": say("the other heater first"),
    "hygiene": say("whole tank hot"),
    "return": say("hot for the return"),
    "away": say("away"),
    "plan": say("tonight's plan"),
    "battery": say("battery first"),
    "yield": say("other load first"),
    "alternate": say("a comparison's day off"),
    "worth": say("selling pays more"),
    "surplus": say("too little sun"),
    "rest": say("short pause"),
}
"""Why a heater is off, by the rule that decided, as short as a lane has room for."""
SURPLUS, HEAT, UNKNOWN = say("sun to the tank"), say("heating from the grid"), say("not recorded")


@dataclass(frozen=True, slots=True)
class DayRecord:
    """What is on record of one local day.

    from_s, to_s: UTC seconds of its two midnights; until_s: the last instant that is known of it; seen_s: UTC seconds
    at which anything was recorded, ascending; levels: (UTC second, %) and surplus: (UTC second, W) with what the
    heaters take, ascending; decisions: by heater, those that stood at from_s first; stops: the confirmed ones;
    stop_pct, resume_pct: of the rule `full` as it is set now.
    """

    from_s: int
    to_s: int
    until_s: float
    seen_s: Sequence[float]
    levels: Sequence[tuple[float, float]]
    surplus: Sequence[tuple[float, float]]
    decisions: Mapping[str, Sequence[DecisionRow]]
    stops: Sequence[Stop]
    stop_pct: float
    resume_pct: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time in which one reason decided. row: the decision behind it, None where nothing is known."""

    from_s: float
    to_s: float
    reason: str
    on: bool
    row: DecisionRow | None


def reason_of(row: DecisionRow) -> str:
    """A decision in two or three words."""
    if row.order is Order.SURPLUS:
        return SURPLUS
    if row.order is Order.HEAT:
        return HEAT
    return REASONS.get(row.guard, row.guard)


def unknown_times(record: DayRecord) -> list[tuple[float, float]]:
    """The times in the known part of the day in which nothing was recorded at all."""
    marks = [float(record.from_s), *(at_s for at_s in record.seen_s if at_s <= record.until_s), record.until_s]
    return [(before_s, after_s) for before_s, after_s in pairwise(marks) if after_s - before_s > GAP_S]


def brought_up_to(record: DayRecord, now_s: float, level_pct: float | None) -> DayRecord:
    """The record up to now, which is some minutes more than what is written down. level_pct: None: not known."""
    until_s = min(max(now_s, record.until_s), float(record.to_s))
    if level_pct is None or not record.from_s <= now_s < record.to_s:
        return replace(record, until_s=until_s)
    levels, seen_s = [*record.levels, (now_s, level_pct)], [*record.seen_s, now_s]
    return replace(record, until_s=until_s, levels=levels, seen_s=seen_s)


def stretches(record: DayRecord, heater: str) -> list[Stretch]:
    """Every decision's time, ascending and without a gap, from midnight to the last known instant."""
    rows = [row for row in record.decisions.get(heater, ()) if row.at_s < record.until_s]
    begins = [max(row.at_s, float(record.from_s)) for row in rows]
    found: list[Stretch] = []
    if not rows or begins[0] > record.from_s:
        end_s = begins[0] if rows else record.until_s
        found.append(Stretch(record.from_s, end_s, UNKNOWN, False, None))
    for row, from_s, to_s in zip(rows, begins, [*begins[1:], record.until_s], strict=False):
        found.append(Stretch(from_s, to_s, reason_of(row), row.order is not Order.WITHHOLD, row))
    for gap in unknown_times(record):
        found = [piece for stretch in found for piece in _without(stretch, gap)]
    return [stretch for stretch in sorted(found, key=lambda one: one.from_s) if stretch.to_s > stretch.from_s]


def lane(exact: Sequence[Stretch], from_s: float, until_s: float) -> list[Stretch]:
    """The stretches as a lane shows them: for each SLOT_S the reason that lasted longest, like ones joined.

    Each keeps the decision of its longest single stretch, which is what it leads to.
    """
    shown: list[tuple[Stretch, float]] = []  # the stretch as shown, how long its decision's own stretch is
    place = 0
    at_s = from_s
    while at_s < until_s:
        end_s = min(at_s + SLOT_S, until_s)
        while place < len(exact) - 1 and exact[place].to_s <= at_s:
            place += 1
        by_reason: dict[str, float] = {}
        best: dict[str, tuple[float, Stretch]] = {}
        for stretch in exact[place:]:
            if stretch.from_s >= end_s:
                break
            inside_s = min(stretch.to_s, end_s) - max(stretch.from_s, at_s)
            if inside_s <= 0:
                continue
            by_reason[stretch.reason] = by_reason.get(stretch.reason, 0.0) + inside_s
            best[stretch.reason] = max(best.get(stretch.reason, (0.0, stretch)), (inside_s, stretch), key=_first)
        if by_reason:
            reason = max(by_reason, key=lambda name: by_reason[name])
            length_s, chosen = best[reason]
            if shown and shown[-1][0].reason == reason and shown[-1][0].to_s == at_s:
                last, last_s = shown[-1]
                row, longest_s = (chosen.row, length_s) if length_s > last_s else (last.row, last_s)
                shown[-1] = Stretch(last.from_s, end_s, reason, last.on, row), longest_s
            else:
                shown.append((Stretch(at_s, end_s, reason, chosen.on, chosen.row), length_s))
        at_s = end_s
    return [stretch for stretch, _ in shown]


def mean(points: Iterable[tuple[float, float]], from_s: float, to_s: float) -> float | None:
    """The mean of the values in [from_s, to_s); None without any."""
    inside = [value for at_s, value in points if from_s <= at_s < to_s]
    return sum(inside) / len(inside) if inside else None


def value_at(points: Sequence[tuple[float, float]], at_s: float) -> float | None:
    """The last value at or before an instant; None before the first."""
    found = None
    for seen_s, value in points:
        if seen_s > at_s:
            break
        found = value
    return found


def _first(pair: tuple[float, Stretch]) -> float:
    return pair[0]


def _without(stretch: Stretch, gap: tuple[float, float]) -> Iterable[Stretch]:
    """The stretch with a time of which nothing is known cut out of it."""
    from_s, to_s = max(stretch.from_s, gap[0]), min(stretch.to_s, gap[1])
    if from_s >= to_s or stretch.row is None:
        yield stretch
        return
    yield Stretch(stretch.from_s, from_s, stretch.reason, stretch.on, stretch.row)
    yield Stretch(from_s, to_s, UNKNOWN, False, None)
    yield Stretch(to_s, stretch.to_s, stretch.reason, stretch.on, stretch.row)
