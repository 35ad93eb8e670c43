"""What was diverted since local midnight, and what it was worth: one figure for the page, the commands and MQTT."""

from collections.abc import Iterable
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from accounting.ledger import LedgerWriter
from accounting.model.entry import Entry
from accounting.model.figures import Figures
from accounting.model.periods import local_day, midnight_s, month_start_s
from accounting.reports.used_share import MonthSoFar
from accounting.valuation.formula import half_even
from accounting.valuation.historical_shares import month_of
from accounting.valuation.settings import TankBooks
from daemon.control.engine import Engine
from rules.model.reading import Moment


class TodaysValue:
    """Keeps what the ledger has of today until it is to be read again."""

    def __init__(self, ledger: LedgerWriter) -> None:
        self._ledger = ledger
        self._used: MonthSoFar | None = None
        self._read: tuple[float, list[Entry], Fraction, Fraction] | None = None

    def read_again(self) -> None:
        """The ledger has other entries of today, or values them otherwise."""
        self._read = None

    def measure_used(self, tank: TankBooks | None) -> None:
        """From now on today's heat counts as used as far as the stock of this tank measures it; None: as booked."""
        self._used = None if tank is None else MonthSoFar(tank)
        self.read_again()

    def figures(self, engine: Engine, unwritten: Iterable[Entry], now: Moment) -> dict[str, Any]:
        """Today's figures, settled or not. unwritten: entries that wait for the ledger. Raises LedgerError."""
        zone = ZoneInfo(engine.settings.timezone)
        day = local_day(now.utc_s, zone)
        start_s = midnight_s(day, zone)
        if self._read is None or self._read[0] != start_s:
            self._read = start_s, self._ledger.entries(start_s, float("inf")), *self._share(start_s, zone)
        _, written, share, before = self._read
        known = [*written, *unwritten, *engine.books.open_entries(now.utc_s)]
        rows = {(entry.start_s, entry.heater): entry for entry in known if entry.start_s >= start_s}.values()
        total = Figures.total(Figures.of(row) for row in rows)
        avoided_micro = total.avoided_micro
        if self._used is not None:  # as `value` has it: the month so far is rounded at midnight and now
            after = before + sum(_if_all_were_used(row) for row in rows)
            avoided_micro = _rounded(share * after) - _rounded(share * before)
        net_micro = avoided_micro - total.given_up_micro - total.bought_micro
        return {
            "since": day.isoformat(),
            "diverted_kwh": total.diverted_wh / 1000,
            "given_up": total.given_up_micro / 1e6,
            "avoided": avoided_micro / 1e6,
            "net": net_micro / 1e6,
            "currency": engine.settings.currency,
        }

    def _share(self, midnight_s: int, zone: ZoneInfo) -> tuple[Fraction, Fraction]:
        """The share of the month's heat that counts as used, and what the month before midnight would have avoided if
        all of it were, in millionths."""
        if self._used is None:
            return Fraction(1), Fraction(0)
        month = month_of(midnight_s, zone)
        with self._ledger.still():
            share = self._used.share(self._ledger, month, zone)
            booked = self._ledger.assumed(month_start_s(month, zone), midnight_s)
        before = sum((one.avoided_micro / Fraction(one.used or 1) for one in booked if one.used != "0"), Fraction(0))
        return Fraction(1) if share is None else share, before


def _if_all_were_used(entry: Entry) -> Fraction:
    """What the entry would avoid if all of its heat were used, millionths."""
    used = Fraction(entry.used or 1)
    return Figures.of(entry).avoided_micro / used if used else Fraction(0)


def _rounded(micro: Fraction) -> int:
    return half_even(micro.numerator, micro.denominator)
