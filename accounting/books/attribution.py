"""Which part of a heater's energy the sun did not give: told minute by minute from the grid's and the battery's power.

In each minute the grid gave as much as was imported and the heater took, whichever is less: without the heater so much
less would have been bought. Of the rest the battery gave as much as it discharged, and the sun what is left. Energy of
minutes in which nothing tells the import or the discharge is the sun's, as far as anybody knows.
"""

from bisect import bisect_right
from collections.abc import Iterator
from typing import Any, NamedTuple

from accounting.books.curtailment import curtailed
from accounting.metering.counter_meter import CounterMeter, Share
from accounting.metering.power_meter import MWMS_PER_WH, PowerMeter
from accounting.model.apportion import spread
from accounting.model.journal import BATTERY, grid_account
from accounting.pricing.tariffs import Priced
from accounting.valuation.settings import BooksSettings, HeaterBooks

MINUTE_S = 60
KEPT_MS = 6 * 3600 * 1000
"""How long minutes are kept for energy that comes late: longer gaps are estimates anyway."""

_ANY_W = 1e9
"""A grid connection's rated power: none that matters here."""


class Attribution:
    """The minutes of all heaters, of import and of the battery's discharge.

    A heater is taken to have drawn what its power says, if it tells one, else evenly between its counter's steps.
    """

    def __init__(self, settings: BooksSettings) -> None:
        late_s = settings.late_s
        self._heaters = {heater.name: _minutes(heater, late_s) for heater in settings.heaters}
        self._import = self._discharge = self._export = None
        self._limit_w = settings.export_limit_w
        self.notes: list[tuple[str, Any]] = []
        """Which signal's readings go where."""
        for heater in settings.heaters:
            self.notes.append((heater.power or heater.counter or "", self._heaters[heater.name].note))
        for told in (settings.grid_power, settings.battery_power):
            if told is None:
                continue
            meter = _power("", _ANY_W, told.stale_after_s, late_s)
            if told is settings.grid_power:
                self._import = meter
                self.notes.append((told.signal, meter.note))
                if self._limit_w is not None:
                    self._export = _power("", _ANY_W, told.stale_after_s, late_s)
                    self.notes.append((told.signal, lambda at_s, value, note=self._export.note: note(at_s, -value)))
            else:
                self._discharge = meter
                self.notes.append((told.signal, lambda at_s, value, note=meter.note: note(at_s, -value)))

    def taken(
        self, heater: str, share: Share, interval_ms: int, imports: Priced | None, now_ms: int
    ) -> tuple[tuple[str, int], ...]:
        """(account, Wh) of what the sun did not give, of one interval of one heater. imports: names the bands."""
        if not share.wh:
            return ()
        accounts = _Accounts(imports, share.start_ms, share.start_ms + interval_ms)
        took = 0
        gave: dict[str, int] = {}
        for minute in self._minutes(heater, share.start_ms, share.start_ms + interval_ms, now_ms):
            took += minute.mine
            for account, energy in ((accounts.at(minute.start_ms), minute.grid), (BATTERY, minute.battery)):
                if energy:
                    gave[account] = gave.get(account, 0) + energy * minute.mine // minute.everybody
        rest = max(took, share.wh * MWMS_PER_WH) - sum(gave.values())
        _, *parts = spread(share.wh, [rest, *gave.values()])
        return tuple((account, wh) for account, wh in zip(gave, parts, strict=True) if wh)

    def curtailed_wh(self, heater: str, share: Share, interval_ms: int, taken_wh: int, now_ms: int) -> int:
        """Of what the sun gave a heater in an interval, Wh, what the export limit would have kept from being sold.

        taken_wh: of its energy, what the sun did not give. 0 where no limit is set, or nothing tells the export.
        """
        if self._export is None or self._limit_w is None or share.wh <= taken_wh:
            return 0
        export, limit = _told(self._export, now_ms), round(self._limit_w * 1000) * MINUTE_S * 1000
        sunny = held_back = 0
        for minute in self._minutes(heater, share.start_ms, share.start_ms + interval_ms, now_ms):
            sun = minute.everybody - minute.grid - minute.battery
            sunny += sun * minute.mine // minute.everybody
            kept = curtailed(export.get(minute.start_ms, 0), sun, limit)
            held_back += kept * minute.mine // minute.everybody
        if not held_back:
            return 0
        return spread(share.wh - taken_wh, [max(0, sunny - held_back), held_back])[1]

    def _minutes(self, heater: str, start_ms: int, end_ms: int, now_ms: int) -> Iterator["_Minute"]:
        """The minutes of [start_ms, end_ms) in which a heater took something."""
        bought = _told(self._import, now_ms)
        stored = _told(self._discharge, now_ms)
        everybody = {name: _told(meter, now_ms) for name, meter in self._heaters.items()}
        own = everybody[heater]
        for minute_ms in range(start_ms, end_ms, MINUTE_S * 1000):
            mine = own.get(minute_ms, 0)
            if mine:
                all_of_them = sum(minutes.get(minute_ms, 0) for minutes in everybody.values())
                grid = min(all_of_them, bought.get(minute_ms, 0))
                yield _Minute(minute_ms, mine, all_of_them, grid, min(all_of_them - grid, stored.get(minute_ms, 0)))

    def set_back(self, by_s: float) -> None:
        """The clock that dates the readings was set back: minutes that come twice hold the energy of both."""
        for meter in self._meters():
            meter.set_back(round(by_s * 1000))

    def drop(self, before_ms: int) -> None:
        """Forgets the minutes before this, all their intervals being settled, and those older than KEPT_MS."""
        for meter in self._meters():
            meter.drop(before_ms)

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        return {
            "heaters": {name: meter.state() for name, meter in self._heaters.items()},
            "import": self._import.state() if self._import is not None else None,
            "discharge": self._discharge.state() if self._discharge is not None else None,
            "export": self._export.state() if self._export is not None else None,
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`; what is metered another way by now begins anew."""
        kept = [(self._heaters.get(name), told) for name, told in state["heaters"].items()]
        kept += [(self._import, state["import"]), (self._discharge, state["discharge"])]
        kept += [(self._export, state.get("export"))]
        for meter, told in kept:
            if meter is not None and told is not None and told["kind"] == meter.kind:
                meter.restore(told)

    def _meters(self) -> list[CounterMeter | PowerMeter]:
        more = [meter for meter in (self._import, self._discharge, self._export) if meter is not None]
        return [*self._heaters.values(), *more]


class _Minute(NamedTuple):
    """A minute of a heater's, energies in mW·ms: its own, all heaters', and what grid and battery gave of those."""

    start_ms: int
    mine: int
    everybody: int
    grid: int
    battery: int


class _Accounts:
    """The grid's account at each instant of an interval."""

    def __init__(self, imports: Priced | None, start_ms: int, end_ms: int) -> None:
        pieces = imports.pieces(start_ms // 1000, end_ms // 1000) if imports is not None else []
        self._starts = [piece.start_s for piece in pieces]
        self._names = [grid_account(piece.name) for piece in pieces]

    def at(self, at_ms: int) -> str:
        place = bisect_right(self._starts, at_ms // 1000) - 1
        return self._names[place] if place >= 0 else grid_account(None)


def _minutes(heater: HeaterBooks, late_s: float) -> CounterMeter | PowerMeter:
    if heater.power is not None:
        return _power(heater.name, heater.rated_w, heater.stale_after_s, late_s)
    return CounterMeter(
        heater.name,
        rated_w=heater.rated_w,
        interval_s=MINUTE_S,
        gap_s=heater.gap_s,
        late_s=late_s,
        resolution_wh=heater.resolution_wh,
    )


def _power(name: str, rated_w: float, stale_after_s: float, late_s: float) -> PowerMeter:
    return PowerMeter(name, rated_w=rated_w, interval_s=MINUTE_S, stale_after_s=stale_after_s, late_s=late_s)


def _told(meter: CounterMeter | PowerMeter | None, now_ms: int) -> dict[int, int]:
    """Energy by minute's start, mW·ms; minutes without any are left out or 0."""
    if meter is None:
        return {}
    if isinstance(meter, PowerMeter):
        return meter.energy_mwms(now_ms)
    return {share.start_ms: share.wh * MWMS_PER_WH for share in meter.shares(now_ms)}
