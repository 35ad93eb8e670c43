"""What the house battery did, minute by minute, and what it could still have taken.

Without the heater, the sun that it took would first have charged the battery, up to the battery's charging power. It
would not if the battery was full, or if it let power leave the house although it was not full. If the charging power is
not stated, it is the most that the battery was ever seen to take, once power has left the house beside it; before that
it has no bound.
"""

from bisect import bisect_right
from collections.abc import Sequence
from typing import Any

from accounting.metering.noting import NoteAll, one_by_one
from accounting.metering.power_meter import PowerMeter
from accounting.valuation.settings import BatteryBooks

MINUTE_MS = 60_000
LEAST_HELD_MS = 6 * 3600 * 1000
"""How long a level holds at least, ms: some are sent only on change, and a level changes only by the battery's power,
which must be heard in the minute itself."""
_ANY_W = 1e9


def energy_of_w(watts: float) -> int:
    """A power over a minute, mW·ms."""
    return round(watts * 1000) * MINUTE_MS


LEAVES, _IDLE_LEAVES = energy_of_w(100), energy_of_w(300)
"""Power that leaves the house, mW·ms in a minute: a charging battery then takes no more, an idle one takes nothing."""
_ANY = energy_of_w(_ANY_W)
_NEAR_FULL_PCT = 90.0
"""From this level on a battery charges slower, so that its power there is not its usual one, %."""


class HouseBattery:
    """Charge, discharge and level of the battery by minute; energies in mW·ms.

    notes: which signal's readings go where.
    """

    def __init__(self, books: BatteryBooks, late_s: float) -> None:
        self.books = books
        self.charge, self.discharge = (
            PowerMeter("", rated_w=_ANY_W, interval_s=60, stale_after_s=books.power.stale_after_s, late_s=late_s)
            for _ in range(2)
        )
        self._levels: list[tuple[int, float]] = []
        self._most = 0
        self._limited = False
        self.notes: list[tuple[str, NoteAll]] = [(books.power.signal, self._note_discharge)]
        self._held_ms = LEAST_HELD_MS
        if books.level is not None:
            self._held_ms = max(self._held_ms, round(books.level.stale_after_s * 1000))
            self.notes += [
                (books.power.signal, self.charge.note_all),
                (books.level.signal, one_by_one(self._note_level)),
            ]

    @property
    def limit(self) -> int | None:
        """The most that it charges with in a minute, as stated or seen; None: not known."""
        stated = self.books.maximum_charge_w
        if stated is not None:
            return energy_of_w(stated)
        return self._most if self._limited else None

    def level_pct(self, at_ms: int) -> float | None:
        """Its level at an instant; None: not heard."""
        place = bisect_right(self._levels, (at_ms, float("inf"))) - 1
        if place < 0 or at_ms - self._levels[place][0] > self._held_ms:
            return None
        return self._levels[place][1]

    def minutes(self, now_ms: int) -> "BatteryMinutes":
        """What is known of the kept minutes by now."""
        heard = {share.start_ms for share in self.charge.shares(now_ms) if share.measured_ms * 2 >= MINUTE_MS}
        return BatteryMinutes(self, self.charge.energy_mwms(now_ms), self.discharge.energy_mwms(now_ms), heard)

    def learn(self, level: float | None, charge: int, export: int) -> None:
        """Takes a settled minute as evidence of the most that it charges with."""
        self._most = max(self._most, charge)
        if charge >= LEAVES and export >= LEAVES and level is not None and level < _NEAR_FULL_PCT:
            self._limited = True

    def set_back(self, by_ms: int) -> None:
        """The clock that dates the readings was set back."""
        self.charge.set_back(by_ms)
        self.discharge.set_back(by_ms)
        self._levels = [(at_ms - by_ms, level) for at_ms, level in self._levels]

    def drop(self, before_ms: int) -> None:
        """Forgets the minutes before this."""
        self.charge.drop(before_ms)
        self.discharge.drop(before_ms)
        first = bisect_right(self._levels, (before_ms, float("inf"))) - 1
        del self._levels[: max(first, 0)]

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        return {
            "charge": self.charge.state(),
            "discharge": self.discharge.state(),
            "levels": [list(pair) for pair in self._levels],
            "most": [self._most, self._limited],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`."""
        self.charge.restore(state["charge"])
        self.discharge.restore(state["discharge"])
        self._levels = [(at_ms, level) for at_ms, level in state["levels"]]
        self._most, self._limited = state["most"]

    def _note_discharge(self, at_s: Sequence[float], charging_w: Sequence[float]) -> None:
        self.discharge.note_all(at_s, [-power_w for power_w in charging_w])

    def _note_level(self, at_s: float, value: float) -> None:
        at_ms = round(at_s * 1000)
        levels = self._levels
        if levels and levels[-1][0] // MINUTE_MS == at_ms // MINUTE_MS and levels[-1][0] <= at_ms:
            levels[-1] = at_ms, value  # the last of a minute is kept
        elif not levels or levels[-1][0] <= at_ms:
            levels.append((at_ms, value))
        else:
            levels.insert(bisect_right(levels, (at_ms, float("inf"))), (at_ms, value))


class BatteryMinutes:
    """What is known, at one time, of the battery's minutes."""

    def __init__(
        self, battery: HouseBattery, charge: dict[int, int], discharge: dict[int, int], heard: set[int]
    ) -> None:
        self._battery = battery
        self.charge = charge
        self.discharge = discharge
        self._heard = heard

    def room(self, minute_ms: int, export: int) -> int | None:
        """What it could have taken more in a minute; None where it was not heard. export: what left the house."""
        level = self._battery.level_pct(minute_ms + MINUTE_MS - 1)
        if level is None or minute_ms not in self._heard:
            return None
        charge = self.charge.get(minute_ms, 0)
        if level >= self._battery.books.full_pct:
            return 0
        leaves = export >= (LEAVES if charge >= LEAVES else _IDLE_LEAVES)
        if leaves and self._battery.books.maximum_charge_w is None:
            return 0
        limit = self._battery.limit
        return _ANY if limit is None else max(0, limit - charge)
