"""What the diverted energy was worth, by local period: sums of the ledger's integers."""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

from accounting.ledger.reading import Ledger
from accounting.ledger.totals import HeaterSpan
from accounting.model.figures import Figures
from accounting.model.periods import By, bounds
from accounting.reports.set_aside import SetAside, by_heater, set_aside


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRow(Figures):
    """A period's totals, including the interval in progress.

    start_s, end_s: UTC seconds; an interval belongs to the period in which it starts. open_wh: of diverted_wh, what is
    not settled yet; due_s: heater-seconds that readings should have covered, of which measured_s are. set_aside_wh:
    energy that the counters showed besides diverted_wh and that no heater can have taken. used: the share of the heat
    that counts, if the report uses one (None: the entries' own).
    """

    start_s: int
    end_s: int
    open_wh: int = 0
    due_s: int = 0
    set_aside_wh: int = 0
    used: Fraction | None = None

    @property
    def coverage(self) -> float:
        """Share of the period's known time that was measured, 0 to 1; 0 where none of it is known.

        The mean over the heaters, each weighted by the time for which it should have been measured: from its first
        booked interval to the last instant the ledger knows of, or to its last booked interval if it is no longer used.
        """
        # A device whose clock runs ahead can have measured what is not due yet.
        return min(1.0, self.measured_s / self.due_s) if self.due_s else 0.0

    @property
    def coverage_energy(self) -> float:
        """Share of the energy that the meters showed which is booked as measured, 0 to 1: not estimated over a gap,
        not set aside. Without any energy, the share of the period's time."""
        shown_wh = self.diverted_wh + self.set_aside_wh
        if not shown_wh:
            return self.coverage
        return (self.diverted_wh - self.estimated_wh) / shown_wh


@dataclass(frozen=True, slots=True)
class ValueReport:
    """Rows for every period of the span, ascending, and their total.

    zone: where the periods' days begin; set_aside: Wh by heater, of those of which any was set aside.
    """

    by: By
    zone: ZoneInfo
    rows: tuple[ValueRow, ...]
    total: ValueRow
    set_aside: Mapping[str, int] = field(default_factory=dict)


def value_report(
    ledger: Ledger,
    by: By,
    from_s: int | None = None,
    to_s: int | None = None,
    timezone: str | None = None,
    as_of_s: float | None = None,
) -> ValueReport:
    """Total the ledger over [from_s, to_s) (UTC seconds) by local period.

    from_s: default, the start of the first known interval; to_s: default, the end of the last known one.
    timezone: IANA name; default, the ledger's. as_of_s: by what was settled and valued at that instant, UTC seconds:
    the interval then in progress is not in it. A ledger with nothing in it gives no rows. Raises LedgerError.
    """
    with ledger.still():
        facts = ledger.facts()
        zone = ZoneInfo(timezone or facts.timezone)
        spans = _heater_spans(ledger) if as_of_s is None else ledger.heater_spans(as_of_s)
        names = [*facts.heaters, *(span.name for span in spans)]
        aside = set_aside(ledger, names, from_s, to_s, as_of_s)
        starts = [item.at_s // facts.interval_s * facts.interval_s for item in aside]
        first_s = from_s if from_s is not None else min([*(span.first_s for span in spans), *starts], default=0)
        ends = [*(span.end_s for span in spans), *(start_s + facts.interval_s for start_s in starts)]
        last_s = to_s if to_s is not None else max(ends, default=first_s)
        cuts = bounds(by, first_s, last_s, zone, facts.interval_s)
        pieces = list(pairwise(cuts))
        sums = ledger.sums(pieces, as_of_s)
        known_s = _known_s(ledger) if as_of_s is None else max((span.end_s for span in spans), default=0)
        rows = [
            _row(*piece, total, spans, known_s, facts.interval_s) for piece, total in zip(pieces, sums, strict=True)
        ]
        if as_of_s is None:
            _add_open(rows, ledger, cuts)
        _add_set_aside(rows, aside, cuts)
    return ValueReport(by, zone, tuple(rows), summed(rows, first_s, max(first_s, last_s)), by_heater(aside))


def _heater_spans(ledger: Ledger) -> list[HeaterSpan]:
    """Each heater's known span, unsettled intervals included."""
    spans = {span.name: span for span in ledger.heater_spans()}
    in_use = set(ledger.facts().heaters)
    for entry in ledger.open_entries():
        new = HeaterSpan(entry.heater, entry.heater in in_use, entry.start_s, entry.end_s)
        old = spans.get(entry.heater, new)
        spans[entry.heater] = old._replace(first_s=min(old.first_s, new.first_s), end_s=max(old.end_s, new.end_s))
    return list(spans.values())


def _known_s(ledger: Ledger) -> float:
    """The last instant the ledger knows of: its last batch's, or the last settled interval's end if that is later."""
    last_s = max((span.end_s for span in ledger.heater_spans()), default=0)
    return max(last_s, ledger.known_until_s() or 0)


def _row(
    start_s: int, end_s: int, figures: Figures, spans: Sequence[HeaterSpan], known_s: float, interval_s: int
) -> ValueRow:
    # What starts in the period is measured in the intervals that start in it, so the time due is theirs as well.
    from_s, to_s = -(-start_s // interval_s) * interval_s, -(-end_s // interval_s) * interval_s
    due_s = 0
    for span in spans:
        until_s = known_s if span.in_use else min(known_s, span.end_s)
        due_s += max(0, int(min(to_s, until_s)) - max(from_s, span.first_s))
    return ValueRow(start_s=start_s, end_s=end_s, due_s=due_s) + figures


def _add_open(rows: list[ValueRow], ledger: Ledger, cuts: Sequence[int]) -> None:
    if not rows:
        return
    for entry in ledger.open_entries(cuts[0], cuts[-1]):
        place = bisect_right(cuts, entry.start_s) - 1
        row = rows[place] + Figures.of(entry)
        rows[place] = replace(row, open_wh=row.open_wh + entry.diverted_wh)


def _add_set_aside(rows: list[ValueRow], aside: Sequence[SetAside], cuts: Sequence[int]) -> None:
    for item in aside:
        place = min(bisect_right(cuts, item.at_s), len(rows)) - 1
        if place >= 0:
            rows[place] = replace(rows[place], set_aside_wh=rows[place].set_aside_wh + item.wh)


def summed(rows: Sequence[ValueRow], start_s: int, end_s: int) -> ValueRow:
    """The rows together."""
    whole = ValueRow(
        start_s=start_s,
        end_s=end_s,
        open_wh=sum(row.open_wh for row in rows),
        due_s=sum(row.due_s for row in rows),
        set_aside_wh=sum(row.set_aside_wh for row in rows),
    )
    return whole + Figures.total(rows)
