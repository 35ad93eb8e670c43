"""A supplier's figures beside the logger's own: the difference, and what may be behind it. Nothing is written.

The logger's figures come from the recorded minutes: from the meter's counter, or from the grid's power held between
readings. The suggestions are patterns in the figures; they are no proof.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from statistics import median
from typing import NamedTuple
from zoneinfo import ZoneInfo

from accounting.ledger.reading import Ledger
from accounting.ledger.tape import Row, unpack
from accounting.metering.counter_meter import CounterMeter
from accounting.metering.power_meter import PowerMeter
from accounting.model.periods import bounds, local_day
from accounting.reports.supplier import Bill

METERS = {"import": ("import_wh", 1.0), "export": ("export_wh", -1.0)}
"""A grid meter's counter, and the sign of grid_w that it counts."""
POWER = "grid_w"
LEAST_HELD_S = 90.0
"""How long a recorded power is held at least: the tape has a reading a minute."""
_AROUND_S = 3600
_ANY_W = 1e9
_OFFSET_MOST = 4  # intervals
_ENOUGH = 48  # intervals on both sides, before a pattern is looked for
_WORTH_A_WORD_WH = 500  # a day
_LIKELY = (
    (1000, "Wh taken for kWh?"),
    (0.001, "kWh taken for Wh?"),
    (10, "a decimal place?"),
    (0.1, "a decimal place?"),
    (3, "one phase of three?"),
    (1 / 3, "one phase of three?"),
)


class Own(NamedTuple):
    """The logger's Wh of one interval, and how many seconds of it were measured."""

    wh: int
    measured_s: int


def minutes_around(ledger: Ledger, from_s: int, to_s: int) -> Iterator[Row]:
    """The recorded minutes of [from_s, to_s), UTC seconds, and those before and after that make the first and the last
    interval whole. Raises LedgerError."""
    from_s, to_s = from_s - _AROUND_S, to_s + _AROUND_S
    for chunk in ledger.tape(from_s, to_s):
        yield from unpack([chunk], from_s, to_s)


def own_figures(
    rows: Iterable[Row], meter: str, interval_s: int, *, counter: bool, stale_after_s: float
) -> dict[int, Own]:
    """The logger's figures by start of interval, UTC seconds, from recorded minutes, by time.

    meter: a key of METERS; counter: by its counter, else by the grid's power, which is held for stale_after_s.
    """
    signal, sign = METERS[meter]
    book: CounterMeter | PowerMeter
    if counter:
        book = CounterMeter(meter, rated_w=_ANY_W, interval_s=interval_s, gap_s=3600.0, late_s=0.0, resolution_wh=1.0)
    else:
        book = PowerMeter(meter, rated_w=_ANY_W, interval_s=interval_s, stale_after_s=stale_after_s, late_s=0.0)
    last_s = 0
    for at_s, values in rows:
        if counter and signal in values:
            book.note(at_s, values[signal])
        elif not counter and POWER in values:
            book.note(at_s, max(0.0, sign * values[POWER]))
        last_s = at_s
    return {share.start_ms // 1000: Own(share.wh, share.measured_ms // 1000) for share in book.shares(last_s * 1000)}


@dataclass(frozen=True, slots=True)
class BillRow:
    """A bill beside the logger. supplier_wh: as billed; own_wh: the logger's for the same time; coverage: share of that
    time measured, 0–1."""

    start_s: int
    end_s: int
    supplier_wh: int
    own_wh: int
    coverage: float

    @property
    def difference_wh(self) -> int:
        """The supplier's less the logger's."""
        return self.supplier_wh - self.own_wh


class Suggestion(NamedTuple):
    """What may be behind a difference. kind: clock, daylight-saving, scale, missing, flat, zeros, estimated, last-day,
    gap or amount."""

    kind: str
    sentence: str


def bill_rows(bills: Sequence[Bill], own: Mapping[int, Own], interval_s: int) -> list[BillRow]:
    """Each bill beside the logger's figures. An interval belongs to where it starts."""
    rows = []
    for bill in bills:
        starts = range(-(-bill.start_s // interval_s) * interval_s, bill.end_s, interval_s)
        inside = [own[start_s] for start_s in starts if start_s in own]
        measured_s = sum(one.measured_s for one in inside)
        span_s = bill.end_s - bill.start_s
        rows.append(BillRow(bill.start_s, bill.end_s, bill.wh, sum(one.wh for one in inside), measured_s / span_s))
    return rows


def monthly(supplier: Mapping[int, int], own: Mapping[int, Own], zone: ZoneInfo, interval_s: int) -> list[BillRow]:
    """The intervals of a supplier's file by local month, beside the logger's for the same intervals alone."""
    starts = sorted(supplier)
    rows = []
    for from_s, to_s in pairwise(bounds("month", starts[0], starts[-1] + interval_s, zone, interval_s)):
        inside = [start_s for start_s in starts if from_s <= start_s < to_s]
        ours = [own[start_s] for start_s in inside if start_s in own]
        if inside:
            coverage = sum(one.measured_s for one in ours) / (len(inside) * interval_s)
            wh = sum(supplier[start_s] for start_s in inside)
            rows.append(BillRow(from_s, to_s, wh, sum(one.wh for one in ours), coverage))
    return rows


def suggestions(
    supplier: Mapping[int, int], own: Mapping[int, Own], zone: ZoneInfo, interval_s: int
) -> list[Suggestion]:
    """Patterns in the intervals' differences, the likeliest cause of all first."""
    measured = {start_s: one.wh for start_s, one in own.items() if one.measured_s >= interval_s * 0.9}
    both = [start_s for start_s in supplier if start_s in measured]
    late_s = _offset(both, supplier, measured, interval_s) * interval_s
    in_time = {start_s - late_s: wh for start_s, wh in supplier.items()}
    found = [scale(in_time, measured, zone), clock(supplier, measured, zone, interval_s)]
    found.append(missing(supplier, own, zone, interval_s))
    return [*(one for one in found if one is not None), *flat(supplier, measured, zone)]


def scale(supplier: Mapping[int, int], own: Mapping[int, int], zone: ZoneInfo) -> Suggestion | None:
    """The same ratio day after day: days of at least 100 Wh on either side, four in five within 2 % of their median."""
    theirs, ours = _by_day(supplier, own, zone)
    ratios = [theirs[day] / ours[day] for day in theirs if theirs[day] >= 100 and ours[day] >= 100]
    ratios += [theirs[day] / ours[day] for day in theirs if theirs[day] < 100 <= ours[day] and theirs[day] > 0]
    if len(ratios) < 3:
        return None
    middle = median(ratios)
    near = sum(abs(ratio / middle - 1) <= 0.02 for ratio in ratios)
    if near < 0.8 * len(ratios) or abs(middle - 1) < 0.015:
        return None
    days = f"on {near} of {len(ratios)} days"
    return Suggestion(
        "scale", f"the supplier's figures are {middle:.4g} times the logger's {days}: {cause_of_ratio(middle)}"
    )


def cause_of_ratio(ratio: float) -> str:
    """What a constant ratio may come from."""
    return next(
        (words for likely, words in _LIKELY if abs(ratio / likely - 1) <= 0.05), "a meter's or clamp's calibration?"
    )


def clock(supplier: Mapping[int, int], own: Mapping[int, int], zone: ZoneInfo, interval_s: int) -> Suggestion | None:
    """Figures that fit when moved in time: by up to four intervals, with less than half of the differences left."""
    both = [start_s for start_s in supplier if start_s in own]
    ahead = {at_s: datetime.fromtimestamp(at_s, zone).utcoffset() or timedelta() for at_s in both}
    furthest = max(ahead.values(), default=timedelta())  # not by `dst`: some zones count it in winter, below zero
    summer = [at_s for at_s in both if ahead[at_s] == furthest]
    winter = [at_s for at_s in both if ahead[at_s] != furthest]
    if len(summer) >= _ENOUGH and len(winter) >= _ENOUGH:
        offsets = [_offset(part, supplier, own, interval_s) for part in (summer, winter)]
        if abs(offsets[0] - offsets[1]) * interval_s == 3600:
            shift = " and ".join(
                f"{_minutes(offset, interval_s)} in {name}"
                for offset, name in zip(offsets, ("summer", "winter"), strict=True)
            )
            why = "local times read as UTC, or the other way round?"
            return Suggestion("daylight-saving", f"the figures fit if the supplier's times run {shift}: {why}")
    offset = _offset(both, supplier, own, interval_s)
    if not offset:
        return None
    shift = _minutes(offset, interval_s)
    why = "a clock, or the interval's end taken for its start?"
    return Suggestion("clock", f"the figures fit if the supplier's times run {shift}: {why}")


def missing(supplier: Mapping[int, int], own: Mapping[int, Own], zone: ZoneInfo, interval_s: int) -> Suggestion | None:
    """Days within the supplier's span that lack intervals on either side."""
    span = range(min(supplier), max(supplier) + interval_s, interval_s)
    theirs = {local_day(at_s, zone) for at_s in span if at_s not in supplier}
    ours = {local_day(at_s, zone) for at_s in span if at_s not in own or own[at_s].measured_s < interval_s * 0.9}
    parts = [
        f"{name} lacks all or part of {_days(sorted(days))}"
        for name, days in (("the supplier", theirs), ("the logger", ours))
        if days
    ]
    return Suggestion("missing", "; ".join(parts)) if parts else None


def flat(supplier: Mapping[int, int], own: Mapping[int, int], zone: ZoneInfo) -> list[Suggestion]:
    """Days on which all of the supplier's intervals are the same, though the logger's are not: 0, or an estimate."""
    days: dict[date, tuple[set[int], list[int]]] = {}
    for at_s in supplier.keys() & own.keys():
        theirs, ours = days.setdefault(local_day(at_s, zone), (set(), []))
        theirs.add(supplier[at_s])
        ours.append(own[at_s])
    same = sorted(day for day, (theirs, ours) in days.items() if len(theirs) == 1 and len(set(ours)) > 5)
    zeros = [day for day in same if days[day][0] == {0} and sum(days[day][1]) >= _WORTH_A_WORD_WH]
    even = [day for day in same if days[day][0] != {0}]
    said = []
    if even:
        finding = f"the supplier has the same figure all day on {_days(even)}"
        said.append(Suggestion("flat", f"{finding}: an estimate spread out?"))
    if zeros:
        ours_wh = sum(sum(days[day][1]) for day in zeros)
        finding = f"the supplier has 0 all day on {_days(zeros)}, the logger {ours_wh / 1000:.1f} kWh"
        said.append(Suggestion("zeros", f"{finding}: readings that the supplier did not get?"))
    return said


def _offset(starts: Sequence[int], supplier: Mapping[int, int], own: Mapping[int, int], interval_s: int) -> int:
    """By how many intervals the supplier's figures run behind (positive) the logger's; 0 if no move fits much better.

    The scale is taken out first.
    """
    if len(starts) < _ENOUGH:
        return 0
    ours = sum(own[at_s] for at_s in starts)
    times = sum(supplier[at_s] for at_s in starts) / ours if ours else 1.0
    best, least, standing = 0, 0.0, 0.0
    for offset in sorted(range(-_OFFSET_MOST, _OFFSET_MOST + 1), key=abs):
        pairs = [(supplier[at_s], own.get(at_s - offset * interval_s)) for at_s in starts]
        both = [abs(theirs - times * mine) for theirs, mine in pairs if mine is not None]
        error = sum(both) / len(both) if len(both) >= _ENOUGH else float("inf")
        if not offset:
            standing = least = error
        elif error < least:
            best, least = offset, error
    return best if least < standing / 2 else 0


def _by_day(
    supplier: Mapping[int, int], own: Mapping[int, int], zone: ZoneInfo
) -> tuple[dict[date, int], dict[date, int]]:
    theirs: dict[date, int] = {}
    ours: dict[date, int] = {}
    for at_s in supplier.keys() & own.keys():
        day = local_day(at_s, zone)
        theirs[day] = theirs.get(day, 0) + supplier[at_s]
        ours[day] = ours.get(day, 0) + own[at_s]
    return theirs, ours


def _minutes(offset: int, interval_s: int) -> str:
    minutes = abs(offset) * interval_s // 60
    return "on time" if not offset else f"{minutes} min {'late' if offset > 0 else 'early'}"


def _days(days: Sequence[date]) -> str:
    named = ", ".join(day.isoformat() for day in days[:5])
    return f"{named} and {len(days) - 5} more days" if len(days) > 5 else named


def kwh(wh: float) -> str:
    """A difference in kWh, with its sign."""
    return f"{wh / 1000:+.1f}"
