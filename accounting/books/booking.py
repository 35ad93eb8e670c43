"""The books of a home: readings in, entries out. No clock, no database: both are the caller's."""

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any

from accounting.books.attribution import KEPT_MS, Attribution
from accounting.books.battery_debt import BATTERY_FULL
from accounting.books.heater_book import NEVER_S, HeaterBook, figures
from accounting.heat.tank_book import WAIT_MS, TankBook
from accounting.metering.counter_meter import FAR_MS, NOTHING_YET_MS, Counts, Share
from accounting.metering.noting import NoteAll, both, one_by_one
from accounting.metering.power_meter import PowerMeter
from accounting.model.entry import Entry, Quarantined, TankEntry
from accounting.valuation.historical_shares import Past, by_past
from accounting.valuation.settings import BooksSettings, HeaterBooks
from accounting.valuation.terms import next_change
from accounting.valuation.valuer import Energy, Valuer
from rules.model.snapshot import Prices

__all__ = ["Books", "BooksSettings", "HeaterBooks"]

ALL = 2**62
"""No bound on what is done in one step."""
OPEN = "open"
"""The reason of an entry that is not settled yet."""
_ATTRIBUTION, _HEARD, _TANK = "#attribution", "#heard prices", "#tank"
"""Their places in the state: names no heater can have."""


class Books:
    """Meters every heater and values what it took, interval by interval.

    state: what `state()` gave, to go on from; it holds no settings, so prices may have changed since.
    """

    def __init__(self, settings: BooksSettings, state: dict[str, Any] | None = None) -> None:
        self.past: Past = {}
        self._settings = settings = by_past(settings, self.past)
        self._late_ms = round(settings.late_s * 1000)
        self._valuer = Valuer(settings)
        self._books = [HeaterBook(heater, settings) for heater in settings.heaters]
        self._attribution = Attribution(settings) if settings.attributes else None
        self.notes: dict[str, NoteAll] = {}
        """By signal that the books use: what takes its readings."""
        for book in self._books:
            self._listen(book.heater.counter or book.heater.power or "", book.meter.note_all)
        for signal, note in self._attribution.notes if self._attribution is not None else ():
            self._listen(signal, note)
        self._tank: TankBook | None = None
        self._tank_waits = False
        if settings.tank is not None:
            self._tank = TankBook(settings.tank, self._valuer, settings.interval_s, settings.late_s)
            for signal, note in self._tank.notes:
                self._listen(signal, note)
        self._metered = dict(self.notes)
        self._listen_to_prices()
        if state is not None:
            self._restore(state)

    def _listen_to_prices(self) -> None:
        self.notes = self._metered | {series.signal: one_by_one(series.note) for series in self._settings.heard}
        self.signals = frozenset(self.notes)
        self.price_signals = frozenset(series.signal for series in self._settings.heard)

    def note(self, signal: str, at_s: float, value: float) -> None:
        """Takes a reading (UTC seconds; finite). Signals that the books do not use are passed over."""
        self.note_all(signal, (at_s,), (value,))

    def note_all(self, signal: str, at_s: Sequence[float], values: Sequence[float]) -> None:
        """Takes several readings, as `note` does."""
        note_all = self.notes.get(signal)
        if note_all is not None:
            note_all(at_s, values)

    def _listen(self, signal: str, note_all: NoteAll) -> None:
        """Have a signal's readings noted, by more than one meter if need be."""
        before = self.notes.get(signal)
        self.notes[signal] = note_all if before is None else both(before, note_all)

    def settle(self, now_utc_s: float, most: int = ALL) -> list[Entry]:
        """The intervals that are complete, and new versions of those that a late reading has changed; in order of time.

        Complete: its energy is known to its end (a counter's good reading at or after it; with a power, that time has
        passed) and `late_s` has passed since. Each is given once: the caller keeps it, with `state()`.
        most: intervals of each heater, and of the tank, to be looked through now; while there are more, `next_settle_s`
        has passed.
        """
        entries: list[Entry] = []
        now_ms = round(now_utc_s * 1000)
        for book in self._books:
            if isinstance(book.meter, PowerMeter):
                book.meter.known_at(now_ms)
            if book.meter.touched:
                book.look()
            if now_utc_s >= book.due_s:
                entries += [self._entry(book, share, why, now_ms) for share, why in book.settle(now_ms, most)]
        if self._attribution is not None:
            entries = self._less_forgone(entries, now_ms)
            floor_ms = min(min(book.meter.floor_ms, *(book.meter.starts() or [FAR_MS])) for book in self._books)
            self._attribution.drop(max(floor_ms, now_ms - KEPT_MS))
        entries.sort(key=lambda entry: entry.start_s)
        if self._tank is not None:
            heard = [book.meter for book in self._books if book.meter.newest_ms > NOTHING_YET_MS]
            self._tank.take(entries)
            covered = [meter.covered_ms(now_ms) for meter in heard]
            awaited = [ms for ms in covered if ms > now_ms - WAIT_MS]
            settled_ms = min([now_ms - self._late_ms, *awaited, *self._unsettled_ms(now_ms)])
            self._tank_waits = self._tank.settle(settled_ms, now_ms, most)
            self._tank.forget(min([now_ms, *(meter.floor_ms for meter in heard)]))
        return entries

    def _less_forgone(self, entries: list[Entry], now_ms: int) -> list[Entry]:
        """The entries, with new versions of those that forgo less for the battery than was booked of them."""
        assert self._attribution is not None
        covered = [book.meter.covered_ms(now_ms) for book in self._books]
        awaited = [ms for ms in covered if ms > now_ms - KEPT_MS // 2]
        less = self._attribution.sweep(min([now_ms - self._late_ms, *awaited]), now_ms)
        if not less:
            return entries
        revised = {(energy.start_s, energy.heater): energy for energy in less}
        kept = [entry for entry in entries if (entry.start_s, entry.heater) not in revised]
        reasons = {(entry.start_s, entry.heater): entry.why for entry in entries}
        return kept + [self._valuer.entry(energy, reasons.get(key, BATTERY_FULL)) for key, energy in revised.items()]

    def tank_entries(self) -> list[TankEntry]:
        """The tank's intervals that `settle` has completed or revised since the last call; the caller keeps them."""
        return self._tank.drain() if self._tank is not None else []

    def next_settle_s(self) -> float:
        """The UTC second at which `settle` has something to give, if no reading comes before; inf for none known."""
        due_s = float("-inf") if self._tank_waits else NEVER_S
        for book in self._books:
            if book.meter.touched:
                book.look()
            if book.due_s < due_s:
                due_s = book.due_s
        return due_s

    def quiet_until_s(self, now_utc_s: float) -> float:
        """The UTC second before which `settle` has nothing to give, whatever readings come in order of time; now where
        that is not known. now_utc_s: the time of the last readings."""
        now_ms = round(now_utc_s * 1000)
        if any(book.meter.covered_ms(now_ms) < now_ms for book in self._books):
            return now_utc_s
        interval_ms = self._settings.interval_s * 1000
        end_ms = (now_ms // interval_ms + 1) * interval_ms
        return min((end_ms + self._late_ms) / 1000, self.next_settle_s())

    def open_entries(self, now_utc_s: float, most: int = ALL) -> list[Entry]:
        """What `settle` has not given yet, as far as it is known now: the interval in progress and those just ended.

        most: the newest of each heater; of a long time that is still being settled the rest is left for later.
        """
        now_ms = round(now_utc_s * 1000)
        entries = []
        for book in self._books:
            entries += [self._entry(book, share, OPEN, now_ms) for share in book.open_shares(now_ms)[-most:]]
        entries.sort(key=lambda entry: entry.start_s)
        return entries

    def quarantined(self) -> list[Quarantined]:
        """Energy put in quarantine since the last call."""
        of_tank = self._tank.quarantined() if self._tank is not None else ()
        return [*(item for book in self._books for item in book.meter.drain()), *of_tank]

    def counts(self) -> dict[str, Counts]:
        """By heater, how often its readings were not what they should be."""
        return {book.heater.name: book.meter.counts for book in self._books}

    def marks(self) -> tuple[tuple[object, ...], ...]:
        """For each heater, a mark that changes when its energy does and stays while only time passes;
        empty before its first reading ever."""
        of_tank = self._tank.marks() if self._tank is not None else ()
        return (*[book.meter.mark for book in self._books], *of_tank)

    def prices_heard(self) -> tuple[float | None, ...]:
        """The newest value of each price and factor that is heard as a signal."""
        return tuple([series.newest for series in self._settings.heard])

    def state(self) -> dict[str, Any]:
        """All that is needed to go on from here, as plain JSON data."""
        state: dict[str, Any] = {book.heater.name: book.state() for book in self._books}
        if self._attribution is not None:
            state[_ATTRIBUTION] = self._attribution.state()
        if self._settings.heard:
            state[_HEARD] = {series.signal: series.state() for series in self._settings.heard}
        if self._tank is not None:
            state[_TANK] = self._tank.state()
        return state

    @property
    def settings(self) -> BooksSettings:
        """The settings of the books, with the shares by the past."""
        return self._settings

    def go_by(self, past: Past) -> bool:
        """Takes over the shares by the home's past up to now; returns whether they are new."""
        if past == self.past:
            return False
        self.past = past
        self.reprice(self._settings)
        return True

    def reprice(self, settings: BooksSettings) -> None:
        """Goes on with other prices, carbon or shares; what is settled stays as it is.

        Raises ValueError if the metering differs: that takes new books from the old ones' state.
        """
        old = self._settings
        metering = (set(settings.heaters), settings.interval_s, settings.late_s)
        sources = _sources(settings)
        if metering != (set(old.heaters), old.interval_s, old.late_s):
            raise ValueError("expected the same heaters, interval and lateness")
        if sources != _sources(old):
            raise ValueError("expected the same signals of who gave the energy")
        kept = {series.signal: series.state() for series in old.heard}
        self._settings = settings = by_past(settings, self.past)
        self._valuer = Valuer(settings)
        if self._attribution is not None:
            self._attribution.reprice(settings)
        for series in settings.heard:
            series.restore(kept.get(series.signal, []))
        self._listen_to_prices()
        if self._tank is not None and settings.tank is not None:
            self._tank.adopt(settings.tank, self._valuer)

    @property
    def newest_s(self) -> float:
        """UTC second of the newest reading; -inf before any."""
        newest_ms = max((book.meter.newest_ms for book in self._books), default=NOTHING_YET_MS)
        return newest_ms / 1000 if newest_ms > NOTHING_YET_MS else float("-inf")

    def take_up(self, unsettled: Iterable[Entry]) -> None:
        """Goes on from the open entries of a ledger, where the state that belonged to them is lost."""
        books = {book.heater.name: book for book in self._books}
        for entry in unsettled:
            if (book := books.get(entry.heater)) is not None:
                share = Share(entry.start_s * 1000, entry.diverted_wh, entry.measured_s * 1000, entry.estimated_wh)
                book.meter.bring(share)

    def set_back(self, by_s: float, settled: Iterable[Entry]) -> None:
        """Goes on after the clock that dates the readings was set back.

        The time that comes a second time adds to what its intervals have: nothing is booked twice, nothing lost.
        settled: the current entries of the time from `newest_s - by_s` on, which are about to be revised.
        """
        kept = {book.heater.name: (book, {*book.booked, *book.meter.starts()}) for book in self._books}
        for book in self._books:
            book.meter.set_back(round(by_s * 1000))
        if self._attribution is not None:
            self._attribution.set_back(by_s)
        if self._tank is not None:
            self._tank.set_back(by_s)
        for series in self._settings.heard:
            series.set_back(by_s)
        for entry in settled:
            start_ms = entry.start_s * 1000
            found, known = kept.get(entry.heater, (None, set()))
            if found is None or start_ms in known:
                continue
            share = Share(start_ms, entry.diverted_wh, entry.measured_s * 1000, entry.estimated_wh)
            found.meter.bring(share)
            found.booked[start_ms] = figures(share)

    def prices_at(self, utc_s: float) -> Prices:
        """The prices and carbon in force at an instant, for the rules. They hold until `until_s`."""
        settings = self._settings
        start_s = int(utc_s // settings.interval_s) * settings.interval_s
        second_s = int(utc_s)
        rates = self._valuer.rates((second_s, second_s + 1), (start_s, start_s + settings.interval_s))
        return Prices(
            _float(rates.export_price),
            _float(rates.import_price),
            _float(rates.heat_price),
            _float(rates.export_kg),
            _float(rates.heat_kg),
            next_change(settings, utc_s, start_s),
        )

    def _unsettled_ms(self, now_ms: int) -> list[int]:
        """Of each heater that has more to settle than was looked through, the first interval left."""
        firsts = [book.first_unsettled_ms(now_ms) for book in self._books]
        return [start_ms for start_ms in firsts if start_ms is not None]

    def _entry(self, book: HeaterBook, share: Share, reason: str, now_ms: int) -> Entry:
        wh, estimated_wh, measured_s = figures(share)
        name = book.heater.name
        energy = Energy(share.start_ms // 1000, name, wh, estimated_wh, measured_s)
        if self._attribution is not None:
            energy = self._attribution.split(energy, now_ms)
            if reason != OPEN:
                energy = self._attribution.settled(energy)
        return self._valuer.entry(energy, reason)

    def _restore(self, state: dict[str, Any]) -> None:
        if self._attribution is not None and _ATTRIBUTION in state:
            self._attribution.restore(state[_ATTRIBUTION])
        for series in self._settings.heard:
            series.restore(state.get(_HEARD, {}).get(series.signal, []))
        if self._tank is not None and _TANK in state:
            self._tank.restore(state[_TANK])
        for book in self._books:
            if book.heater.name in state:
                book.restore(state[book.heater.name])


def _sources(settings: BooksSettings) -> tuple[object, ...]:
    """The signals that show who gave the energy. Other signals need new books."""
    battery = settings.battery
    battery_signals = None if battery is None else (battery.power, battery.level)
    return settings.grid_power, battery_signals, settings.export_limit_w


def _float(exact: Fraction | None) -> float | None:
    return None if exact is None else float(exact)
