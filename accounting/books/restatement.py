"""Restatement: settled intervals valued anew, by the prices and factors that are known now. Their energy stays.

Every version is kept. The versions of one restatement count together, from the moment it is done; one that was cut
short is taken back. An interval of which less is known now than when it was booked keeps its value: a heard price that
is gone, or a file that has become shorter, is not a correction.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from operator import attrgetter
from typing import NamedTuple
from zoneinfo import ZoneInfo

from accounting.ledger import EventRow, Ledger, LedgerWriter, OutboxKey
from accounting.model.entry import Entry, TankEntry, reason_text
from accounting.model.journal import in_tank
from accounting.model.periods import bounds
from accounting.pricing.bands import DAY_S
from accounting.valuation.valuer import Valuer

LONGEST_WHY = 200
_figures = attrgetter(*(field.name for field in fields(Entry) if field.name not in ("reason", "postings")))
Wanted = Callable[[Entry], bool]
"""Whether an interval is to be restated at all."""


class Revision(NamedTuple):
    """An interval before and after; after: None where it keeps its value because less is known of it now."""

    before: Entry
    after: Entry | None


def valued_by(former: Valuer) -> Wanted:
    """Selects intervals valued by these prices and shares, and those that lacked something. So a changed price is
    restated, and a changed assumption about the home is not."""
    return lambda entry: lacks(entry) or same(entry, former.revalue(entry, ""))


def lacks(entry: Entry) -> bool:
    """Whether a price or factor that should have been known was missing when it was booked."""
    return bool(entry.unknown)


def revise(entry: Entry, valuer: Valuer, why: str, wanted: Wanted = lambda entry: True) -> Revision | None:
    """An interval valued anew; None if nothing changes, or if it is not wanted.

    An interval without energy is never revised.
    """
    if not entry.diverted_wh:
        return None
    after = valuer.revalue(entry, f"restated: {why}")
    if same(entry, after) or not wanted(entry):
        return None
    if after.unknown and not after.unknown <= entry.unknown:
        return Revision(entry, None)
    return Revision(entry, after)


def revisions(
    ledger: Ledger, valuer: Valuer, why: str, from_s: int, to_s: int, wanted: Wanted = lambda entry: True
) -> Iterator[tuple[OutboxKey, Revision]]:
    """What a restatement of the intervals that start in [from_s, to_s) would revise, by time, each with the key of the
    version before; nothing is written."""
    for start_s in range(from_s, to_s, DAY_S):
        for key, entry in ledger.standing(start_s, min(start_s + DAY_S, to_s)):
            revision = revise(entry, valuer, why, wanted)
            if revision is not None:
                yield key, revision


def same(one: Entry, other: Entry) -> bool:
    """Whether two versions of an interval differ only in the reason; the first ledgers kept fewer figures."""
    if one.used is None:
        other = replace(other, used=None, postings=one.postings)
    if one.unpriced_wh is None:
        other = replace(other, unpriced_wh=None, displaced=None)
    return other.postings == one.postings and _figures(other) == _figures(one)


def revise_tank(tank: TankEntry, pairs: Sequence[tuple[Entry, Entry]], why: str) -> TankEntry:
    """The tank's interval with what its heaters' entries (before, after) cost now; energy, draw and loss stay."""
    micro: dict[str, int] = {}
    mg: dict[str, int] = {}
    for before, after in pairs:
        for lines, sign in ((before.postings, -1), (after.postings, 1)):
            for line in map(in_tank, lines):
                micro[line.account] = micro.get(line.account, 0) + sign * line.micro
                mg[line.account] = mg.get(line.account, 0) + sign * line.mg
    lines = tuple(
        replace(line, micro=line.micro + micro.get(line.account, 0), mg=line.mg + mg.get(line.account, 0))
        for line in tank.postings
    )
    return replace(tank, reason=f"restated: {why}", postings=lines)


class Restating:
    """One restatement, a day's intervals at a step, so that the ledger's writer can do other things in between.

    Nothing is noted down before something is revised. number: the ledger's for it; None until then. Raises LedgerError;
    a step that failed can be tried again.
    """

    def __init__(
        self,
        ledger: LedgerWriter,
        valuer: Valuer,
        why: str,
        from_s: int,
        to_s: int,
        wanted: Wanted = lambda entry: True,
    ) -> None:
        self.number: int | None = None
        self.why = why
        self.reached_s = from_s
        self.from_s = from_s
        self.to_s = to_s
        self.kept = 0
        self._ledger = ledger
        self._valuer = valuer
        self._wanted = wanted
        self._net_micro = 0

    @property
    def begun(self) -> bool:
        """Whether it has done anything yet."""
        return self.reached_s > self.from_s

    def step(self, now_s: float) -> bool:
        """Go on by a day, or end; returns whether it has ended. now_s: UTC seconds."""
        if self.reached_s >= self.to_s:
            self._finish(now_s)
            return True
        end_s = min(self.reached_s + DAY_S, self.to_s)
        found = list(revisions(self._ledger, self._valuer, self.why, self.reached_s, end_s, self._wanted))
        revised = [(key, before, after) for key, (before, after) in found if after is not None]
        if revised:
            if self.number is None:
                self.number = self._ledger.begin_restatement(now_s, self.why, self.from_s, self.to_s)
            _write(self._ledger, self.number, revised, self.why, now_s)
        self.kept += len(found) - len(revised)
        self._net_micro += sum([after.net_micro - before.net_micro for _, before, after in revised])
        self.reached_s = end_s
        return False

    def _finish(self, now_s: float) -> None:
        if self.number is None:
            return
        moved = self._net_micro / 1e6
        currency = self._ledger.facts().currency
        said = f"restated ({self.why}): net moved by {moved:+.2f} {currency}"
        figures = {"restatement": self.number, "net_moved": moved, "kept_intervals": self.kept}
        self._ledger.finish_restatement(self.number, now_s, EventRow(now_s, "restatement", "note", said, figures))


class TakingBack:
    """Undoes a restatement that was cut short: each interval gets the value that it had before, as a new version."""

    def __init__(self, ledger: LedgerWriter, number: int) -> None:
        self._ledger = ledger
        self._number = number
        self._days = sorted(
            {before.start_s // DAY_S for before, after in ledger.revisions(number) if not same_figures(before, after)}
        )
        self.why = "taken back because it was cut short"
        self.begun = True

    def step(self, now_s: float) -> bool:
        """As `Restating.step`."""
        if not self._days:
            note = EventRow(now_s, "restatement", "note", f"restatement {self._number} {self.why}")
            self._ledger.finish_restatement(self._number, now_s, note)
            return True
        start_s = self._days[0] * DAY_S
        revised = []
        for chain in self._ledger.chains(start_s, start_s + DAY_S):
            ours = [place for place, version in enumerate(chain) if version.restatement == self._number]
            if ours and ours[-1] == len(chain) - 1:  # else something newer stands
                before, after = chain[ours[0] - 1].entry, chain[-1].entry
                reason = reason_text("restatement taken back", sorted(before.unknown))
                if not same(after, before):
                    key = OutboxKey(after.start_s, after.heater, chain[-1].version)
                    revised.append((key, after, replace(before, reason=reason)))
        _write(self._ledger, self._number, revised, self.why, now_s)
        del self._days[0]
        return False


def unfinished(ledger: LedgerWriter) -> TakingBack | None:
    """The undoing of a restatement that was cut short, which comes before any new one; None if there is none."""
    cut_short = ledger.unfinished_restatement()
    return None if cut_short is None else TakingBack(ledger, cut_short.number)


@dataclass(frozen=True, slots=True)
class MovedRow:
    """What moved in a month, millionths of the currency unit and mg CO2e. start_s, end_s: UTC seconds; intervals: how
    many were revised, diverted_wh: the energy in them."""

    start_s: int
    end_s: int
    intervals: int = 0
    diverted_wh: int = 0
    given_up_micro_before: int = 0
    given_up_micro_after: int = 0
    avoided_micro_before: int = 0
    avoided_micro_after: int = 0
    net_micro_before: int = 0
    net_micro_after: int = 0
    net_mg_before: int = 0
    net_mg_after: int = 0


_MOVED = ("given_up_micro", "avoided_micro", "net_micro", "net_mg")


def moved(pairs: Iterable[tuple[Entry, Entry]], zone: ZoneInfo) -> list[MovedRow]:
    """The difference by local month, months in which nothing moved left out. pairs: (before, after), by time."""
    rows: list[MovedRow] = []
    totals: dict[str, int] = {}
    start_s = end_s = 0

    def close() -> None:
        if totals:
            rows.append(MovedRow(start_s, end_s, **totals))

    for before, after in pairs:
        if before.start_s >= end_s:
            close()
            totals = {}
            start_s, end_s = _month(before.start_s, zone)
        counts = {"intervals": 1, "diverted_wh": before.diverted_wh}
        for name in _MOVED:
            counts[f"{name}_before"] = getattr(before, name)
            counts[f"{name}_after"] = getattr(after, name)
        for name, more in counts.items():
            totals[name] = totals.get(name, 0) + more
    close()
    return rows


def moved_total(rows: Sequence[MovedRow]) -> MovedRow:
    """All rows together."""
    names = [name for name in MovedRow.__slots__ if name not in ("start_s", "end_s")]
    start_s, end_s = (rows[0].start_s, rows[-1].end_s) if rows else (0, 0)
    return MovedRow(start_s, end_s, **{name: sum(getattr(row, name) for row in rows) for name in names})


def same_figures(one: Entry, other: Entry) -> bool:
    """As `same`, for entries read without their postings."""
    return same(replace(one, postings=()), replace(other, postings=()))


def _write(
    ledger: LedgerWriter, number: int, revised: Sequence[tuple[OutboxKey, Entry, Entry]], why: str, now_s: float
) -> None:
    """revised: intervals before and after, with the key of the version before."""
    starts = [key.start_s for key, _, _ in revised]
    booked = list(ledger.tank_entries(min(starts), max(starts) + 1)) if starts else []
    pairs: dict[int, list[tuple[Entry, Entry]]] = {}
    for key, before, after in revised if booked else ():
        pairs.setdefault(key.start_s, []).append((before, after))
    tank = [revise_tank(entry, pairs[entry.start_s], why) for entry in booked if entry.start_s in pairs]
    ledger.restate(number, [(key, after) for key, _, after in revised], tank, now_s)


def _month(at_s: int, zone: ZoneInfo) -> tuple[int, int]:
    local = datetime.fromtimestamp(at_s, zone)
    first_s = int(datetime(local.year, local.month, 1, tzinfo=zone).timestamp())
    cuts = bounds("month", first_s, first_s + 32 * DAY_S, zone, 1)
    return cuts[0], cuts[1]
