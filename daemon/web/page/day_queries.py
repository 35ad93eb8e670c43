"""What is read from the ledger for one day's picture, and the decision that stood at one instant of it."""

from datetime import date, timedelta
from zoneinfo import ZoneInfo

from accounting.ledger import Ledger
from accounting.ledger.records import DecisionRow
from accounting.ledger.tape import Row, unpack
from accounting.model.periods import midnight_s
from daemon.assembly.prepared_home import wiring
from daemon.config.build import heater_signal, rule_settings
from daemon.config.model import Home
from daemon.web.page.ledger_queries import books
from daemon.web.page.views.day import DayRecord
from daemon.web.page.views.stops import WITHIN_S, Stop, full_stops, verified
from rules.model.reading import Reading
from rules.model.signals import TEMPERATURES
from rules.tank.charge import level_reading


def day_record(home: Home, day: date, now_s: float) -> DayRecord:
    """What is on record of a local day. now_s: UTC second up to which time has come."""
    zone = ZoneInfo(home.home.timezone)
    from_s, to_s = midnight_s(day, zone), midnight_s(day + timedelta(days=1), zone)
    until_s = float(min(max(now_s, from_s), to_s))
    settings = rule_settings(home)
    wired = wiring(home, settings)
    with books(home) as ledger, ledger.still():
        rows = unpack(ledger.tape(from_s, to_s), from_s, to_s)
        standing, changes = ledger.decision_at(from_s), ledger.decisions(from_s, to_s)
        stops = _stops(home, ledger, [*standing, *changes])
    by_heater = {
        heater.name: [row for row in (*standing, *changes) if row.heater == heater.name] for heater in settings.heaters
    }
    powers = [name for name in (*wired.powers, wired.house_power) if name]
    signal, sign = wired.surplus
    return DayRecord(
        from_s=from_s,
        to_s=to_s,
        until_s=until_s,
        seen_s=[float(end_s) for end_s, _ in rows],
        levels=_levels(rows, wired.level, wired.cold_c, wired.hot_c),
        surplus=[
            (float(end_s), values[signal] * sign + sum(max(0.0, values.get(name, 0.0)) for name in powers))
            for end_s, values in rows
            if signal in values
        ],
        decisions=by_heater,
        stops=stops,
        stop_pct=settings.full.stop_at_pct,
        resume_pct=settings.full.resume_below_pct,
    )


def decided_at(home: Home, at_s: float) -> list[DecisionRow]:
    """What stood at a UTC second, one note for each heater."""
    with books(home) as ledger:
        return ledger.decision_at(at_s)


def _stops(home: Home, ledger: Ledger, decisions: list[DecisionRow]) -> list[Stop]:
    found = []
    for row in full_stops(decisions):
        rows = unpack(ledger.tape(row.at_s, row.at_s + WITHIN_S), row.at_s, row.at_s + WITHIN_S)
        power, counter = (heater_signal(home, base, row.heater) for base in ("diverted_w", "diverted_wh"))
        stop = verified(row, rows, power, counter, home.rules.full.idle_w)
        if stop is not None:
            found.append(stop)
    return found[::-1]


def _levels(rows: list[Row], measured: bool, cold_c: float, hot_c: float) -> list[tuple[float, float]]:
    if measured:
        return [(float(end_s), values["tank_level_pct"]) for end_s, values in rows if "tank_level_pct" in values]
    found: list[tuple[float, float]] = []
    last: dict[str, Reading] = {}
    for end_s, values in rows:
        fresh = {name: Reading(name, values[name], end_s, end_s) for name in TEMPERATURES if name in values}
        last |= fresh
        if fresh:
            top, mid, bottom = (last.get(name) for name in TEMPERATURES)
            level = level_reading(top, mid, bottom, cold_c, hot_c)
            if level is not None:
                found.append((float(end_s), level.value))
    return found
