"""The tank's books: what came into it, what was drawn and lost, interval by interval. No clock, no database.

Heat is counted above the cold water's temperature. The stock at an interval's ends is read off the level (a share of a
full tank's heat) or, if at least two temperatures are reported, off their profile; between two readings it goes in a
straight line. Standing loss is the tank's UA times its temperature above the surroundings, by the mean of the stocks at
both ends. The draw is the water meter's litres at the top's temperature before each of its steps; without a meter it
is inferred: received − change of stock − lost. What is then left over in either way sits on `unexplained`, unless it is
within the tolerance: levels come in steps, so the books keep to what they expect as long as the level does not
contradict them by more than TOLERANCE_PCT of a full tank. A level below the expected one is a draw at once, if there is
no water meter and the level is steady. If the level wavers by more than steps of whole percents do, the books keep
within three times its spread of it, above and below, and no nearer: otherwise each waver down would count as drawn and
each waver up as heat from nowhere. That much of a draw is booked later, when more is drawn.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from accounting.heat.drawn_temperature import DrawnTemperature
from accounting.heat.tank_level import TankLevel
from accounting.metering.counter_meter import NOTHING_YET_MS, CounterMeter
from accounting.metering.noting import one_by_one
from accounting.metering.standing import COARSEST_WH
from accounting.model.entry import Entry, Posting, Quarantined, TankEntry
from accounting.model.journal import DRAWN, LOST, TANK, UNEXPLAINED, in_tank
from accounting.valuation.settings import CounterSignal, TankBooks
from accounting.valuation.valuer import Valuer
from rules.model.signals import TEMPERATURES
from rules.tank.cylinder import WH_PER_L_K

TOLERANCE_PCT = 2
"""Of a full tank's heat."""
_STEADY_PCT = 0.4
"""Standard deviation up to which a level is steady: whole percents alone make 0.3 (a step over the root of 12)."""
_SPREADS, _MOST_WAVER_PCT = 3.0, 6.0
WAIT_MS = 7 * 86_400 * 1000
"""How long an interval waits for a counter that has fallen silent."""
_MOST_TOPUP_W, _MOST_BOILER_W, _MOST_ML_PER_H = 10_000.0, 100_000.0, 100.0 * 60 * 1000
"""More than any top-up heater takes, boiler gives, or house draws (100 L/min)."""
_ML = 1000
_COARSEST_L = 10
_TOP = TEMPERATURES[0]


def tolerance_wh(tank: TankBooks) -> int:
    """How far the books' stock may be from the stock by the level, Wh."""
    return round(tank.full_wh * TOLERANCE_PCT / 100)


def loss_w(tank: TankBooks, stock_wh: float) -> float:
    """Standing loss with that much heat in the tank, W; negative where its surroundings are warmer."""
    return tank.ua_w_per_k * (tank.cold_c + stock_wh / (WH_PER_L_K * tank.volume_l) - tank.ambient_c)


class _Interval(NamedTuple):
    """The parts of an interval's entry, without the heaters' part, Wh; metered_wh: None without a water meter."""

    start_ms: int
    opening_wh: int
    closing_wh: int
    lost_wh: int
    metered_wh: int | None
    measured_s: int
    own: tuple[Posting, ...]


class TankBook:
    """Makes the tank's entries of readings and of the heaters' entries, one interval after the other, without gaps.

    notes: which signal's readings go where.
    """

    def __init__(self, tank: TankBooks, valuer: Valuer, interval_s: int, late_s: float) -> None:
        self._tank = tank
        self._valuer = valuer
        self._interval_s = interval_s
        self._interval_ms = interval_s * 1000
        self._level = TankLevel(tank, interval_s)
        self._drawn = DrawnTemperature(interval_s)
        boiler = tank.boiler.counter if tank.boiler is not None else None
        self._counters = {
            name: _counter(name, counter, most, times, interval_s, late_s)
            for name, counter, most, times in (
                ("topup", tank.topup, _MOST_TOPUP_W, 1),
                ("boiler", boiler, _MOST_BOILER_W, 1),
                ("water", tank.water, _MOST_ML_PER_H, _ML),
            )
            if counter is not None
        }
        self._next_ms: int | None = None
        self._stock_wh: int | None = None
        self._lost_carry = 0.0
        self._heaters: dict[int, dict[str, tuple[Posting, ...]]] = {}
        self._kept: dict[int, _Interval] = {}
        self._ready: list[TankEntry] = []
        self.notes = self._level.notes()
        for name, counter in (("topup", tank.topup), ("boiler", boiler)):
            if counter is not None:
                self.notes.append((counter.signal, self._counters[name].note_all))
        if tank.water is not None:
            self.notes.append((tank.water.signal, one_by_one(self._note_litres)))
            if _TOP in tank.temperatures:
                self.notes.append((_TOP, one_by_one(self._drawn.note_top)))

    def adopt(self, tank: TankBooks, valuer: Valuer) -> None:
        """Goes on with other figures of the same tank, reported by the same signals."""
        self._tank, self._valuer = tank, valuer
        self._level.adopt(tank)

    def take(self, entries: Iterable[Entry]) -> None:
        """The heaters' entries as they are settled or revised; one that is revised revises the tank's entry too."""
        for entry in entries:
            start_ms = entry.start_s * 1000
            of_heaters = self._heaters.setdefault(start_ms, {})
            of_heaters[entry.heater] = tuple(in_tank(line) for line in entry.postings if line.account != TANK)
            if start_ms in self._kept:
                self._ready.append(self._entry(self._kept[start_ms], "late reading"))

    def settle(self, settled_ms: int, now_ms: int, most: int) -> bool:
        """Books what is complete, `most` intervals at a time; returns whether there is more.

        settled_ms: up to where the heaters' intervals are settled, UTC.
        """
        if self._next_ms is None:
            if self._level.first_ms is None:
                return False
            self._next_ms = -(-self._level.first_ms // self._interval_ms) * self._interval_ms
        while self._next_ms + self._interval_ms <= settled_ms:
            if not most:
                return True
            most -= 1
            start_ms, end_ms = self._next_ms, self._next_ms + self._interval_ms
            opening, closing = self._level.stock_at(start_ms), self._level.stock_at(end_ms)
            if opening is None or closing is None or (now_ms - end_ms < WAIT_MS and self._awaited(end_ms)):
                break
            interval = self._close(start_ms, opening.wh, closing.wh, opening.near and closing.near)
            self._ready.append(self._entry(interval, "settled"))
            self._kept[start_ms] = interval
            self._stock_wh = interval.closing_wh
            self._next_ms = end_ms
            self._level.drop(end_ms)
            self._drawn.drop(end_ms)
            for counter in self._counters.values():
                counter.drop(end_ms)
        return False

    def forget(self, before_ms: int) -> None:
        """Intervals that ended by then, and are booked, cannot be revised any more."""
        booked_ms = min(before_ms, self._next_ms if self._next_ms is not None else before_ms)
        for by_start in (self._kept, self._heaters):
            for start_ms in [start_ms for start_ms in by_start if start_ms + self._interval_ms <= booked_ms]:
                del by_start[start_ms]

    def set_back(self, by_s: float) -> None:
        """The clock that dates the readings was set back: what the counters show of the time that comes twice is
        booked in the first interval after it."""
        self._level.set_back(by_s)
        self._drawn.set_back(by_s)
        for counter in self._counters.values():
            counter.set_back(round(by_s * 1000))

    def drain(self) -> list[TankEntry]:
        """Entries settled or revised since the last call."""
        ready, self._ready = self._ready, []
        return ready

    def quarantined(self) -> Iterator[Quarantined]:
        """Impossible steps of the counters since the last call; those of the water meter carry no energy."""
        for name, counter in self._counters.items():
            for item in counter.drain():
                if name == "water":
                    why = f"{item.wh / _ML:g} L in {item.to_s - item.from_s:.0f} s is more than taps can draw"
                    item = Quarantined(name, item.from_s, item.to_s, 0, why)
                yield item

    def marks(self) -> tuple[tuple[object, ...], ...]:
        """Of each counter, what changes when its energy does; see `Books.marks`."""
        return tuple([counter.mark for counter in self._counters.values()])

    def state(self) -> dict[str, Any]:
        """All of it as plain JSON data, for `restore`."""
        return {
            "level": self._level.state(),
            "drawn": self._drawn.state(),
            "counters": {name: counter.state() for name, counter in self._counters.items()},
            "next_ms": self._next_ms,
            "stock_wh": self._stock_wh,
            "lost_carry": self._lost_carry,
            "heaters": [
                [start_ms, name, _listed(lines)]
                for start_ms, of_heaters in sorted(self._heaters.items())
                for name, lines in sorted(of_heaters.items())
            ],
            "kept": [[*interval[:-1], _listed(interval.own)] for _, interval in sorted(self._kept.items())],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Goes on from a `state()`; a counter that is new begins anew."""
        self._level.restore(state["level"])
        self._drawn.restore(state.get("drawn", {}))
        for name, counter in self._counters.items():
            if name in state["counters"]:
                counter.restore(state["counters"][name])
        self._next_ms, self._stock_wh = state["next_ms"], state["stock_wh"]
        self._lost_carry = state["lost_carry"]
        for start_ms, name, lines in state["heaters"]:
            self._heaters.setdefault(start_ms, {})[name] = _lines(lines)
        kept = [_Interval._make([*figures, _lines(own)]) for *figures, own in state["kept"]]
        self._kept = {interval.start_ms: interval for interval in kept}

    def _note_litres(self, at_s: float, litres: float) -> None:
        self._counters["water"].note(at_s, litres * _ML)
        self._drawn.note_litres(at_s, litres)

    def _awaited(self, end_ms: int) -> bool:
        """Whether a counter that has ever reported has not come so far."""
        covered = [counter.covered_ms(end_ms) for counter in self._counters.values()]
        return any(NOTHING_YET_MS < ms < end_ms for ms in covered)

    def _counted(self, name: str, start_ms: int) -> int:
        counter = self._counters.get(name)
        if counter is None:
            return 0
        # Cells of booked intervals are dropped; one that is there again got its energy too late to be booked in it.
        return sum(share.wh for share in counter.shares(start_ms) if share.start_ms <= start_ms)

    def _close(self, start_ms: int, opening_wh: int, level_wh: int, near: bool) -> _Interval:
        """Works an interval out. opening_wh, level_wh: the stocks at its ends by the level."""
        start_s = start_ms // 1000
        lost = loss_w(self._tank, (opening_wh + level_wh) / 2) * self._interval_s / 3600 + self._lost_carry
        lost_wh = round(lost)
        self._lost_carry = lost - lost_wh
        own = self._valuer.topup(start_s, self._counted("topup", start_ms))
        own += self._valuer.boiler(start_s, self._counted("boiler", start_ms))
        metered_wh = None
        if "water" in self._counters and self._counters["water"].mark:
            heat_wh = WH_PER_L_K * (self._drawn.mean_c(start_ms, self._tank.hot_c) - self._tank.cold_c)
            metered_wh = max(0, round(self._counted("water", start_ms) / _ML * heat_wh))
        if self._stock_wh is not None:
            opening_wh = self._stock_wh
        received_wh = self._received_wh(start_ms, own)
        expected_wh = opening_wh + received_wh - lost_wh - (metered_wh or 0)
        above_wh = level_wh - expected_wh
        wavers_wh = self._wavers_wh()
        if wavers_wh:
            # No further from what is expected than the level's waver leaves open.
            closing_wh = round(min(max(expected_wh, level_wh - wavers_wh), level_wh + wavers_wh))
        else:
            drawn = metered_wh is None and above_wh < 0
            closing_wh = expected_wh if abs(above_wh) <= tolerance_wh(self._tank) and not drawn else level_wh
        measured_s = self._interval_s if near else 0
        return _Interval(start_ms, opening_wh, closing_wh, lost_wh, metered_wh, measured_s, own)

    def _wavers_wh(self) -> float:
        """How far the level may be from what is expected by its own noise, Wh; 0 for a steady one."""
        spread_pct = self._level.spread_pct
        if spread_pct < _STEADY_PCT:
            return 0.0
        waver_pct = max(TOLERANCE_PCT, min(_SPREADS * spread_pct, _MOST_WAVER_PCT))
        return waver_pct / 100 * self._tank.full_wh

    def _received_wh(self, start_ms: int, own: Sequence[Posting]) -> int:
        heaters = self._heaters.get(start_ms, {}).values()
        return -sum(line.wh for lines in (*heaters, own) for line in lines)

    def _entry(self, interval: _Interval, reason: str) -> TankEntry:
        """The entry of an interval with what its heaters' entries say by now; its stocks stay."""
        start_ms, opening_wh, closing_wh, lost_wh, metered_wh, measured_s, own = interval
        sources: dict[str, Posting] = {}
        wh = micro = mg = 0
        for lines in (*(lines for _, lines in sorted(self._heaters.get(start_ms, {}).items())), own):
            for line in lines:
                wh, micro, mg = wh + line.wh, micro + line.micro, mg + line.mg
                had = sources.get(line.account)
                if had is not None:
                    line = Posting(line.account, had.wh + line.wh, had.micro + line.micro, had.mg + line.mg)
                sources[line.account] = line
        left_wh = opening_wh - wh - lost_wh - closing_wh - (metered_wh or 0)
        drawn_wh = metered_wh if metered_wh is not None else max(left_wh, 0)
        unexplained_wh = left_wh if metered_wh is not None else min(left_wh, 0)
        into = Posting(TANK, closing_wh - opening_wh, -micro, -mg)
        out = (Posting(DRAWN, drawn_wh), Posting(LOST, lost_wh), Posting(UNEXPLAINED, unexplained_wh))
        postings = (*sources.values(), into, *(line for line in out if line.wh))
        return TankEntry(
            start_ms // 1000, self._interval_s, measured_s, closing_wh, metered_wh is not None, reason, postings
        )


def _counter(
    name: str, counter: CounterSignal, most_per_h: float, times: int, interval_s: int, late_s: float
) -> CounterMeter:
    return CounterMeter(
        name,
        rated_w=most_per_h,
        interval_s=interval_s,
        gap_s=counter.gap_s,
        late_s=late_s,
        resolution_wh=counter.resolution * times,
        coarsest_wh=_COARSEST_L * _ML if times == _ML else COARSEST_WH,
    )


def _listed(lines: Iterable[Posting]) -> list[list[Any]]:
    return [[line.account, line.wh, line.micro, line.mg] for line in lines]


def _lines(listed: Iterable[list[Any]]) -> tuple[Posting, ...]:
    return tuple(Posting(*line) for line in listed)
