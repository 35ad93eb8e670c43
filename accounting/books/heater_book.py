"""One heater's book: its meter, which of the meter's kept intervals are booked, and when the next can be settled."""

from typing import Any

from accounting.metering.counter_meter import FAR_MS, CounterMeter, Share
from accounting.metering.power_meter import PowerMeter
from accounting.valuation.formula import half_even
from accounting.valuation.settings import BooksSettings, HeaterBooks

NEVER_S = float("inf")
Figures = tuple[int, int, int]
"""What an entry says of an interval: Wh, estimated Wh, measured seconds."""


class HeaterBook:
    """Knows a heater's intervals, not their worth."""

    def __init__(self, heater: HeaterBooks, settings: BooksSettings) -> None:
        self.heater = heater
        self.due_s = NEVER_S
        """The UTC second at which an interval can next be settled, as `look` found it; -inf: at once."""
        self.booked: dict[int, Figures] = {}
        """The kept intervals that are settled, by their start in ms."""
        self._settings = settings
        self._interval_ms = settings.interval_s * 1000
        self._late_ms = round(settings.late_s * 1000)
        self.meter = _meter("counter" if heater.counter is not None else "power", heater, settings)

    def look(self) -> None:
        """Works out when an interval can next be settled."""
        meter = self.meter
        meter.touched = False
        covered_ms = meter.covered_ms(FAR_MS)
        self.due_s = NEVER_S
        for start_ms in meter.starts():
            end_ms = start_ms + self._interval_ms
            if end_ms <= covered_ms and start_ms not in self.booked:
                self.due_s = (end_ms + self._late_ms) / 1000
                break
        for share in meter.shares(max(self.booked, default=0) + self._interval_ms):
            booked = self.booked.get(share.start_ms)
            if booked is not None and booked != figures(share) and share.start_ms + self._interval_ms <= covered_ms:
                self.due_s = float("-inf")

    def settle(self, now_ms: int, most: int) -> list[tuple[Share, str]]:
        """The intervals that are complete and not booked as they are now, each with the reason of its entry.

        most: entries to give. What is settled for good is dropped.
        """
        meter = self.meter
        found: list[tuple[Share, str]] = []
        settled_ms = 0
        limit_ms = self._limit_ms(now_ms)
        for share in meter.shares(now_ms):
            end_ms = share.start_ms + self._interval_ms
            if end_ms > limit_ms or len(found) >= most:
                break
            settled_ms = end_ms
            booked = self.booked.get(share.start_ms)
            now = figures(share)
            if booked == now:
                continue
            self.booked[share.start_ms] = now
            if booked is not None or _has_figures(share):
                found.append((share, "settled" if booked is None else "late reading"))
        if isinstance(meter, PowerMeter):
            meter.settled_ms = max(meter.settled_ms, settled_ms)
        floor_ms = min(meter.floor_ms, settled_ms)
        meter.drop(floor_ms)
        for start_ms in [start_ms for start_ms in self.booked if start_ms + self._interval_ms <= floor_ms]:
            del self.booked[start_ms]
        self.look()
        return found

    def first_unsettled_ms(self, now_ms: int) -> int | None:
        """The start of the first interval that is complete and not booked; None for none."""
        start_ms = next((ms for ms in self.meter.starts() if ms not in self.booked), None)
        if start_ms is None or start_ms + self._interval_ms > self._limit_ms(now_ms):
            return None
        return start_ms

    def open_shares(self, now_ms: int) -> list[Share]:
        """The intervals that are not booked, as far as they are known now."""
        return [one for one in self.meter.shares(now_ms) if one.start_ms not in self.booked and _has_figures(one)]

    def state(self) -> dict[str, Any]:
        """All that is needed to go on from here, as plain JSON data."""
        booked = [[start_ms, *one] for start_ms, one in sorted(self.booked.items())]
        return {"meter": self.meter.state(), "booked": booked}

    def restore(self, kept: dict[str, Any]) -> None:
        """Goes on from what `state` gave, also where the heater was metered another way then."""
        booked = {start: (wh, estimated, seconds) for start, wh, estimated, seconds in kept["booked"]}
        if kept["meter"]["kind"] == self.meter.kind:
            self.meter.restore(kept["meter"])
            self.booked = booked
            return
        # What is not settled yet is carried over; the rest is in the ledger.
        former = _meter(kept["meter"]["kind"], self.heater, self._settings)
        former.restore(kept["meter"])
        for share in former.shares(FAR_MS):
            if share.start_ms not in booked:
                self.meter.bring(share)

    def _limit_ms(self, now_ms: int) -> int:
        """Up to where intervals are complete and late readings have had their time."""
        return min(self.meter.covered_ms(now_ms), now_ms - self._late_ms)


def _has_figures(share: Share) -> bool:
    """Whether an interval has measured time or energy."""
    return bool(share.measured_ms or share.wh or share.estimated_wh)


def figures(share: Share) -> Figures:
    """Its figures in an entry."""
    return share.wh, share.estimated_wh, half_even(share.measured_ms, 1000)


def _meter(kind: str, heater: HeaterBooks, settings: BooksSettings) -> CounterMeter | PowerMeter:
    if kind == "counter":
        return CounterMeter(
            heater.name,
            rated_w=heater.rated_w,
            interval_s=settings.interval_s,
            gap_s=heater.gap_s,
            late_s=settings.late_s,
            resolution_wh=heater.resolution_wh,
        )
    return PowerMeter(
        heater.name,
        rated_w=heater.rated_w,
        interval_s=settings.interval_s,
        stale_after_s=heater.stale_after_s,
        late_s=settings.late_s,
    )
