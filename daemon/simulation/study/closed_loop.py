"""Order, heat, level, order: one variant of a home through the recorded time.

The rules are asked at each piece of the recording with what the twin's sensors show then, and what they order holds for
that piece: so nothing shorter than a minute is in a study. While every heater is withheld and the sun is below what any
of them starts at, the rules could order nothing else, unless a rule may heat on a purpose of its own (`has_purpose`):
that time passes without them, and `thorough` says to ask them all the same (the figures are the same).
"""

from array import array
from collections.abc import Callable
from dataclasses import replace
from math import inf

from accounting.model.journal import BATTERY, BOILER, SUN, grid_account
from accounting.pricing.tariffs import Piece
from accounting.reports.study_figures import MWS_PER_WH, Figures, Stretch
from daemon.simulation.study.recording import Recording
from daemon.simulation.study.studied_home import LEVEL, SURPLUS, StudiedHome
from rules.decision.purpose import has_purpose
from rules.model.memory import Planned
from rules.model.orders import Decision, Order
from rules.model.reading import Moment, Reading
from rules.model.signals import TEMPERATURES
from rules.planning.store import HALF_HOUR_S

TAP_C = 40.0
"""How warm water must come at a tap."""
TOPUP_BAND_PCT = 5.0
"""How far below its level the timer, having reached it, starts again."""
_SHORT_SHARE = 0.01
Planning = Callable[[int, float, float], Planned | None]
"""At the start of each half hour: (UTC second, the tank's level in %, heat drawn from it so far in Wh) -> what of a
plan the heater is to follow from then on."""
_HEIGHTS = dict(zip(TEMPERATURES, (5 / 6, 1 / 2, 1 / 6), strict=True))


def simulate(
    home: StudiedHome,
    recording: Recording,
    block_of: Callable[[int], int],
    *,
    thorough: bool = False,
    planning: Planning | None = None,
) -> Figures:
    """One variant's figures. block_of: the number of the block of days that a UTC second counts in; planning: makes the
    plans, for a home whose file has one followed; without it there is none."""
    loop = _Loop(home, recording, block_of, planning)
    loop.run(thorough or planning is not None)
    return loop.figures()


class _Loop:
    """The house, second by second of the recording. Powers in mW, energies in mW·s."""

    def __init__(
        self,
        home: StudiedHome,
        recording: Recording,
        block_of: Callable[[int], int],
        planning: Planning | None = None,
    ) -> None:
        self._home, self._recording, self._block_of = home, recording, block_of
        self._planning, self._planned_to_s = planning, recording.from_s
        rules = home.made.rules
        self._heaters = rules.heaters
        self._off = [0] * len(rules.heaters)
        self._withheld = True
        self._decision: Decision | None = None
        self._judged_for: Decision | None = None
        self._purposeful = False
        self._switchings = 0
        self._engine = home.engine(recording.step_s)
        self._sensors = [(name, min(int(_HEIGHTS[name] * 10), 9)) for name in rules.temperatures]
        self._battery_matters = rules.battery.maximum_discharge_w is not None
        self._gross_mw = recording.gross_mw
        self._battery_mw = recording.battery_mw
        if not home.battery:
            both = zip(recording.gross_mw, recording.battery_mw, strict=True)
            self._gross_mw = array("q", [gross + stored for gross, stored in both])
            self._battery_mw = array("q", bytes(8 * len(recording.at_s)))
        self._twin = home.twin(recording.first_level_pct)
        self._start_wh = self._twin.stored_wh()
        self._bill = home.bill()
        self._topups = home.topups(recording.from_s, recording.to_s)[::-1]
        self._topup_mw = round(home.tank.topup.rated_w * 1000) if home.tank.topup is not None else 0
        self._in_window = self._topping = self._topped = False
        self._stretch = Stretch()
        self._stretch_from_s = self._stretch_to_s = 0
        self._piece: Piece | None = None
        self._grid = grid_account(None)
        self._imported = self._exported = self._short = self._cold_s = 0
        self._heat: dict[str, int] = {}

    def run(self, thorough: bool) -> None:
        """Go through the recording."""
        count = len(self._recording.at_s)
        awake = self._awake(thorough)
        i = 0
        while i < count:
            if self._withheld and not awake[i] and not self._latching(thorough) and not self._on_purpose():
                stop = awake.find(1, i)
                i = self._pass_asleep(i, count if stop < 0 else stop)
            else:
                self._pass_awake(i)
                i += 1
        self._close(self._recording.to_s)

    def figures(self) -> Figures:
        """What came out."""
        twin, bill, recording = self._twin, self._bill, self._recording
        stock_wh = twin.stored_wh() - self._start_wh
        boiler = self._heat.get(BOILER, 0)
        flowed = self._imported + self._exported + boiler
        return Figures(
            house=recording.house_mws,
            pv=recording.pv_mws,
            battery=recording.battery_mws if self._home.battery else 0,
            imported=self._imported,
            exported=self._exported,
            heat={source: self._heat[source] for source in sorted(self._heat)},
            drawn=round(twin.drawn_wh * MWS_PER_WH) + boiler,
            stock_change=round(stock_wh * MWS_PER_WH),
            lost_seen=round(twin.lost_wh * MWS_PER_WH),
            short=self._short,
            cold_s=self._cold_s,
            switchings=self._switchings,
            micro=bill.cost(flowed),
            mg=bill.carbon(flowed),
            unpriced=dict(bill.unpriced),
        )

    def _awake(self, thorough: bool) -> bytearray:
        """For each piece, 1 where the rules have to be asked though all heaters are withheld.

        That is where the mean surplus can reach what a heater starts at, and before it the time that fills the mean's
        window."""
        recording = self._recording
        count = len(recording.at_s)
        if not self._home.diverter:
            return bytearray(count)
        rules = self._home.made.rules
        if thorough or rules.hygiene is not None or rules.away.heater:  # what these order waits for no sun
            return bytearray(b"\1") * count
        at_s, start_mw = recording.at_s, self._home.start_mw
        window_s = self._home.over_s + 2 * max(recording.length_s)
        awake = bytearray(count)
        begun = 0
        bright = [i for i, gross_mw in enumerate(self._gross_mw) if gross_mw >= start_mw]
        for i in bright:
            first = i
            while first > begun and at_s[i] - at_s[first - 1] <= window_s:
                first -= 1
            last = i
            while last + 1 < count and at_s[last + 1] - at_s[i] <= window_s:
                last += 1
            awake[first : last + 1] = b"\1" * (last + 1 - first)
            begun = i
        awake[0] = 1  # what they may do on a purpose of their own they say once they have been asked
        return awake

    def _latching(self, thorough: bool) -> bool:
        """Whether the timer may be taking the level, or has just taken it, to where the rules call the tank full: they
        have to see that."""
        topup = self._home.tank.topup
        return (
            (self._topping or self._topped)
            and topup is not None
            and self._home.diverter
            and (thorough or topup.level_pct >= self._home.made.rules.full.resume_below_pct)
        )

    def _on_purpose(self) -> bool:
        """Whether a rule may order `heat` by itself, from the grid too: it has to be asked, sun or none."""
        engine, decision = self._engine, self._decision
        if decision is not self._judged_for:
            now_s = engine.snapshot.surplus.seen_s if engine.snapshot.surplus is not None else 0.0
            now = Moment(now_s, now_s)
            self._judged_for = decision
            self._purposeful = has_purpose(engine.snapshot, engine.settings, engine.memory, now)
        return self._purposeful

    # Time

    def _turn(self, at_s: int) -> None:
        """A stretch has ended: book it, and look what holds now."""
        self._close(self._stretch_to_s)
        interval_s = self._home.bill_interval_s
        start_s = at_s - at_s % interval_s
        piece = next(p for p in self._bill.pieces(start_s, start_s + interval_s) if at_s < p.end_s)
        end_s = piece.end_s
        while self._topups and self._topups[-1][1] <= at_s:
            self._topups.pop()
        window = self._topups[-1] if self._topups else (inf, inf)
        was_in, self._in_window = self._in_window, window[0] <= at_s
        end_s = int(min(end_s, window[1] if self._in_window else window[0]))
        if not self._in_window:
            self._topped |= self._topping
            self._topping = False
        elif not was_in:
            topup = self._home.tank.topup
            self._topping = topup is not None and self._level_pct() < topup.level_pct
        self._piece, self._grid = piece, grid_account(piece.name)
        self._stretch_from_s, self._stretch_to_s = at_s, end_s

    def _close(self, to_s: int) -> None:
        flowed = self._stretch
        if self._piece is not None and (flowed.imported or flowed.exported or flowed.boiler):
            self._imported += flowed.imported
            self._exported += flowed.exported
            if flowed.boiler:
                self._heat[BOILER] = self._heat.get(BOILER, 0) + flowed.boiler
            start_s = self._stretch_from_s
            self._bill.add(self._block_of(start_s), start_s, max(to_s, start_s + 1), self._piece.price, flowed)
            self._stretch = Stretch()

    # One piece

    def _pass_asleep(self, i: int, stop: int) -> int:
        """Pass the pieces up to `stop` with every heater withheld; returns the first piece not passed."""
        at_s, length_s, gross_mw = self._recording.at_s, self._recording.length_s, self._gross_mw
        need_wh, wait = self._recording.need_wh, self._twin.wait
        stretch = self._stretch
        while i < stop:
            if at_s[i] >= self._stretch_to_s:
                self._turn(at_s[i])
                stretch = self._stretch
                if self._latching(False):
                    return i
            if need_wh[i] or self._topping:
                self._heat_and_draw(i, self._off)
                if self._latching(False):
                    return i + 1
            else:
                seconds = length_s[i]
                net = gross_mw[i] * seconds
                if net < 0:
                    stretch.imported -= net
                else:
                    stretch.exported += net
                wait(seconds)
            i += 1
        return i

    def _pass_awake(self, i: int) -> None:
        """Ask the rules, and do what they order."""
        at_s = self._recording.at_s[i]
        if at_s >= self._stretch_to_s:
            self._turn(at_s)
        if self._planning is not None and at_s >= self._planned_to_s:
            self._planned_to_s = at_s - at_s % HALF_HOUR_S + HALF_HOUR_S
            planned = self._planning(at_s, self._level_pct(), self._twin.drawn_wh)
            self._engine.memory = replace(self._engine.memory, planned=planned)
        gross_mw = self._gross_mw[i] - (self._topup_mw_now(i) if self._topping else 0)
        taken_mw = self._taken(i, gross_mw) if not self._withheld else self._off
        surplus_w = (gross_mw - sum(taken_mw)) / 1000
        readings = [Reading(SURPLUS, surplus_w, at_s, at_s)]
        readings += [
            Reading(name, power_mw / 1000, at_s, at_s)
            for name, power_mw in zip(self._home.powers, taken_mw, strict=True)
        ]
        if self._battery_matters:
            readings.append(Reading("battery_w", self._battery_mw[i] / 1000, at_s, at_s))
        if self._home.made.wiring.level:
            readings.append(Reading(LEVEL, self._level_pct(), at_s, at_s))
        if self._sensors:
            temps_c = self._twin.temps_c
            readings += [Reading(name, temps_c[layer], at_s, at_s) for name, layer in self._sensors]
        self._topped = False
        decision = self._engine.hear(readings, Moment(at_s, at_s))
        if decision is not self._decision:
            self._note(decision)
            taken_mw = self._taken(i, gross_mw) if not self._withheld else self._off
        self._heat_and_draw(i, taken_mw)

    def _note(self, decision: Decision) -> None:
        standing = self._decision
        if standing is not None:
            both = zip(standing.orders, decision.orders, strict=True)
            self._switchings += sum(was.order is not now.order for was, now in both)
        self._decision = decision
        self._withheld = all(heater_order.order is Order.WITHHOLD for heater_order in decision.orders)

    def _taken(self, i: int, left_mw: int) -> list[int]:
        """What each heater takes under the standing orders, of a surplus of left_mw."""
        assert self._decision is not None
        seconds = self._recording.length_s[i]
        taken = []
        for place, (heater, heater_order) in enumerate(zip(self._heaters, self._decision.orders, strict=True)):
            rated_mw = round(heater.rated_w * 1000)
            if heater_order.order is Order.WITHHOLD:
                wanted_mw = 0
            elif heater_order.order is Order.HEAT:
                wanted_mw = rated_mw
            elif heater_order.watts is not None:
                wanted_mw = min(heater_order.watts * 1000, rated_mw)
            else:
                wanted_mw = min(left_mw, rated_mw) if left_mw >= heater.minimum_w * 1000 else 0
            power_mw = int(self._twin.limited_w(place, wanted_mw / 1000, seconds) * 1000) if wanted_mw > 0 else 0
            left_mw -= power_mw
            taken.append(power_mw)
        return taken

    def _level_pct(self) -> float:
        return self._home.gauge.level_pct(self._twin.temps_c)

    def _topup_mw_now(self, i: int) -> int:
        """What the timer's element takes, mW."""
        seconds = self._recording.length_s[i]
        return int(self._twin.limited_w(len(self._heaters), self._topup_mw / 1000, seconds) * 1000)

    def _heat_and_draw(self, i: int, taken_mw: list[int]) -> None:
        """A piece in which something happens to the tank."""
        recording, stretch, twin = self._recording, self._stretch, self._twin
        seconds = recording.length_s[i]
        topup_mw = self._topup_mw_now(i) if self._topping else 0
        power_mw = sum(taken_mw) + topup_mw
        net_mw = power_mw - self._gross_mw[i]
        if net_mw > 0:
            stretch.imported += net_mw * seconds
        else:
            stretch.exported -= net_mw * seconds
        need_wh = recording.need_wh[i]
        if power_mw:
            # As the books attribute it: first what is bought, then what the battery gives, the rest is the sun's.
            grid_mw = min(power_mw, net_mw) if net_mw > 0 else 0
            battery_mw = min(power_mw - grid_mw, max(0, -self._battery_mw[i]))
            heat = self._heat
            for source, mw in ((self._grid, grid_mw), (BATTERY, battery_mw), (SUN, power_mw - grid_mw - battery_mw)):
                if mw:
                    heat[source] = heat.get(source, 0) + mw * seconds
            served = twin.advance(seconds, [mw / 1000 for mw in (*taken_mw, topup_mw)], need_wh, TAP_C)
        elif need_wh:
            served = twin.advance(seconds, (), need_wh, TAP_C)
        else:
            twin.wait(seconds)
            served = None
        if served is not None and served.short_wh > 0:
            short = round(served.short_wh * MWS_PER_WH)
            if self._home.burner is not None:
                stretch.boiler += short
            else:
                self._short += short
                if served.short_wh > _SHORT_SHARE * need_wh:
                    self._cold_s += seconds
        if self._topping or (need_wh and self._in_window):
            self._watch_timer()

    def _watch_timer(self) -> None:
        """Within its hours, the timer stops at its level and starts again where hot water has been drawn."""
        topup = self._home.tank.topup
        assert topup is not None
        level_pct = self._level_pct()
        if self._topping:
            self._topping = level_pct < topup.level_pct
            self._topped = True
        else:
            self._topping = level_pct < topup.level_pct - TOPUP_BAND_PCT
