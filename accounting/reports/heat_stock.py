"""The heat stock's accounts over a period: opening stock, received, drawn, lost, closing stock, each by source.

They are worked out anew for each report, from the tank's entries since the books began. So a revision or restatement of
any entry reaches the stock without being written twice, and one period's closing stock is the next one's opening stock.
"""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from zoneinfo import ZoneInfo

from accounting.heat.inventory import NOTHING, SHORT, Inventory, Lot, Lots, total
from accounting.heat.tank_book import loss_w
from accounting.ledger.reading import Ledger
from accounting.model.entry import TankEntry
from accounting.model.journal import BATTERY, DRAWN, LOST, SUN, TANK, UNEXPLAINED, is_source
from accounting.model.periods import By, bounds
from accounting.valuation.settings import TankBooks

BEFORE, SURROUNDINGS = "before", "surroundings"
"""Sources of heat that cost nothing: what was there when the books began (the opening stock of all time before it), and
what a warm room gave a cold tank."""
DIVERTED = (SUN, BATTERY)
"""Sources of diverted heat that was not bought."""


@dataclass(slots=True)
class StockRow:
    """A period's accounts by source. start_s, end_s: UTC seconds; an interval belongs to where it starts.

    opening + received − drawn − lost − unexplained = closing, in Wh, money and carbon. measured_s: seconds between
    level readings near each other, of known_s that are booked; metered_s: of them, with a water meter's draw.
    additional_loss_wh: how much more the tank lost than it would have without the diverted heat (see `StockReport`).
    """

    start_s: int
    end_s: int
    opening: Lots = field(default_factory=dict)
    received: dict[str, Lot] = field(default_factory=dict)
    drawn: dict[str, Lot] = field(default_factory=dict)
    lost: dict[str, Lot] = field(default_factory=dict)
    unexplained: dict[str, Lot] = field(default_factory=dict)
    closing: Lots = field(default_factory=dict)
    measured_s: int = 0
    known_s: int = 0
    metered_s: int = 0
    additional_loss_wh: float = 0.0

    @property
    def used(self) -> Fraction | None:
        """Of the diverted heat that left the stock in the period, the share that was drawn; None if none left it."""
        drawn, lost, unexplained = (
            sum(lots[source].wh for source in DIVERTED if source in lots)
            for lots in (self.drawn, self.lost, self.unexplained)
        )
        gone = drawn + lost + unexplained
        return Fraction(drawn, gone) if gone else None

    @property
    def used_by_loss(self) -> Fraction | None:
        """Of the diverted heat received, the share that the additional loss leaves, 0 to 1; None if none came."""
        received = sum(self.received[source].wh for source in DIVERTED if source in self.received)
        if not received:
            return None
        return min(max(1 - Fraction(round(self.additional_loss_wh), received), Fraction(0)), Fraction(1))


@dataclass(frozen=True, slots=True)
class StockReport:
    """Rows for every period of the span, ascending, and their total.

    The additional loss is measured against a tank without the diverted heat. That tank receives all other heat and
    gives what was drawn. When it has no heat left, the displaced source makes the heat as it is drawn and stores
    nothing. When it is colder than its surroundings, it neither loses nor gains.
    """

    by: By | None
    zone: ZoneInfo
    rows: tuple[StockRow, ...]
    total: StockRow


def stock_report(
    ledger: Ledger,
    tank: TankBooks,
    by: By | None = None,
    from_s: int | None = None,
    to_s: int | None = None,
    timezone: str | None = None,
) -> StockReport:
    """The heat stock over [from_s, to_s) (UTC seconds) by local period; by None: no rows, the total alone.

    from_s, to_s: default, the first settled interval's start and the last one's end. tank: for the additional loss.
    A ledger without tank entries gives no rows. Raises LedgerError.
    """
    with ledger.still():
        facts = ledger.facts()
        zone = ZoneInfo(timezone or facts.timezone)
        span = ledger.tank_span()
        first_s = from_s if from_s is not None else span[0] if span else 0
        last_s = to_s if to_s is not None else span[1] if span else first_s
        if span is None or last_s <= first_s:
            return StockReport(by, zone, (), StockRow(first_s, max(first_s, last_s)))
        cuts = bounds(by, first_s, last_s, zone, facts.interval_s) if by is not None else [first_s, last_s]
        rows = walk(ledger.tank_entries(float("-inf"), last_s), cuts, tank)
    return StockReport(by, zone, tuple(rows) if by is not None else (), _together(rows))


def walk(
    entries: Iterable[TankEntry], cuts: Sequence[int], tank: TankBooks, opening: Lots | None = None
) -> list[StockRow]:
    """The accounts of the periods that `cuts` (UTC seconds, ascending, at least two) divide time into.

    entries: the tank's, by time, from the beginning of the books. opening: instead of it, the stock at the first entry;
    the additional loss then assumes that all of that stock would be there without the diverted heat too.
    """
    rows = [StockRow(start_s, end_s) for start_s, end_s in pairwise(cuts)]
    held = dict(opening or {})
    stock = Inventory(held, -held.pop(SHORT, NOTHING).wh)
    bare_wh = 0.0
    begun = False
    reached = -1  # the row that the entries have come to
    for entry in entries:
        if not begun:
            begun = True
            if opening is None:
                stock.receive(BEFORE, Lot(max(entry.opening_wh, 0)))
            bare_wh = float(stock.wh)
        place = bisect_right(cuts, entry.start_s) - 1
        while reached < min(place, len(rows) - 1):
            _turn(rows, reached, stock)
            reached += 1
        row = rows[place] if 0 <= place < len(rows) else StockRow(0, 0)
        others_wh = _book(entry, row, stock)
        bare_wh = max(bare_wh + others_wh - entry.wh(DRAWN), 0.0)
        bare_loss_wh = max(loss_w(tank, bare_wh), 0.0) * entry.interval_s / 3600
        row.additional_loss_wh += entry.wh(LOST) - bare_loss_wh
        bare_wh = max(bare_wh - bare_loss_wh, 0.0)
    while reached < len(rows):
        _turn(rows, reached, stock)
        reached += 1
    return rows


def _turn(rows: list[StockRow], reached: int, stock: Inventory) -> None:
    """Closes a row and opens the next."""
    if reached >= 0:
        rows[reached].closing = stock.lots
    if reached + 1 < len(rows):
        rows[reached + 1].opening = stock.lots


def _book(entry: TankEntry, row: StockRow, stock: Inventory) -> int:
    """Books an interval; returns how much heat came that was not diverted (and went unexplained), Wh."""
    row.known_s += entry.interval_s
    row.measured_s += entry.measured_s
    row.metered_s += entry.interval_s if entry.metered else 0
    others_wh = 0
    jump_wh = entry.opening_wh - stock.wh  # books that were begun anew, a tank that was changed
    flows = [(UNEXPLAINED, Lot(-jump_wh))] if jump_wh else []
    flows += [(line.account, Lot(line.wh, line.micro, line.mg)) for line in entry.postings if line.account != TANK]
    flows = [flow for flow in flows if flow[1] != NOTHING]
    flows.sort(key=lambda flow: flow[1].wh > 0)  # what comes in within an interval is there for what goes out in it
    for account, lot in flows:
        if is_source(account):
            _add(row.received, account, Lot(-lot.wh, -lot.micro, -lot.mg), stock)
            others_wh -= 0 if account in DIVERTED else lot.wh
        elif lot.wh < 0:
            _add(row.received, SURROUNDINGS if account == LOST else account, Lot(-lot.wh), stock)
            others_wh -= 0 if account == LOST else lot.wh
        else:
            out = row.drawn if account == DRAWN else row.lost if account == LOST else row.unexplained
            for source, part in stock.withdraw(lot.wh).items():
                if part != NOTHING:
                    out[source] = out.get(source, NOTHING) + part
            others_wh -= lot.wh if account == UNEXPLAINED else 0
    return others_wh


def _add(received: dict[str, Lot], source: str, lot: Lot, stock: Inventory) -> None:
    stock.receive(source, lot)
    received[source] = received.get(source, NOTHING) + lot


def _together(rows: Sequence[StockRow]) -> StockRow:
    whole = StockRow(rows[0].start_s, rows[-1].end_s, opening=rows[0].opening, closing=rows[-1].closing)
    for row in rows:
        for name in ("received", "drawn", "lost", "unexplained"):
            into = getattr(whole, name)
            for source, lot in getattr(row, name).items():
                into[source] = into.get(source, NOTHING) + lot
        for name in ("measured_s", "known_s", "metered_s", "additional_loss_wh"):
            setattr(whole, name, getattr(whole, name) + getattr(row, name))
    return whole


def average_cost(lots: Lots) -> Fraction | None:
    """Weighted average cost of what is on hand, money per kWh: its whole cost over its heat; None without any."""
    held = total(lots.values())
    return Fraction(held.micro, held.wh * 1000) if held.wh > 0 else None
