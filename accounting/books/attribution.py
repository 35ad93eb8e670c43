"""Who gave a heater's energy, minute by minute, by the grid's and the battery's power, and what the sun's part gave up.

In each minute the grid gave the import or what the heater took, whichever is less: without the heater that much less
would have been bought. Of the rest the battery gave as much as it discharged, and the sun gave what is left. Energy of
minutes without a reading of import or discharge counts as the sun's. Of the sun's part the battery forgoes what it
could have taken in addition in that minute (see `HouseBattery`); the rest could have been sold.
"""

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

from accounting.books.battery_debt import LATE_MS, BatteryDebt
from accounting.books.curtailment import curtailed
from accounting.books.house_battery import HouseBattery
from accounting.metering.counter_meter import CounterMeter
from accounting.metering.noting import NoteAll
from accounting.metering.on_demand import OnDemand
from accounting.metering.power_meter import MWMS_PER_WH, PowerMeter
from accounting.model.apportion import spread
from accounting.model.journal import BATTERY, grid_account
from accounting.pricing.tariffs import Priced
from accounting.valuation.settings import BooksSettings, HeaterBooks
from accounting.valuation.valuer import Energy

MINUTE_S = 60
KEPT_MS = LATE_MS
"""How long minutes are kept for energy that comes late: longer gaps are estimates anyway."""

_ANY_W = 1e9
"""A rated power for the grid connection that no house reaches, W."""


class Attribution:
    """The minutes of all heaters, of import and of the battery's discharge.

    A heater's energy is spread by its power signal, if it has one, else evenly between its counter's steps.
    """

    def __init__(self, settings: BooksSettings) -> None:
        late_s = settings.late_s
        self._heaters = {heater.name: _minutes(heater, late_s) for heater in settings.heaters}
        self._import: OnDemand | None = None
        self._export: OnDemand | None = None
        self._interval_ms = settings.interval_s * 1000
        self._imports = settings.imports
        self._battery = HouseBattery(settings.battery, late_s) if settings.battery is not None else None
        self._debt = BatteryDebt(self._battery, settings.timezone) if self._battery is not None else None
        self._limit_w = settings.export_limit_w
        self.notes: list[tuple[str, NoteAll]] = []
        """Which signal's readings go where."""
        for heater in settings.heaters:
            self.notes.append((heater.power or heater.counter or "", self._heaters[heater.name].note_all))
        if settings.grid_power is not None:
            grid = settings.grid_power
            self._import = _power("", _ANY_W, grid.stale_after_s, late_s)
            self.notes.append((grid.signal, self._import.note_all))
            if self._limit_w is not None or self._battery is not None:
                self._export = _power("", _ANY_W, grid.stale_after_s, late_s, sign=-1)
                self.notes.append((grid.signal, self._export.note_all))
        if self._battery is not None:
            self.notes += self._battery.notes

    def split(self, energy: Energy, now_ms: int) -> Energy:
        """An interval's energy with who gave it, and how much of the sun's part could not have been sold."""
        if not energy.wh:
            return energy
        start_ms = energy.start_s * 1000
        minutes = list(self._minutes(energy.heater, start_ms, start_ms + self._interval_ms, now_ms))
        taken = self._taken(energy, minutes)
        taken_wh = sum(wh for _, wh in taken)
        energy = replace(energy, taken=taken)
        if taken_wh >= energy.wh or (self._battery is None and self._limit_w is None):
            return self._with_hours(energy)
        sunny = unheard = forgone = held_back = 0
        limit = round(self._limit_w * 1000) * MINUTE_S * 1000 if self._limit_w is not None else None
        for minute in minutes:
            sun = minute.everybody - minute.grid - minute.battery
            sunny += sun * minute.mine // minute.everybody
            charged = min(sun, minute.room or 0)
            forgone += charged * minute.mine // minute.everybody
            unheard += sun * minute.mine // minute.everybody if minute.room is None else 0
            kept = 0 if limit is None else curtailed(minute.export, sun - charged, limit)
            held_back += kept * minute.mine // minute.everybody
        if not (forgone or unheard or held_back):
            return self._with_hours(energy)
        rest = max(0, sunny - forgone - held_back - unheard)
        _, forgone_wh, held_back_wh, unheard_wh = spread(
            energy.wh - taken_wh, [rest, forgone, held_back, max(0, unheard - held_back)]
        )
        return self._with_hours(
            replace(energy, forgone_wh=forgone_wh, curtailed_wh=held_back_wh, unheard_wh=unheard_wh)
        )

    def settled(self, energy: Energy) -> Energy:
        """An interval's energy that is being booked: what it forgoes is owed to the battery from now on."""
        return energy if self._debt is None else self._debt.book(energy)

    def sweep(self, until_ms: int, now_ms: int) -> list[Energy]:
        """Works through the battery's settled minutes; returns the intervals that forgo less than was booked of them.
        until_ms: up to where the heaters' intervals are settled, UTC."""
        debt, battery = self._debt, self._battery
        if debt is None or battery is None or battery.books.level is None:
            return []
        until_ms -= until_ms % self._interval_ms
        minutes = battery.minutes(now_ms)
        first_ms = min(minutes.charge, default=until_ms) if debt.swept_ms is None else debt.swept_ms
        first_ms = max(first_ms - first_ms % self._interval_ms, until_ms - KEPT_MS)
        if first_ms >= until_ms:
            return []
        bought, sold = _energy_by_minute(self._import, now_ms), _energy_by_minute(self._export, now_ms)
        heaters: dict[int, int] = {}
        for meter in self._heaters.values():
            for minute_ms, energy in _energy_by_minute(meter, now_ms).items():
                heaters[minute_ms] = heaters.get(minute_ms, 0) + energy
        less: dict[tuple[int, str], Energy] = {}
        for start_ms in range(first_ms, until_ms, self._interval_ms):
            for revised in debt.sweep(start_ms, start_ms + self._interval_ms, minutes, bought, sold, heaters):
                less[revised.start_s, revised.heater] = revised
        return list(less.values())

    def _with_hours(self, energy: Energy) -> Energy:
        """With the hours by which the battery's part is priced."""
        given = energy.forgone_wh or any(account == BATTERY for account, _ in energy.taken)
        return replace(energy, hours=self._debt.hours) if given and self._debt is not None else energy

    def _taken(self, energy: Energy, minutes: Sequence["_Minute"]) -> tuple[tuple[str, int], ...]:
        """(account, Wh) of what the sun did not give."""
        accounts = _Accounts(self._imports, energy.start_s * 1000, energy.start_s * 1000 + self._interval_ms)
        took = 0
        gave: dict[str, int] = {}
        for minute in minutes:
            took += minute.mine
            if minute.grid:
                account = accounts.at(minute.start_ms)
                gave[account] = gave.get(account, 0) + minute.grid * minute.mine // minute.everybody
            if minute.battery:
                gave[BATTERY] = gave.get(BATTERY, 0) + minute.battery * minute.mine // minute.everybody
        rest = max(took, energy.wh * MWMS_PER_WH) - sum(gave.values())
        _, *parts = spread(energy.wh, [rest, *gave.values()])
        return tuple((account, wh) for account, wh in zip(gave, parts, strict=True) if wh)

    def _minutes(self, heater: str, start_ms: int, end_ms: int, now_ms: int) -> Iterator["_Minute"]:
        """The minutes of [start_ms, end_ms) in which a heater took something."""
        starts = range(start_ms, end_ms, MINUTE_S * 1000)
        bought, sold = (_energy_by_minute(meter, now_ms, starts) for meter in (self._import, self._export))
        stored = self._battery.minutes(now_ms) if self._battery is not None else None
        everybody = {name: _energy_by_minute(meter, now_ms, starts) for name, meter in self._heaters.items()}
        own = everybody.pop(heater)
        for minute_ms in starts:
            mine = own.get(minute_ms, 0)
            if not mine:
                continue
            all_of_them = mine + sum([others.get(minute_ms, 0) for others in everybody.values()])
            grid = min(all_of_them, bought.get(minute_ms, 0))
            export = sold.get(minute_ms, 0)
            battery = 0
            room: int | None = 0
            if stored is not None:
                battery = min(all_of_them - grid, stored.discharge.get(minute_ms, 0))
                room = stored.room(minute_ms, export)
            yield _Minute(minute_ms, mine, all_of_them, grid, battery, export, room)

    def reprice(self, settings: BooksSettings) -> None:
        """Goes on with other prices, whose bands may have other names, and other figures of the same battery."""
        self._imports = settings.imports
        if self._battery is not None and settings.battery is not None:
            self._battery.books = settings.battery

    def set_back(self, by_s: float) -> None:
        """The clock that dates the readings was set back: minutes that come twice hold the energy of both."""
        for meter in self._meters():
            meter.set_back(round(by_s * 1000))
        if self._battery is not None:
            self._battery.set_back(round(by_s * 1000))
        if self._debt is not None:
            self._debt.forgive()

    def drop(self, before_ms: int) -> None:
        """Forgets the minutes before this, all their intervals being settled, and those older than KEPT_MS."""
        for meter in self._meters():
            meter.drop(before_ms)
        if self._battery is not None:
            self._battery.drop(before_ms)

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        return {
            "heaters": {name: meter.state() for name, meter in self._heaters.items()},
            "import": self._import.state() if self._import is not None else None,
            "export": self._export.state() if self._export is not None else None,
            "battery": self._battery.state() if self._battery is not None else None,
            "debt": self._debt.state() if self._debt is not None else None,
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`; what is metered another way by now begins anew."""
        kept = [(self._heaters.get(name), kept_state) for name, kept_state in state["heaters"].items()]
        kept += [(self._import, state["import"]), (self._export, state.get("export"))]
        for meter, kept_state in kept:
            if meter is not None and kept_state is not None and kept_state["kind"] == meter.kind:
                meter.restore(kept_state)
        if self._battery is not None and state.get("battery") is not None:
            self._battery.restore(state["battery"])
        if self._debt is not None and state.get("debt") is not None:
            self._debt.restore(state["debt"])

    def _meters(self) -> list[OnDemand]:
        more = [meter for meter in (self._import, self._export) if meter is not None]
        return [*self._heaters.values(), *more]


class _Minute(NamedTuple):
    """A minute of a heater's, energies in mW·ms: its own, all heaters', and what grid and battery gave of those; what
    left the house, and what the battery could have taken more (None: it was not heard)."""

    start_ms: int
    mine: int
    everybody: int
    grid: int
    battery: int
    export: int
    room: int | None


class _Accounts:
    """The grid's account at each instant of an interval."""

    def __init__(self, imports: Priced | None, start_ms: int, end_ms: int) -> None:
        pieces = imports.pieces(start_ms // 1000, end_ms // 1000) if imports is not None else []
        self._starts = [piece.start_s for piece in pieces]
        self._names = [grid_account(piece.name) for piece in pieces]

    def at(self, at_ms: int) -> str:
        place = bisect_right(self._starts, at_ms // 1000) - 1
        return self._names[place] if place >= 0 else grid_account(None)


def _minutes(heater: HeaterBooks, late_s: float) -> OnDemand:
    if heater.power is not None:
        return _power(heater.name, heater.rated_w, heater.stale_after_s, late_s)
    counter = CounterMeter(
        heater.name,
        rated_w=heater.rated_w,
        interval_s=MINUTE_S,
        gap_s=heater.gap_s,
        late_s=late_s,
        resolution_wh=heater.resolution_wh,
    )
    return OnDemand(counter)


def _power(name: str, rated_w: float, stale_after_s: float, late_s: float, sign: int = 1) -> OnDemand:
    power = PowerMeter(name, rated_w=rated_w, interval_s=MINUTE_S, stale_after_s=stale_after_s, late_s=late_s)
    return OnDemand(power, sign)


def _energy_by_minute(meter: OnDemand | None, now_ms: int, starts: Iterable[int] | None = None) -> dict[int, int]:
    """As `OnDemand.energy_mwms`."""
    return {} if meter is None else meter.energy_mwms(now_ms, starts)
