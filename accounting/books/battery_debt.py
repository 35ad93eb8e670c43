"""What the house battery lacks because a heater was ahead of it, and what becomes of that.

Sun that a heater took from the battery is owed to the battery. If the battery is full after all, or has no room left
for what it is owed, that much would have been sold: the interval's entry is revised, and it counts as given-up export.
If the house buys while the battery is empty, the battery would have given what it is owed: that is final. The hour is
remembered, because later debts are priced by the hours in which the battery was missed.

The debt is counted as energy into the battery, Wh at its terminals.
"""

from dataclasses import dataclass, fields, replace
from typing import Any
from zoneinfo import ZoneInfo

from accounting.books.house_battery import LEAVES, MINUTE_MS, BatteryMinutes, HouseBattery, energy_of_w
from accounting.metering.power_meter import MWMS_PER_WH
from accounting.valuation.battery_hours import hours_text, local_hour
from accounting.valuation.valuer import Energy

BATTERY_FULL = "the battery was full after all"
"""The reason for the new version of such an entry."""
_KNOWN_WH = 1_000
"""What a home's past must hold before its hours count, Wh."""
_FORGET = 30
"""The share of the hours' memory that is forgotten each day."""
_DAY_MS = 86_400_000
_LONGEST_MS = 3 * _DAY_MS
"""How long a debt can stand; what is older is final."""
LATE_MS = 6 * 3600 * 1000
"""How late a reading may come and still revise what an interval forgoes."""
_EMPTY = energy_of_w(50)
"""If the house buys this much in a minute while the battery gives next to nothing, the battery is empty."""
_RISE_PCT = 50.0
"""What the level must have risen in all before the capacity is read off it."""


@dataclass(slots=True)
class _Lot:
    """What an interval of a heater still owes. owed: of its energy's forgone_wh, mW·ms; released_wh: sold after all."""

    energy: Energy
    owed: int
    released_wh: int = 0

    @property
    def kept_ms(self) -> int:
        """How long it is kept: what owes nothing any more can still be revised by a late reading."""
        return _LONGEST_MS if self.owed > 0 else LATE_MS


class BatteryDebt:
    """The debt of all heaters, in order of time, and what it shows about the battery."""

    def __init__(self, battery: HouseBattery, timezone: str) -> None:
        self._battery = battery
        self._zone = ZoneInfo(timezone)
        self._lots: list[_Lot] = []
        self._missed: dict[int, int] = {}
        self._gave: dict[int, int] = {}
        self._day = 0
        self._rise_pct = 0.0
        self._risen = 0
        self._level: float | None = None
        self.swept_ms: int | None = None
        """UTC ms up to which the battery's minutes are worked through."""

    @property
    def hours(self) -> str | None:
        """When the battery is missed, else when it gives, by the home's own past; None while too little is known."""
        for energy in (self._missed, self._gave):
            if sum(energy.values()) >= _KNOWN_WH * MWMS_PER_WH:
                return hours_text(energy)
        return None

    @property
    def capacity_wh(self) -> float | None:
        """What goes into it from empty to full, Wh: as stated, else read off its level; None: not known yet."""
        stated = self._battery.books.capacity_wh
        if stated is not None:
            return stated / float(self._battery.books.efficiency)
        return None if self._rise_pct < _RISE_PCT else self._risen / MWMS_PER_WH * 100 / self._rise_pct

    def book(self, energy: Energy) -> Energy:
        """Takes what an interval forgoes as owed; returns it, less what is known by now to have been sold."""
        for place, lot in enumerate(self._lots):
            if (lot.energy.start_s, lot.energy.heater) == (energy.start_s, energy.heater):
                released_wh = min(lot.released_wh, energy.forgone_wh)
                energy = replace(energy, forgone_wh=energy.forgone_wh - released_wh)
                owed = min(lot.owed, energy.forgone_wh * MWMS_PER_WH)
                self._lots[place] = _Lot(energy, owed, released_wh)
                return energy
        if energy.forgone_wh:
            self._lots.append(_Lot(energy, energy.forgone_wh * MWMS_PER_WH))
        return energy

    def sweep(
        self,
        start_ms: int,
        end_ms: int,
        battery: BatteryMinutes,
        bought: dict[int, int],
        sold: dict[int, int],
        heaters: dict[int, int],
    ) -> list[Energy]:
        """Works the minutes of [start_ms, end_ms) through, which are settled; returns the intervals that owe less than
        was booked of them. bought, sold: by the grid's meter; heaters: what all took; energies by minute, mW·ms."""
        self._forget(start_ms)
        highest: float | None = None
        hour = local_hour(start_ms // 1000, self._zone)
        for minute_ms in range(start_ms, end_ms, MINUTE_MS):
            charge, gave = battery.charge.get(minute_ms, 0), battery.discharge.get(minute_ms, 0)
            took = heaters.get(minute_ms, 0)
            level = self._battery.level_pct(minute_ms + MINUTE_MS - 1)
            self._battery.learn(level, charge, sold.get(minute_ms, 0))
            self._measure(level, charge)
            highest = level if highest is None or (level is not None and level > highest) else highest
            if gave > took:
                self._gave[hour] = self._gave.get(hour, 0) + gave - took
            missed = bought.get(minute_ms, 0) - took
            if missed > _EMPTY and missed > gave * 10:
                self._redeem(missed, hour)
        self.swept_ms = end_ms
        self._lots = [lot for lot in self._lots if end_ms - lot.energy.start_s * 1000 <= lot.kept_ms]
        return self._release(highest, self._battery.level_pct(end_ms))

    def forgive(self) -> None:
        """What stands is final: the clock that dated it was set."""
        self._lots.clear()
        self.swept_ms = None

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        return {
            "lots": [[_written(lot.energy), lot.owed, lot.released_wh] for lot in self._lots],
            "missed": sorted(self._missed.items()),
            "gave": sorted(self._gave.items()),
            "day": self._day,
            "rise": [self._rise_pct, self._risen, self._level],
            "swept_ms": self.swept_ms,
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`."""
        self._lots = [_Lot(_read(energy), owed, released_wh) for energy, owed, released_wh in state["lots"]]
        self._missed, self._gave = dict(state["missed"]), dict(state["gave"])
        self._day = state["day"]
        self._rise_pct, self._risen, self._level = state["rise"]
        self.swept_ms = state["swept_ms"]

    def _redeem(self, missed: int, hour: int) -> None:
        """The house bought: the battery would have given that much of what it is owed, the earliest first."""
        efficiency = self._battery.books.efficiency
        left = missed * efficiency.denominator // efficiency.numerator
        for lot in self._lots:
            paid = min(left, lot.owed)
            lot.owed -= paid
            left -= paid
            self._missed[hour] = self._missed.get(hour, 0) + paid
            if not left:
                break

    def _release(self, highest: float | None, level: float | None) -> list[Energy]:
        """What the battery has no room for would have been sold, the latest first."""
        full_pct = self._battery.books.full_pct
        owed = sum(lot.owed for lot in self._lots)
        if highest is not None and highest >= full_pct:
            over = owed
        elif level is not None and (capacity_wh := self.capacity_wh) is not None:
            over = owed - round(capacity_wh * max(0.0, full_pct - level) / 100 * MWMS_PER_WH)
        else:
            return []
        revised: list[Energy] = []
        for lot in reversed(self._lots):
            wh = min(over, lot.owed) // MWMS_PER_WH
            if wh <= 0:
                continue
            over -= wh * MWMS_PER_WH
            lot.owed -= wh * MWMS_PER_WH
            lot.released_wh += wh
            lot.energy = replace(lot.energy, forgone_wh=lot.energy.forgone_wh - wh)
            revised.append(lot.energy)
        return revised[::-1]

    def _measure(self, level: float | None, charge: int) -> None:
        """Reads the capacity off what the level rises while it charges."""
        if level is not None and self._level is not None and charge >= LEAVES:
            self._rise_pct += level - self._level
            self._risen += charge
        self._level = level

    def _forget(self, at_ms: int) -> None:
        day = at_ms // _DAY_MS
        if self._day and day > self._day:
            for energy in (self._missed, self._gave):
                for hour in energy:
                    energy[hour] -= energy[hour] // _FORGET
        self._day = day


def _written(energy: Energy) -> dict[str, Any]:
    values = {name.name: getattr(energy, name.name) for name in fields(Energy)}
    return {**values, "taken": [list(part) for part in energy.taken]}


def _read(values: dict[str, Any]) -> Energy:
    return Energy(**{**values, "taken": tuple((account, wh) for account, wh in values["taken"])})
