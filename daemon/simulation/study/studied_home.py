"""A home made ready for a study: its twin, its rules over the twin's own sensors, its timer, its prices."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import ceil
from zoneinfo import ZoneInfo

from accounting.books.booking import Books
from accounting.model.periods import local_day, midnight_s
from accounting.reports.study_figures import Bill, Burner
from daemon.assembly.burners import burner_of
from daemon.assembly.prepared_home import PreparedHome, prepare
from daemon.config.devices import Tank, TopUp
from daemon.config.model import Home
from daemon.control.engine import Engine
from daemon.control.signal_state import Board, Wiring
from daemon.simulation.house.spec import TankSpec
from rules.guards.surplus import start_w
from rules.model.errors import BrimfulError
from rules.model.memory import Memory
from rules.model.wording import say
from rules.tank.gauge import Gauge
from rules.tank.twin import Source, Twin, element_at, layer_at

OP = "study a home"
LAYERS = 10
HYSTERESIS_K = 3.0
SURPLUS, LEVEL = "surplus_w", "tank_level_pct"


@dataclass(frozen=True, slots=True)
class StudiedHome:
    """What the closed loop runs.

    diverter: False where the heaters are never ordered anything; battery: False where its recorded power is left out;
    powers: the signal that shows each heater's power; start_mw: the least surplus any heater starts at; over_s: the
    window of the mean surplus; notes: what of the home a study cannot follow.
    """

    made: PreparedHome
    tank: Tank
    gauge: Gauge
    zone: ZoneInfo
    bill_interval_s: int
    diverter: bool
    battery: bool
    powers: tuple[str, ...]
    start_mw: int
    over_s: float
    burner: Burner | None
    notes: tuple[str, ...]

    def engine(self, step_s: int) -> Engine:
        """The rules over the twin's sensors. step_s: how often they are read: nothing of a recording is stale."""
        rules = self.made.rules
        fresh_s = 3.0 * max(step_s, 60)
        signals = (SURPLUS, LEVEL, "battery_w", *self.powers, *rules.temperatures)
        stale_after_s = {name: max(rules.stale_after_s.get(name, 0.0), fresh_s) for name in signals}
        settings = replace(
            rules,
            stale_after_s=stale_after_s,
            battery=replace(rules.battery, minimum_level_pct=None),
            yields=None,
        )
        nothing = (None,) * len(self.powers)
        wiring = Wiring(
            (SURPLUS, 1.0), self.made.wiring.level, self.powers, nothing, None, None, self.tank.cold_c, self.tank.hot_c
        )
        engine = Engine(settings, Board(settings, wiring), Books(self.made.books), Memory())
        engine.dated = False  # the study keeps its own books, of the whole house
        return engine

    def twin(self, level_pct: float | None) -> Twin:
        """The tank at the start: hot water over cold, as much as the level shows; half full where nothing does.
        A level above 100 % is a full tank and one below 0 % a cold one: a twin holds no other."""
        tank = self.tank
        spec = TankSpec(tank.volume_l, LAYERS, tank.ua_w_per_k, tank.cold_c, tank.hot_c, tank.ambient_c)
        hot = LAYERS * (level_pct if level_pct is not None else 50.0) / 100.0
        shares = [min(max(hot - above, 0.0), 1.0) for above in range(LAYERS)]
        temps_c = [tank.cold_c + share * (tank.hot_c - tank.cold_c) for share in reversed(shares)]
        layers = [layer_at(spec.cylinder, element_at(h.name)) for h in self.made.rules.heaters]
        sources = [Source(layer, layer, tank.hot_c, HYSTERESIS_K) for layer in (*layers, 0)]
        return spec.twin(temps_c, sources)

    def bill(self) -> Bill:
        """An empty bill at the home's prices."""
        books = self.made.books
        return Bill(books.imports, books.export, books.grid, self.burner)

    def topups(self, from_s: int, to_s: int) -> list[tuple[int, int]]:
        """When the tank's own timer is on, within [from_s, to_s), UTC seconds."""
        night_timer = self.tank.topup
        if night_timer is None:
            return []
        found = []
        day = local_day(from_s, self.zone) - timedelta(days=1)
        while midnight_s(day, self.zone) < to_s:
            start_s, end_s = _edges(night_timer, day.isoformat(), self.zone)
            if end_s > from_s and start_s < to_s:
                found.append((start_s, end_s))
            day += timedelta(days=1)
        return found


def studied(home: Home, *, diverter: bool = True, battery: bool = True) -> StudiedHome:
    """Make a home ready. Raises BrimfulError where it describes no tank, or names a file that cannot be read."""
    if home.tank is None:
        hint = "its volume at least; brimful schema shows the keys"
        raise BrimfulError(OP, "tank", f"expected a table [tank] in {home.file.name}, got none", hint)
    made = prepare(home.controlled())  # what the rules would do, whether or not they are obeyed now
    tank = home.tank
    shown = Gauge(tank.level_shows, tank.cold_c, tank.hot_c, steps=tank.level_steps)
    return StudiedHome(
        made=made,
        tank=tank,
        gauge=shown,
        zone=ZoneInfo(home.home.timezone),
        bill_interval_s=made.books.interval_s,
        diverter=diverter,
        battery=battery,
        powers=tuple(f"diverted_w_{heater.name}" for heater in made.rules.heaters),
        start_mw=ceil(1000 * min(start_w(made.rules, heater) for heater in made.rules.heaters)),
        over_s=made.rules.surplus.over_s,
        burner=burner_of(home, made),
        notes=tuple(_notes(home, made)),
    )


def _edges(night_timer: TopUp, day: str, zone: ZoneInfo) -> tuple[int, int]:
    start = datetime.fromisoformat(f"{day}T{night_timer.from_}").replace(tzinfo=zone)
    end = datetime.fromisoformat(f"{day}T{night_timer.to}").replace(tzinfo=zone)
    if night_timer.to <= night_timer.from_:
        end += timedelta(days=1)
    return int(start.timestamp()), int(end.timestamp())


def _notes(home: Home, made: PreparedHome) -> list[str]:
    notes = []
    if home.tank is not None and home.tank.topup is None and burner_of(home, made) is None:
        notes.append(say("tank.topup: no timer and no boiler in the home file: what the sun does not heat stays cold"))
    if made.rules.yields is not None:
        notes.append(
            say(
                "rules.yield: {signal} is not among a study's readings; not asked",
                signal=made.rules.yields.signal,
            )
        )
    if made.rules.battery.minimum_level_pct is not None:
        notes.append(
            say("rules.battery.minimum_level_pct: the battery's charge is not among a study's readings; not asked")
        )
    if made.books.past_timezone is not None:
        notes.append(say("books.displaces_from: a study goes by the stated shares"))
    if made.books.heard:
        names = ", ".join(series.signal for series in made.books.heard)
        notes.append(
            say(
                "{names}: a price heard as a signal is not among a study's readings; unpriced",
                names=names,
            )
        )
    return notes
